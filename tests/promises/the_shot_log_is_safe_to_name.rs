//! Whatever is named as shot log, nothing of anybody's is written to, emptied or cut: what is no log is refused, and a
//! log that somebody's program changed is gone on with or left as it is.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use crate::harness::logs::{home, note, read};
use crate::harness::{Studio, shot};
use greyhold::outlet::shot_log::{ShotLog, health};
use greyhold::session::{Ledger, VERSION};

fn notes(numbers: impl IntoIterator<Item = u64>) -> Vec<u8> {
    numbers.into_iter().flat_map(|n| (note(n) + "\n").into_bytes()).collect()
}

/// A line as this program would seal it, whatever it says.
fn sealed(object: &str) -> String {
    let body = object.strip_suffix('}').unwrap();
    format!("{body},\"crc\":\"{:08x}\"}}\n", crc32fast::hash(body.as_bytes()))
}

/// All that is in a folder: names, and what the files hold.
fn all_in(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let entries = fs::read_dir(folder).unwrap().flatten();
    let held = |e: &fs::DirEntry| if e.path().is_file() { fs::read(e.path()).unwrap() } else { Vec::new() };
    entries.map(|e| (e.file_name().to_string_lossy().into_owned(), held(&e))).collect()
}

#[test]
fn what_is_no_log_is_refused_and_left_as_it_is() {
    let noise: Vec<u8> = (0_u32..300_000).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let foreign: [(&str, Vec<u8>); 8] = [
        ("portrait.jpg", shot(8.0, 0.0, 1).jpeg()),
        ("shopping.txt", b"milk\nbread\nlamp oil\n".to_vec()),
        ("one-word.txt", b"milk".to_vec()),
        ("windows.txt", b"milk\r\nbread\r\n".to_vec()),
        ("settings.json", b"{\n  \"version\": 4,\n  \"name\": \"x\"\n}\n".to_vec()),
        ("table.csv", b"a,b,c\n1,2,3\n".to_vec()),
        ("noise", noise),
        ("utf16.txt", b"\xff\xfem\0i\0l\0k\0\n\0".to_vec()),
    ];
    for (name, bytes) in foreign {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join(name);
        fs::write(&path, &bytes).unwrap();
        let said = ShotLog::open(&path).err().unwrap_or_else(|| panic!("{name} was taken")).to_string();
        assert_eq!(said, format!("{} is no shot log: name another file for it", path.display()));
        assert_eq!(all_in(home.path()), BTreeMap::from([(name.to_owned(), bytes)]), "{name}");
        assert!(health(&path).is_err(), "{name}");
    }
}

#[cfg(unix)]
#[test]
fn what_is_no_file_is_refused_at_once() {
    use greyhold::outlet::shot_log::LogError;
    let home = tempfile::tempdir().unwrap();
    let fifo = home.path().join("pipe.jsonl");
    assert!(std::process::Command::new("mkfifo").arg(&fifo).status().unwrap().success());
    let folder = home.path().join("folder.jsonl");
    fs::create_dir(&folder).unwrap();
    let link = home.path().join("link.jsonl");
    std::os::unix::fs::symlink(&fifo, &link).unwrap();
    for path in [fifo, folder, link, "/dev/full".into(), "/dev/zero".into()] {
        assert!(matches!(ShotLog::open(&path), Err(LogError::NoShotLog { .. })), "{}", path.display());
        assert!(health(&path).is_err(), "{}", path.display());
    }
    assert_eq!(all_in(home.path()).len(), 3, "nothing was made beside them");
    assert!(!Path::new("/dev/full.lock").exists() && !Path::new("/dev/zero.lock").exists());
}

#[test]
fn a_photograph_named_as_log_ends_the_start_with_one_line() {
    let mut studio = Studio::empty();
    let photograph = studio.put("portrait.jpg", &shot(8.0, 0.0, 1).jpeg());
    let before = fs::read(&photograph).unwrap();
    studio.extra = vec!["--log".into(), photograph.display().to_string()];
    let output = studio.start_and_end();
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("is no shot log: name another file for it") && said.trim().lines().count() == 1, "{said}");
    assert_eq!(fs::read(&photograph).unwrap(), before);
    assert_eq!(all_in(&studio.folder).len(), 1);
}

#[cfg(unix)]
#[test]
fn a_log_that_is_a_link_is_gone_on_with_where_it_lies() {
    use greyhold::outlet::shot_log::LogError;
    let (home, link) = home();
    let elsewhere = home.path().join("other disk");
    fs::create_dir(&elsewhere).unwrap();
    let real = elsewhere.join("real.jsonl");
    fs::write(&real, notes(1..=3)).unwrap();
    std::os::unix::fs::symlink("other disk/real.jsonl", &link).unwrap();
    let (mut log, opened) = ShotLog::open(&link).unwrap();
    assert_eq!((opened.state.sitting.records.get(), opened.damage.len()), (3, 0));
    assert!(log.append(vec![note(4)]));
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(fs::read(&real).unwrap(), notes(1..=4));
    assert_eq!(read(&link), [1, 2, 3, 4]);
    // Under its own name it is the same log, and in use.
    assert!(matches!(ShotLog::open(&real), Err(LogError::InUse { .. })));
    assert_eq!(all_in(home.path()).len(), 2, "nothing is made beside the link");
}

