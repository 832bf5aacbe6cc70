//! `greyhold check --report`: one file for who reports a fault, with numbers and kinds and without anything that names a
//! photograph, a folder, a person, a set or a machine.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use super::super::exit::{CommandError, Exit};
use super::super::last_folder::last_folder;
use super::super::new_file::NewFile;
use super::super::say;
use super::super::version;
use super::super::watch::{USUAL_LOG, usual_config};
use super::surroundings::Surroundings;
use super::troubles::troubles;
use crate::config::Config;
use crate::outlet::shot_log::{Health, health};
use crate::wording::counted;

/// What is looked at; each that isn't named is looked for as a watch would.
pub struct Subject<'a> {
    pub config: Option<&'a Path>,
    pub folder: Option<&'a Path>,
    pub log: Option<&'a Path>,
}

/// A configuration, as far as it could be read.
enum Configured {
    No,
    Unsound,
    Sound(Box<Config>),
}

/// Writes the file, where none of its name is yet.
pub fn write(file: &Path, subject: &Subject) -> Result<Exit, CommandError> {
    let new = NewFile::checked(file, "the report")?;
    let config = match subject.config.map(Path::to_owned).or_else(usual_config).map(|file| Config::read(&file)) {
        None => Configured::No,
        Some(Ok(config)) => Configured::Sound(Box::new(config)),
        Some(Err(_)) => Configured::Unsound,
    };
    let of_config = |get: fn(&Config) -> Option<PathBuf>| match &config {
        Configured::Sound(config) => get(config),
        Configured::No | Configured::Unsound => None,
    };
    let folder = subject.folder.map(Path::to_owned).or_else(|| of_config(|c| c.folder.clone())).or_else(last_folder);
    let log = subject.log.map(Path::to_owned).or_else(|| of_config(|c| c.log.clone()));
    let log = log.or_else(|| folder.as_ref().map(|folder| folder.join(USUAL_LOG)));
    let text = [
        of_program(),
        of_machine(&Surroundings::look(folder.as_deref()), folder.is_some()),
        of_configuration(&config),
        of_log(log.as_deref()),
    ]
    .concat();
    new.create(text.as_bytes())?;
    say(&format!(
        "{} is written: read it, then send it with what you did, what you expected and what happened. It names no photograph, \
         folder, person, set or machine.",
        new.name()
    ));
    Ok(Exit::Clean)
}

fn of_program() -> String {
    let cores = std::thread::available_parallelism().map_or(0, usize::from);
    let kernel = std::fs::read_to_string("/proc/sys/kernel/osrelease").unwrap_or_default();
    format!(
        "{}\nsystem: {} {}, kernel {}, {}\n",
        version::in_one_line(),
        std::env::consts::OS,
        std::env::consts::ARCH,
        number_of(&kernel).unwrap_or("not told"),
        counted(cores, "core")
    )
}

/// The number of a kernel. What follows it was named by who built it.
fn number_of(kernel: &str) -> Option<&str> {
    kernel.split(|c: char| !c.is_ascii_digit() && c != '.').next().filter(|number| !number.is_empty())
}

fn of_machine(found: &Surroundings, is_known: bool) -> String {
    let told = |value: Option<String>| value.unwrap_or_else(|| "not told".to_owned());
    let mut text = format!("capture folder: {}\n", if is_known { "known" } else { "none is known" });
    let facts = [
        ("can be read", told(found.can_read.map(|can| can.to_string()))),
        ("can be written to", told(found.can_write.map(|can| can.to_string()))),
        ("folders in it", told(found.folders.map(|n| n.to_string()))),
        ("room on its disk, MiB", told(found.free_bytes.map(|free| (free >> 20).to_string()))),
        ("on a share", found.is_share.to_string()),
        ("events", told(found.events.map(|events| format!("{events:?}")))),
        ("watches, at most", told(found.most_watches.map(|n| n.to_string()))),
        ("open files, at most", told(found.open_files.map(|n| n.to_string()))),
        ("clock's year", found.year.to_string()),
        ("newest file ahead of the clock, s", told(found.newest_ahead.map(|ahead| ahead.as_secs().to_string()))),
        ("clock set during the look, ms", told(found.jumped.map(|jumped| jumped.as_millis().to_string()))),
        ("firewall", told(found.firewall.map(|firewall| format!("{firewall:?}")))),
    ];
    for (what, value) in facts {
        line(&mut text, what, &value);
    }
    let kinds: Vec<&str> = troubles(found).iter().map(|trouble| trouble.kind.word()).collect();
    format!("{text}troubles: {}\n", if kinds.is_empty() { "none".to_owned() } else { kinds.join(", ") })
}

fn line(text: &mut String, what: &str, value: &str) {
    // Writing to a string can't fail.
    let _ = writeln!(text, "  {what}: {value}");
}

fn of_configuration(config: &Configured) -> String {
    let config = match config {
        Configured::No => return "configuration: none\n".to_owned(),
        Configured::Unsound => return "configuration: not sound\n".to_owned(),
        Configured::Sound(config) => config,
    };
    let mut text = "configuration: sound\n".to_owned();
    for (n, group) in config.groups.iter().enumerate() {
        let dial = group.dial.map_or("dial unknown".to_owned(), |dial| dial.to_string());
        line(&mut text, &format!("group {}", n + 1), &format!("{}, {dial}", counted(group.heads as usize, "light")));
    }
    line(&mut text, "spots", &config.spots.len().to_string());
    line(&mut text, "reflectors and the like", &config.passive.len().to_string());
    line(&mut text, "lighting", &format!("{:?}", config.lighting));
    line(&mut text, "events or polling", &format!("{:?}, every {:?}", config.mode, config.poll_every));
    line(&mut text, "tolerance, stops", &config.tolerance.0.to_string());
    line(&mut text, "remarks", &config.remarks.len().to_string());
    text
}

fn of_log(log: Option<&Path>) -> String {
    let health = match log.map(health) {
        None => return "shot log: none\n".to_owned(),
        Some(Err(_)) => return "shot log: can't be read\n".to_owned(),
        Some(Ok(health)) => health,
    };
    let Health { files, records, missing, damaged, doubled, missing_files, strayed, .. } = &health;
    let mut text = format!("shot log: {}\n", counted(*files, "file"));
    for (what, n) in [
        ("records", *records),
        ("missing", *missing),
        ("damaged", *damaged),
        ("written twice", *doubled),
        ("files missing", missing_files.len() as u64),
        ("files that stray", strayed.len() as u64),
    ] {
        line(&mut text, what, &n.to_string());
    }
    for (kind, n) in &health.kinds {
        line(&mut text, &format!("of the kind {kind}"), &n.to_string());
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kernel_keeps_its_number_and_loses_its_name() {
        assert_eq!(number_of("6.1.0-34-amd64\n"), Some("6.1.0"));
        assert_eq!(number_of("5.15.167.4-somebodys-own"), Some("5.15.167.4"));
        assert_eq!(number_of(""), None);
    }
}
