//! Reading a part of a log from its first record to its last, for what looks back on a sitting. Locks nothing, cuts nothing, and may be done
//! while a greyhold writes to it.

use std::path::Path;

use super::LogError;
use super::lines::Lines;
use super::place::{check, resolved};
use super::reader::first_number;
use super::replay::{Behind, newer, record_in, unreadable};
use super::segments::{Segment, all, missing};
use crate::numbers::RecordNumber;
use crate::session::Record;

/// Gives every record from one to another once, in order. What can't be read is passed over; what comes back are the sentences that
/// tell of it, where it lies in the files that were read.
///
/// # Errors
/// There is no log, what is there is none, it can't be read, or a newer greyhold wrote it.
pub fn read_within(
    log: &Path,
    [first, last]: [RecordNumber; 2],
    mut each: impl FnMut(&Record),
) -> Result<Vec<String>, LogError> {
    let log = resolved(log);
    let files = all(&log);
    if files.is_empty() {
        return Err(LogError::Absent { log: log.display().to_string() });
    }
    let mut passed = Vec::new();
    let begins = |file: &Segment| first_number(file).map_err(|cause| unreadable(file, cause));
    let mut from = 0;
    for (place, file) in files.iter().enumerate().rev() {
        if begins(file)?.is_some_and(|number| number <= first) {
            from = place;
            break;
        }
    }
    for number in missing(&files).into_iter().filter(|number| *number > files[from].number || from == 0) {
        passed.push(format!("file {number} of the shot log {} is missing: what it told is not here", log.display()));
    }
    let mut known = first.back(1);
    for (place, file) in files.iter().enumerate().skip(from) {
        if known >= last {
            break;
        }
        check(&file.path)?;
        let is_last = place + 1 == files.len();
        read_file(file, is_last, &mut passed, &mut |record, place| {
            let mut gap = None;
            if record.n > known && record.n <= last {
                gap = (record.n > known.next())
                    .then(|| format!("{place}: {}", are_missing(known.next(), record.n.back(1))));
                known = record.n;
                each(record);
            }
            gap
        })?;
    }
    Ok(passed)
}

fn are_missing(first: RecordNumber, last: RecordNumber) -> String {
    if first == last { format!("record {first} is missing") } else { format!("records {first} to {last} are missing") }
}

/// `each` gives what is missing before a record.
fn read_file(
    file: &Segment,
    is_last: bool,
    passed: &mut Vec<String>,
    each: &mut dyn FnMut(&Record, &str) -> Option<String>,
) -> Result<(), LogError> {
    let name = file.path.display().to_string();
    let mut lines = Lines::of(&file.path).map_err(|cause| unreadable(file, cause))?;
    let (mut number, mut behind) = (0, Behind::default());
    while let Some(line) = lines.next().map_err(|cause| unreadable(file, cause))? {
        number += 1;
        if line.is_blank() {
            continue;
        }
        match record_in(&line) {
            Ok(record) => {
                passed.extend(std::mem::take(&mut behind).was_passed_over(&name));
                let gap = record.and_then(|record| each(&record, &format!("{name}, line {number}")));
                passed.extend(gap);
            }
            Err(fault) if fault.is_of_another_program() => return Err(newer(file, number, fault)),
            // It is still being written, most likely.
            Err(_) if is_last && !line.is_ended => {}
            Err(_) => behind.add(number, false),
        }
    }
    passed.extend(behind.was_passed_over(&name));
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::session::{Body, VERSION};

    const ALL: [RecordNumber; 2] = [RecordNumber::FIRST, RecordNumber::new(u64::MAX)];

    #[test]
    fn a_part_is_read_from_the_file_that_it_begins_in_to_its_end() {
        let home = tempfile::tempdir().unwrap();
        let log = home.path().join("shots.jsonl");
        std::fs::write(&log, line(1) + "scribbled over\n" + &line(2)).unwrap();
        std::fs::write(home.path().join("shots.2.jsonl"), line(3) + &line(4) + &line(6) + &line(7)).unwrap();
        let mut numbers = Vec::new();
        let within = [RecordNumber::new(3), RecordNumber::new(6)];
        let passed = read_within(&log, within, |record| numbers.push(record.n.get())).unwrap();
        assert_eq!(numbers, [3, 4, 6]);
        assert!(matches!(passed.as_slice(), [gap] if gap.ends_with("record 5 is missing")), "{passed:?}");
    }

    fn line(n: u64) -> String {
        let at = "2026-03-02T10:00:00Z".parse().unwrap();
        let body = Body::Note { text: format!("note {n}") };
        Record { v: VERSION, n: RecordNumber::new(n), at, body }.to_line().unwrap() + "\n"
    }

    fn read(log: &Path) -> (Vec<u64>, Vec<String>) {
        let mut numbers = Vec::new();
        let passed = read_within(log, ALL, |record| numbers.push(record.n.get())).unwrap();
        (numbers, passed)
    }

    #[test]
    fn each_record_comes_once_and_what_is_damaged_is_told() {
        let home = tempfile::tempdir().unwrap();
        let log = home.path().join("shots.jsonl");
        std::fs::write(&log, line(1) + "scribbled over\n" + &line(3)).unwrap();
        // Record 3 was written again behind a failed sync; the last line is being written.
        std::fs::write(home.path().join("shots.2.jsonl"), line(3) + &line(4) + &line(5)[..40]).unwrap();
        let (numbers, passed) = read(&log);
        assert_eq!(numbers, [1, 3, 4]);
        assert_eq!(passed.len(), 2, "{passed:?}");
        assert!(passed[0].ends_with("shots.jsonl, line 2, is damaged and was passed over"), "{passed:?}");
        assert!(passed[1].ends_with("line 3: record 2 is missing"), "{passed:?}");
    }

    #[test]
    fn what_is_no_log_is_refused() {
        let home = tempfile::tempdir().unwrap();
        let absent = home.path().join("absent.jsonl");
        assert!(matches!(read_within(&absent, ALL, |_| {}), Err(LogError::Absent { .. })));
        let letter = home.path().join("letter.jsonl");
        std::fs::write(&letter, "dear all,\n").unwrap();
        assert!(matches!(read_within(&letter, ALL, |_| {}), Err(LogError::NoShotLog { .. })));
    }
}
