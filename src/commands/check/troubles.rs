//! What of a machine and a folder would hold a watch up, each in one sentence with its mend. Pure: what was found out comes in.

use std::time::Duration;

use super::surroundings::{Firewall, Surroundings, System};
use crate::intake::Events;

/// One thing that is amiss.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    pub kind: Kind,
    /// For the person whose machine it is.
    pub said: String,
}

/// What is amiss, in a word that names nothing of anybody's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    Unreadable,
    Unwritable,
    NoWatches,
    NoEvents,
    Share,
    OpenFiles,
    DiskFull,
    DiskLow,
    ClockBehind,
    ClockOff,
    ClockJumped,
    Firewall,
}

impl Kind {
    /// Whether a sitting can't be kept like that; all else costs comfort.
    pub fn is_in_the_way(self) -> bool {
        matches!(self, Kind::Unreadable | Kind::Unwritable | Kind::DiskFull)
    }

    pub fn word(self) -> &'static str {
        match self {
            Kind::Unreadable => "unreadable",
            Kind::Unwritable => "unwritable",
            Kind::NoWatches => "no watches left",
            Kind::NoEvents => "no events",
            Kind::Share => "network share",
            Kind::OpenFiles => "few open files",
            Kind::DiskFull => "disk full",
            Kind::DiskLow => "disk nearly full",
            Kind::ClockBehind => "clock behind the files",
            Kind::ClockOff => "clock far off",
            Kind::ClockJumped => "clock jumped",
            Kind::Firewall => "firewall",
        }
    }
}

const MIB: u64 = 1 << 20;
/// Less than this, and a sitting's log finds no place before the day is over (a frame's records take some 10 KiB, see docs/growth.md;
/// the photographs beside them take the most).
const FULL: u64 = 20 * MIB;
const LOW: u64 = 2048 * MIB;
/// All places of the page (256) and the socket (80), and what the rest holds open (some 30; docs/reliability.md).
const OPEN_FILES: u64 = 400;
/// A camera's file may bear a time some seconds ahead of this machine's, and a share's may be minutes off.
const AHEAD: Duration = Duration::from_secs(600);
/// This program was not written before.
const EARLIEST_YEAR: i16 = 2026;
const LATEST_YEAR: i16 = 2099;
/// A clock that is slewed is off by far less in the moment of a look.
const JUMP: Duration = Duration::from_millis(500);

/// All of them, those that are in the way first.
pub fn troubles(found: &Surroundings) -> Vec<Trouble> {
    let all = [
        permissions(found.system, found.can_read, found.can_write),
        space(found),
        events(found),
        open_files(found),
        clock(found),
        firewall(found),
    ];
    let mut troubles: Vec<Trouble> = all.into_iter().flatten().collect();
    troubles.sort_by_key(|trouble| (!trouble.kind.is_in_the_way(), trouble.kind));
    troubles
}

fn trouble(kind: Kind, said: impl Into<String>) -> Option<Trouble> {
    Some(Trouble { kind, said: said.into() })
}

/// What this user may not do in the folder.
pub fn permissions(system: System, can_read: Option<bool>, can_write: Option<bool>) -> Option<Trouble> {
    let mend = match system {
        System::Mac => {
            "allow it for the terminal, or for greyhold, in System Settings, Privacy & Security, Files and Folders, then start again"
        }
        System::Windows => "give yourself the right to write in its properties, Security, or name another folder",
        System::Linux | System::Other => "let its owner give you the right (chmod u+rwx), or name a folder of your own",
    };
    match (can_read, can_write) {
        (Some(false), _) => trouble(Kind::Unreadable, format!("you may not look into this folder: {mend}")),
        (_, Some(false)) => trouble(
            Kind::Unwritable,
            format!(
                "you may not write to this folder, where the shot log lies: {mend}, or put the log elsewhere with --log"
            ),
        ),
        _ => None,
    }
}

fn space(found: &Surroundings) -> Option<Trouble> {
    let free = found.free_bytes?;
    match free {
        0..FULL => trouble(
            Kind::DiskFull,
            format!("the folder's disk is full ({} MiB left): delete or move something before the sitting", free / MIB),
        ),
        FULL..LOW => trouble(
            Kind::DiskLow,
            format!("the folder's disk has only {} MiB left, which raw files fill soon: make room", free / MIB),
        ),
        _ => None,
    }
}

fn events(found: &Surroundings) -> Option<Trouble> {
    if found.is_share {
        let said = "the folder is on a network share, which tells of no new files, so that frames come a second or more late: let the \
                    tethering write to this machine's own disk where it can";
        return trouble(Kind::Share, said);
    }
    match found.events? {
        Events::Told => None,
        Events::NoMoreWatches => {
            let most = found.most_watches.map_or_else(String::new, |most| format!(" of {most}"));
            trouble(
                Kind::NoWatches,
                format!(
                    "the system's limit{most} of watched folders is reached, so that frames come late: put \
                     'fs.inotify.max_user_watches=524288' and 'fs.inotify.max_user_instances=512' into /etc/sysctl.d/60-watches.conf, \
                     then 'sudo sysctl --system', or name a folder with fewer sub-folders"
                ),
            )
        }
        Events::NotTold => trouble(
            Kind::NoEvents,
            "the system tells of no new files here, so that frames come a second or more late: let the tethering write to a folder on \
             this machine's own disk",
        ),
    }
}

