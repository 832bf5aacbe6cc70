//! Logs that were torn, flipped, edited, or written by a later program.

use std::fs;

use crate::daemon::Daemon;
use crate::oracle::seal;
use crate::sitting::Sitting;

/// A sitting with a sound log of some frames, at rest.
fn at_rest(name: &'static str, frames: u64) -> (Sitting, Vec<u8>) {
    let mut sitting = Sitting::new(name);
    sitting.start();
    sitting.put_some(frames);
    sitting.wait_for_all();
    for k in 0..3 {
        let took = sitting.daemon().note(&format!("note {k}"));
        sitting.promise(took, "a note was not taken");
    }
    sitting.end();
    let log = fs::read(&sitting.place.log).unwrap();
    (sitting, log)
}

fn lines(log: &[u8]) -> Vec<&[u8]> {
    log.split_inclusive(|byte| *byte == b'\n').collect()
}

#[test]
fn a_torn_end_costs_what_was_torn_and_no_more() {
    let (mut sitting, sound) = at_rest("a torn log", 5);
    let ends: Vec<usize> = lines(&sound)
        .iter()
        .scan(0, |at, line| {
            *at += line.len();
            Some(*at)
        })
        .collect();
    for round in 0..sitting.effort.up_to(100) {
        let cut = (sitting.random.between(sound.len() as f64 * 0.6, sound.len() as f64)) as usize;
        let mut torn = sound[..cut].to_vec();
        match round % 3 {
            0 => {}
            1 => torn.extend_from_slice(&[0; 3000]),
            _ => torn.extend((0..500).map(|k: u32| (k * 7919 % 251) as u8)),
        }
        fs::write(&sitting.place.log, &torn).unwrap();
        let kept = ends.iter().filter(|end| **end <= cut).count();
        sitting.start();
        sitting.wait_for_all();
        let log = fs::read(&sitting.place.log).unwrap();
        let is_kept = lines(&log).iter().zip(lines(&sound)).take(kept).all(|(now, before)| *now == before);
        sitting.promise(is_kept, format!("cut at {cut}: sound lines before the cut are gone"));
        sitting.end();
        let damaged = sitting.log().damaged;
        sitting.promise(damaged.is_empty(), format!("cut at {cut}: {damaged:?}"));
        let twice = sitting.log().faults(&sitting.whole, None).twice;
        sitting.promise(twice.is_empty(), format!("cut at {cut}: {twice:?}"));
    }
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}

#[test]
fn a_flipped_byte_is_reported_and_nothing_is_cut() {
    let (mut sitting, sound) = at_rest("a flipped byte", 5);
    let notes: Vec<usize> = {
        let text = String::from_utf8_lossy(&sound).into_owned();
        text.match_indices("\"text\":\"note ").map(|(at, _)| at).collect()
    };
    for round in 0..sitting.effort.up_to(20) {
        let mut flipped = sound.clone();
        let at = notes[round as usize % notes.len()] + (sitting.random.next() * 12.0) as usize;
        flipped[at] ^= 1 << (round % 3);
        fs::write(&sitting.place.log, &flipped).unwrap();
        sitting.start();
        sitting.wait_for_all();
        sitting.end();
        let now = fs::read(&sitting.place.log).unwrap();
        sitting.promise(now.starts_with(&flipped), format!("a byte flipped at {at}: the log was not left as it was"));
    }
    sitting.start();
    sitting.put_some(3);
    sitting.wait_for_all();
    sitting.damage_allowed = 1;
    sitting.gaps_allowed = 1;
    sitting.done();
}

#[test]
fn an_editors_line_ends_do_no_harm() {
    let (mut sitting, sound) = at_rest("a log with carriage returns", 5);
    let text = String::from_utf8(sound).unwrap();
    fs::write(&sitting.place.log, text.replace('\n', "\r\n")).unwrap();
    sitting.start();
    sitting.put_some(3);
    sitting.wait_for_all();
    let kept = sitting.log().notes("note 0");
    sitting.promise(kept == 1, format!("the first note is there {kept} times"));
    sitting.done();
}

#[test]
fn a_later_programs_log_is_refused_and_kept() {
    let (mut sitting, sound) = at_rest("a log of the future", 3);
    let last = sitting.log().records.keys().next_back().copied().unwrap();
    let n = last + 1;
    let future = [
        // A later version, and one that is this version's by its number and has a kind of record nobody knows here.
        format!(r#"{{"v":99,"n":{n},"at":"2026-11-25T08:31:28Z","type":"note","text":"from later""#),
        format!(r#"{{"v":99,"n":{n},"at":"2026-11-25T08:31:28Z","type":"hologram","depth":3"#),
    ];
    for line in future {
        let mut log = sound.clone();
        log.extend_from_slice(seal(&line).as_bytes());
        log.push(b'\n');
        fs::write(&sitting.place.log, &log).unwrap();
        match Daemon::start(&sitting.place) {
            Err(why) => {
                sitting.promise(why.contains("newer") || why.contains("later"), format!("it only says: {why}"));
                sitting.promise(!why.contains("panicked"), format!("a panic: {why}"));
            }
            Ok(daemon) => {
                daemon.end();
                sitting.promise(false, "a log of a later program was opened");
            }
        }
        let same = fs::read(&sitting.place.log).unwrap() == log;
        sitting.promise(same, "a log of a later program was changed");
    }
    fs::write(&sitting.place.log, &sound).unwrap();
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}
