//! Pages listen; the metering never waits for one. What each is told is complete, whatever the others do.

use std::time::{Duration, Instant};

use crate::harness::http::Feed;
use crate::harness::{Studio, shot};

const FRAMES: u64 = 12;

#[test]
fn every_page_is_told_every_record_once_and_a_stalled_one_holds_up_nobody() {
    let studio = Studio::open();
    // These never read what they are sent.
    let stalled: Vec<Feed> = (0..4).map(|_| Feed::open(&studio, Some(0)).unwrap()).collect();
    let reading: Vec<_> = (0..20)
        .map(|_| {
            let mut feed = Feed::open(&studio, Some(0)).unwrap();
            std::thread::spawn(move || {
                let mut told = Vec::new();
                loop {
                    let news = feed.next("news");
                    told.push(news["n"].as_u64().unwrap());
                    if news["message"].as_str().is_some_and(|s| s.starts_with("  note: the end")) {
                        return told;
                    }
                }
            })
        })
        .collect();
    for n in 1..=FRAMES {
        studio.put(&format!("{n}.jpg"), &shot(if n % 2 == 0 { 8.0 } else { 5.6 }, 0.0, n).jpeg());
    }
    studio.sync();
    studio.tell(serde_json::json!({"command": "note", "text": "the end"}));
    let logged: Vec<u64> = studio.records().iter().map(|r| r.n.get()).collect();
    assert_eq!(studio.frames().len() as u64, FRAMES);
    for page in reading {
        assert_eq!(page.join().unwrap(), logged);
    }
    drop(stalled);
}

/// A page that was away goes on where it was, from any record.
#[test]
fn a_page_goes_on_from_the_record_that_it_was_told_last() {
    let studio = Studio::open();
    for n in 1..=3 {
        studio.take(&format!("{n}.jpg"), shot(8.0, 0.0, n));
    }
    let last = studio.records().len() as u64;
    for after in 0..last {
        let mut feed = Feed::open(&studio, Some(after)).unwrap();
        assert_eq!(feed.next("begin")["after"].as_u64(), Some(after));
        let told: Vec<u64> = (after..last).map(|_| feed.next("news")["n"].as_u64().unwrap()).collect();
        assert_eq!(told, (after + 1..=last).collect::<Vec<_>>());
        assert_eq!(feed.next("board")["n"].as_u64(), Some(last));
    }
    // One that knows more than there is has followed another log.
    assert_eq!(Feed::open(&studio, Some(last + 50)).unwrap().next("begin")["after"].as_u64(), Some(0));
}

/// Puts frames one after the other, and gives the time from the file to its record, each.
fn times_to_the_record(studio: &Studio, numbers: std::ops::Range<u64>) -> Vec<Duration> {
    let one = |n: u64| {
        let began = Instant::now();
        assert_eq!(
            studio.take(&format!("{n}.jpg"), shot(if n.is_multiple_of(2) { 8.0 } else { 5.6 }, 0.0, n))["frame"],
            n
        );
        began.elapsed()
    };
    numbers.map(one).collect()
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

/// A phone that sleeps, a window behind others: they take nothing, and are sent everything.
#[test]
fn twenty_pages_that_hang_delay_no_frame_and_lose_none() {
    let studio = Studio::open();
    let alone = median(times_to_the_record(&studio, 1..10));
    let hanging: Vec<Feed> = (0..20).map(|_| Feed::open(&studio, Some(0)).unwrap()).collect();
    let watched = median(times_to_the_record(&studio, 10..19));
    println!("median from the file to its record: {alone:?} alone, {watched:?} with twenty pages that hang");
    // Twice as long and a second is far more than a page may cost, and far less than waiting for one.
    assert!(watched < alone * 2 + Duration::from_secs(1), "{watched:?} against {alone:?}");
    // More than the system keeps for a page that doesn't read.
    for n in 0..200 {
        studio.tell(serde_json::json!({"command": "note", "text": format!("{n} {}", "x".repeat(7000))}));
    }
    let pressed = median(times_to_the_record(&studio, 19..28));
    println!("and {pressed:?} with more waiting for each than it is kept");
    assert!(pressed < alone * 2 + Duration::from_secs(1), "{pressed:?} against {alone:?}");
    assert_eq!(studio.frames().len(), 27);
    let numbers: Vec<u64> = studio.records().iter().map(|r| r.n.get()).collect();
    assert_eq!(numbers, (1..=numbers.len() as u64).collect::<Vec<_>>(), "every record once, in order");
    drop(hanging);
}