fn open_files(found: &Surroundings) -> Option<Trouble> {
    let most = found.open_files.filter(|most| *most < OPEN_FILES)?;
    trouble(
        Kind::OpenFiles,
        format!(
            "a program may hold only {most} files open here, too few for many phones at a time: start greyhold after 'ulimit -n 1024' in \
             the same terminal"
        ),
    )
}

fn clock(found: &Surroundings) -> Option<Trouble> {
    let set = "set it, or let the system set it by the network";
    let year = found.year;
    if !(EARLIEST_YEAR..=LATEST_YEAR).contains(&year) {
        return trouble(Kind::ClockOff, format!("this machine's clock says the year {year}: {set}"));
    }
    if found.newest_ahead.is_some_and(|ahead| ahead > AHEAD) {
        let ahead = found.newest_ahead.unwrap_or_default().as_secs() / 60;
        return trouble(
            Kind::ClockBehind,
            format!(
                "the newest file in the folder is {ahead} minutes ahead of this machine's clock, so that one of the two clocks is wrong: {set}"
            ),
        );
    }
    let jumped = found.jumped.filter(|jumped| *jumped > JUMP)?;
    trouble(
        Kind::ClockJumped,
        format!(
            "this machine's clock was set by {:.1} seconds during this look: let one program alone set it, and wait until it is quiet",
            jumped.as_secs_f64()
        ),
    )
}

fn firewall(found: &Surroundings) -> Option<Trouble> {
    let open = match found.firewall? {
        Firewall::Ufw => "sudo ufw allow 4718/tcp",
        Firewall::Firewalld => "sudo firewall-cmd --add-port=4718/tcp --permanent, then sudo firewall-cmd --reload",
    };
    trouble(Kind::Firewall, format!("a firewall is on: phones reach the page of --lan only after '{open}'"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sound() -> Surroundings {
        Surroundings {
            system: System::Linux,
            can_read: Some(true),
            can_write: Some(true),
            free_bytes: Some(50 << 30),
            is_share: false,
            events: Some(Events::Told),
            most_watches: Some(65_536),
            folders: Some(3),
            open_files: Some(1024),
            year: 2026,
            newest_ahead: None,
            jumped: Some(Duration::ZERO),
            firewall: None,
        }
    }

    fn kinds(found: &Surroundings) -> Vec<Kind> {
        troubles(found).into_iter().map(|trouble| trouble.kind).collect()
    }

    #[test]
    fn a_machine_that_is_in_order_has_no_trouble() {
        assert_eq!(kinds(&sound()), []);
        let untold = Surroundings {
            can_read: None,
            can_write: None,
            free_bytes: None,
            events: None,
            most_watches: None,
            open_files: None,
            jumped: None,
            ..sound()
        };
        assert_eq!(kinds(&untold), [], "what a system doesn't tell is no trouble");
    }

    #[test]
    fn each_trouble_is_told_by_itself_with_its_mend() {
        let minutes = |n: u64| Some(Duration::from_secs(n * 60));
        let cases = [
            (Surroundings { can_read: Some(false), ..sound() }, Kind::Unreadable, "chmod"),
            (Surroundings { can_write: Some(false), ..sound() }, Kind::Unwritable, "--log"),
            (Surroundings { can_write: Some(false), system: System::Mac, ..sound() }, Kind::Unwritable, "Privacy"),
            (Surroundings { free_bytes: Some(0), ..sound() }, Kind::DiskFull, "delete"),
            (Surroundings { free_bytes: Some(FULL), ..sound() }, Kind::DiskLow, "make room"),
            (Surroundings { events: Some(Events::NoMoreWatches), ..sound() }, Kind::NoWatches, "of 65536"),
            (Surroundings { events: Some(Events::NotTold), ..sound() }, Kind::NoEvents, "own disk"),
            (Surroundings { is_share: true, ..sound() }, Kind::Share, "own disk"),
            (Surroundings { open_files: Some(256), ..sound() }, Kind::OpenFiles, "ulimit"),
            (Surroundings { year: 1970, ..sound() }, Kind::ClockOff, "set it"),
            (Surroundings { newest_ahead: minutes(90), ..sound() }, Kind::ClockBehind, "90 minutes"),
            (Surroundings { jumped: Some(Duration::from_secs(3)), ..sound() }, Kind::ClockJumped, "3.0 seconds"),
            (Surroundings { firewall: Some(Firewall::Ufw), ..sound() }, Kind::Firewall, "ufw allow 4718/tcp"),
            (Surroundings { firewall: Some(Firewall::Firewalld), ..sound() }, Kind::Firewall, "firewall-cmd"),
        ];
        for (found, kind, mend) in cases {
            let all = troubles(&found);
            assert_eq!(all.len(), 1, "{all:?}");
            assert!(all[0].kind == kind && all[0].said.contains(mend), "{all:?}");
            assert!(!all[0].said.contains('\n') && all[0].said.matches(". ").count() == 0, "one sentence: {all:?}");
        }
    }

    #[test]
    fn a_clock_that_is_a_little_off_is_none() {
        assert_eq!(kinds(&Surroundings { newest_ahead: Some(Duration::from_secs(120)), ..sound() }), []);
        assert_eq!(kinds(&Surroundings { jumped: Some(Duration::from_millis(3)), ..sound() }), []);
    }

    #[test]
    fn what_is_in_the_way_comes_first() {
        let found = Surroundings { free_bytes: Some(0), is_share: true, can_write: Some(false), ..sound() };
        assert_eq!(kinds(&found), [Kind::Unwritable, Kind::DiskFull, Kind::Share]);
    }
}
