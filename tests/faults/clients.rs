//! Clients of the socket that are slow, dead, or never stop talking: frames are metered all the same.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::sitting::Sitting;
use crate::wire::{Silence, Wire};

/// A frame is logged within this while clients flood. Wide: starved metering takes for ever.
const IN_A_FLOOD: Duration = Duration::from_secs(20);

/// Frames at a photographer's pace; the longest time until one was logged goes into the figures.
fn frames_meanwhile(sitting: &mut Sitting, what: &str, count: u32) {
    let mut worst = Duration::ZERO;
    for _ in 0..count {
        let picture = sitting.fresh();
        sitting.put(picture);
        let began = Instant::now();
        sitting.wait_for_all_within(IN_A_FLOOD);
        worst = worst.max(began.elapsed());
        if worst > IN_A_FLOOD {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    sitting.tell(format!("{what}: frames within {:.2} s", worst.as_secs_f64()));
}

struct Flood {
    ends: Arc<AtomicBool>,
    replies: Arc<AtomicU64>,
    threads: Vec<JoinHandle<()>>,
}

impl Flood {
    fn start(sitting: &Sitting, clients: usize, command: &Value) -> Flood {
        let ends = Arc::new(AtomicBool::new(false));
        let replies = Arc::new(AtomicU64::new(0));
        let threads = (0..clients).map(|_| {
            let (ends, replies) = (Arc::clone(&ends), Arc::clone(&replies));
            let (socket, command) = (sitting.place.socket.clone(), command.clone());
            std::thread::spawn(move || {
                let mut wire = None;
                while !ends.load(Ordering::Relaxed) {
                    if wire.is_none() {
                        wire = Wire::connect(&socket, Duration::from_secs(2)).ok();
                    }
                    match wire.as_mut().map(|w: &mut Wire| w.ask(&command, Duration::from_secs(2))) {
                        Some(Ok(_)) => drop(replies.fetch_add(1, Ordering::Relaxed)),
                        Some(Err(Silence::TimeUp)) => {}
                        _ => {
                            wire = None;
                            std::thread::sleep(Duration::from_millis(20));
                        }
                    }
                }
            })
        });
        let threads = threads.collect();
        Flood { ends, replies, threads }
    }

    fn stop(self) -> u64 {
        self.ends.store(true, Ordering::Relaxed);
        self.threads.into_iter().for_each(|t| t.join().unwrap());
        self.replies.load(Ordering::Relaxed)
    }
}

fn flooded_with(name: &'static str, command: &Value) {
    let mut sitting = Sitting::new(name);
    sitting.start();
    sitting.put_some(1);
    sitting.wait_for_all();
    let frames = if sitting.effort.is_whole() { 20 } else { 4 };
    for clients in [1, 4] {
        let flood = Flood::start(&sitting, clients, command);
        std::thread::sleep(Duration::from_millis(500));
        frames_meanwhile(&mut sitting, &format!("{clients} clients"), frames);
        if clients == 4 {
            sitting.end();
        }
        let replies = flood.stop();
        sitting.tell(format!("{replies} replies"));
    }
    sitting.done();
}

#[test]
fn a_flood_of_notes() {
    flooded_with("a flood of notes", &json!({"command": "note", "text": "again and again"}));
}

#[test]
fn a_flood_of_spots() {
    let area = json!({"left": 0.3, "top": 0.3, "right": 0.6, "bottom": 0.6});
    flooded_with("a flood of spots", &json!({"command": "spot", "name": "cheek", "area": area}));
}

#[test]
fn a_flood_of_references() {
    flooded_with("a flood of references", &json!({"command": "reference"}));
}

/// Listeners that never read, clients that left in the middle of a word, talk that is no command.
#[test]
fn clients_that_never_read_and_half_words() {
    let mut sitting = Sitting::new("clients that never read");
    sitting.start();
    sitting.put_some(1);
    sitting.wait_for_all();
    let listeners: Vec<Wire> = (0..30)
        .filter_map(|_| {
            let mut wire = Wire::raw(&sitting.place.socket).ok()?;
            wire.send(&json!({"command": "listen", "since": 1})).ok()?;
            Some(wire)
        })
        .collect();
    let halves: Vec<Wire> = (0..10)
        .filter_map(|_| {
            let mut wire = Wire::raw(&sitting.place.socket).ok()?;
            wire.stream.write_all(b"{\"command\":\"no").ok()?;
            Some(wire)
        })
        .collect();
    sitting.promise(listeners.len() == 30 && halves.len() == 10, "not all of them came in");
    for k in 0..40_usize {
        // Gone before the answer.
        if let Ok(mut wire) = Wire::raw(&sitting.place.socket) {
            let long = "x".repeat(1 << 20);
            let talk: [&[u8]; 5] =
                [b"\0\0\0\n", b"{}\n[]\n\"\n", long.as_bytes(), b"{\"command\":\"wait\"}\n", b"\xff\xfe\n"];
            let _ = wire.stream.write_all(talk[k % talk.len()]);
        }
    }
    // Enough records to fill every listener's pipe.
    for k in 0..if sitting.effort.is_whole() { 3_000 } else { 200 } {
        let note = json!({"command": "note", "text": format!("{k} {}", "a long note ".repeat(100))});
        if sitting.daemon().tell(&note).is_err() {
            sitting.promise(false, format!("note {k} was not taken"));
            break;
        }
    }
    let frames = if sitting.effort.is_whole() { 40 } else { 5 };
    frames_meanwhile(&mut sitting, "30 listeners that never read", frames);
    sitting.end();
    drop((listeners, halves));
    sitting.start();
    sitting.put_some(1);
    sitting.wait_for_all();
    sitting.done();
}