#[cfg(unix)]
#[test]
fn a_lock_that_is_somebody_elses_file_is_refused_and_left_as_it_is() {
    let (home, log) = home();
    let (lock, of_mine) = (home.path().join("shots.lock"), home.path().join("notes.txt"));
    fs::write(&of_mine, "call the agency").unwrap();
    std::os::unix::fs::symlink(&of_mine, &lock).unwrap();
    let said = ShotLog::open(&log).err().unwrap().to_string();
    assert!(said.contains("shots.lock") && said.contains("link to another file"), "{said}");
    assert_eq!(fs::read_to_string(&of_mine).unwrap(), "call the agency");
    fs::remove_file(&lock).unwrap();
    for content in ["call the agency", "1234567 is the number of the agency"] {
        fs::write(&lock, content).unwrap();
        let said = ShotLog::open(&log).err().unwrap().to_string();
        assert!(said.contains("another program's file"), "{said}");
        assert_eq!(fs::read_to_string(&lock).unwrap(), content);
    }
    assert!(!log.exists());
    // One of an earlier greyhold is taken over.
    fs::write(&lock, "12345").unwrap();
    assert!(ShotLog::open(&log).is_ok());
}

/// What editors, mail and version control do to a text.
#[test]
fn a_log_that_another_program_saved_is_read_and_gone_on_with() {
    type Change = fn(Vec<u8>) -> Vec<u8>;
    let with_ends = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap().replace('\n', "\r\n").into_bytes();
    let changes: [(&str, Change); 6] = [
        ("line ends of another system", with_ends),
        ("a mark in front", |bytes| [b"\xef\xbb\xbf".as_slice(), &bytes].concat()),
        ("no end of the last line", |bytes| bytes[..bytes.len() - 1].to_vec()),
        ("empty lines behind it", |bytes| [&bytes, b"\n\r\n\n".as_slice()].concat()),
        ("spaces behind the lines", |bytes| String::from_utf8(bytes).unwrap().replace('\n', "  \t\n").into_bytes()),
        ("all of it", |bytes| {
            let text = String::from_utf8(bytes).unwrap().replace('\n', "\r\n");
            [b"\xef\xbb\xbf", text.trim_end().as_bytes()].concat()
        }),
    ];
    for (what, change) in changes {
        let (home, path) = home();
        fs::write(&path, change(notes(1..=11))).unwrap();
        for n in 12..=14 {
            let (mut log, opened) = ShotLog::open(&path).unwrap();
            assert_eq!((opened.state.sitting.records.get(), opened.damage), (n - 1, Vec::new()), "{what}");
            assert!(log.append(vec![note(n)]), "{what}");
        }
        assert_eq!(read(&path), (1..=14).collect::<Vec<_>>(), "{what}");
        assert!(health(&path).unwrap().is_sound(), "{what}");
        assert_eq!(all_in(home.path()).len(), 2, "log and lock, nothing was cut: {what}");
    }
}

#[test]
fn more_than_a_torn_end_is_never_cut() {
    let shifted = |n| note(n).replace("\"at\"", " \"at\"") + "\n";
    let long: String = (0..3000).map(|n| format!("line {n} of something else entirely\n")).collect();
    let cases: [(&str, Vec<u8>); 3] = [
        (
            "two records that were edited",
            [notes(1..=3), (4..=5).map(shifted).collect::<String>().into_bytes()].concat(),
        ),
        ("all records were edited", (1..=11).map(shifted).collect::<String>().into_bytes()),
        ("another text behind it", [notes(1..=3), long.into_bytes()].concat()),
    ];
    for (what, bytes) in cases {
        let (home, path) = home();
        fs::write(&path, &bytes).unwrap();
        let said = ShotLog::open(&path).err().unwrap_or_else(|| panic!("opened: {what}")).to_string();
        assert!(said.contains("nothing of it is cut") && said.contains("from line"), "{what}: {said}");
        assert_eq!(fs::read(&path).unwrap(), bytes, "{what}");
        assert!(all_in(home.path()).keys().all(|name| !name.contains("torn")), "{what}");
    }
}

/// A line that is as it was written, but of a program that knew more.
#[test]
fn what_a_newer_program_wrote_is_never_cut() {
    let at = "\"at\":\"2026-03-02T10:00:00Z\"";
    let cases = [
        format!("{{\"v\":{VERSION},\"n\":4,{at},\"type\":\"kind_of_tomorrow\",\"x\":1}}"),
        format!("{{\"v\":{VERSION},\"n\":4,{at},\"type\":\"note\",\"words\":\"renamed\"}}"),
        format!("{{\"v\":{},\"n\":4,{at},\"type\":\"closed\"}}", VERSION + 1),
        format!("{{\"v\":{},\"carried\":3,\"part\":1,\"of\":1,\"state\":\"\"}}", VERSION + 1),
    ];
    for object in cases {
        for line in [sealed(&object), sealed(&object).replace('\n', "\r\n")] {
            let (_home, path) = home();
            let bytes = [notes(1..=3), line.into_bytes()].concat();
            fs::write(&path, &bytes).unwrap();
            let said = ShotLog::open(&path).err().unwrap_or_else(|| panic!("opened with {object}")).to_string();
            assert!(said.contains("line 4") && said.contains("newer greyhold") && said.contains("version"), "{said}");
            assert_eq!(fs::read(&path).unwrap(), bytes);
        }
    }
}

#[test]
fn check_says_of_a_text_without_a_line_end_that_it_is_no_log() {
    let (_home, path) = home();
    fs::write(&path, "milk, bread").unwrap();
    let output = crate::harness::greyhold(&["check", "--log", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&output.stdout).contains("is no shot log"));
    fs::write(&path, [notes(1..=3), b"half a li".to_vec()].concat()).unwrap();
    let output = crate::harness::greyhold(&["check", "--log", path.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.code() == Some(1) && said.contains("3 sound records, 0 missing, 1 lines damaged"), "{said}");
}
