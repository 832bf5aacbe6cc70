//! Many frames through one daemon: what it takes at the end is what it took at the start, and it starts again quickly.
//!
//! `GREYHOLD_FRAMES=10000 cargo test --test faults soak -- --nocapture` is the soak; `cargo test` puts a few hundred through.

use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::json;

use crate::pictures::Picture;
use crate::sitting::Sitting;

const FEW: u64 = 200;
/// A fast burst's pace, held all the time.
const EVERY: Duration = Duration::from_millis(50);
/// It starts again within a second; held by a bound that no busy machine breaks.
const RESTART_AT_MOST: Duration = Duration::from_secs(5);
/// What the end may be of the start: memory, and the time from a closed file to its event.
const MEMORY_MAY_GROW: f64 = 1.5;
/// A frame's name, state and checksum stay in memory; a kilobyte and a half each is generous.
const KIB_A_FRAME: f64 = 1.5;
const LATENCY_MAY_GROW: f64 = 2.0;
/// Frames that are written and not announced.
const MOST_ON_THE_WAY: usize = 6;

/// When each frame's event came, by its file.
type Heard = Arc<Mutex<HashMap<String, Instant>>>;

fn listen(sitting: &Sitting) -> Heard {
    let heard = Heard::default();
    let own = Arc::clone(&heard);
    let mut wire = sitting.daemon().connect().unwrap();
    wire.send(&json!({"command": "listen"})).unwrap();
    std::thread::spawn(move || {
        while let Ok(message) = wire.next(Duration::from_secs(600)) {
            if message["record"]["type"] == "frame" {
                let file = message["record"]["file"].as_str().unwrap_or_default().to_owned();
                own.lock().unwrap().insert(file, Instant::now());
            }
        }
    });
    heard
}

fn median(times: &mut [Duration]) -> Duration {
    times.sort();
    times[times.len() / 2]
}

/// Resident memory of the daemon and of its largest worker, and open files.
fn takes(sitting: &Sitting) -> (u64, u64, usize) {
    let process = sitting.daemon().process;
    let worker = sitting.daemon().workers().iter().map(|w| w.resident_kib()).max().unwrap_or(0);
    (process.resident_kib(), worker, process.open_files())
}

#[test]
fn soak() {
    let frames: u64 = std::env::var("GREYHOLD_FRAMES").map_or(FEW, |n| n.parse().expect("GREYHOLD_FRAMES is a number"));
    let frames = frames.max(50);
    let tenth = (frames / 10) as usize;
    let mut sitting = Sitting::new("soak");
    sitting.start();
    let heard = listen(&sitting);
    let mut closed = Vec::with_capacity(frames as usize);
    let mut at_start = None;
    let began = Instant::now();
    for k in 0..frames {
        // Whole pictures move in, so that only the program's own waits count.
        let picture = Picture::jpeg(k + 1);
        let path = sitting.put(picture).remove(0);
        closed.push((path.file_name().unwrap().to_str().unwrap().to_owned(), Instant::now()));
        if k as usize == tenth {
            at_start = Some(takes(&sitting));
        }
        std::thread::sleep((EVERY * (k as u32 + 1)).saturating_sub(began.elapsed()));
        // On a machine that can't keep that pace, what is measured would be the queue.
        let waits_since = Instant::now();
        while closed.len() - heard.lock().unwrap().len().min(closed.len()) > MOST_ON_THE_WAY
            && waits_since.elapsed() < Duration::from_secs(20)
        {
            std::thread::sleep(Duration::from_millis(5));
        }
    }
    sitting.wait_for_all();
    let (daemon, worker, files) = takes(&sitting);
    let (daemon_before, worker_before, files_before) = at_start.unwrap();
    let heard = heard.lock().unwrap().clone();
    let mut times: Vec<Duration> =
        closed.iter().filter_map(|(name, at)| Some(heard.get(name)?.saturating_duration_since(*at))).collect();
    let missed = closed.len() - times.len();
    sitting.promise(missed == 0, format!("of {missed} frames no event was heard"));
    let last = times.len().saturating_sub(tenth);
    let (first, last) = (median(&mut times[..tenth]), median(&mut times[last..]));
    let ratio = last.as_secs_f64() / first.as_secs_f64();
    sitting.tell(format!("{frames} frames in {:.0} s", began.elapsed().as_secs_f64()));
    sitting.tell(format!(
        "closed file to event, median of the first tenth {:.0} ms, of the last {:.0} ms, ratio {ratio:.2}",
        first.as_secs_f64() * 1e3,
        last.as_secs_f64() * 1e3
    ));
    sitting
        .tell(format!("daemon {daemon_before} KiB, then {daemon} KiB; worker {worker_before} KiB, then {worker} KiB"));
    sitting.tell(format!("open files {files_before}, then {files}"));
    // A machine that was idle at the start and busy at the end is none of the program's doing.
    let may = first.mul_f64(LATENCY_MAY_GROW * sitting.machine.slower()) + Duration::from_millis(100);
    let slower = last > may;
    sitting.promise(!slower, format!("the last tenth took {last:.0?} a frame, the first {first:.0?}"));
    let may = |before: u64| before as f64 * MEMORY_MAY_GROW + 8_192.0;
    let daemon_may = may(daemon_before) + frames as f64 * KIB_A_FRAME;
    sitting.promise(daemon as f64 <= daemon_may, format!("the daemon grew from {daemon_before} to {daemon} KiB"));
    sitting.promise(worker as f64 <= may(worker_before), format!("a worker grew from {worker_before} to {worker} KiB"));
    sitting.promise(files.abs_diff(files_before) <= 8, format!("open files went from {files_before} to {files}"));
    restarts(&mut sitting);
    sitting.done();
}

fn restarts(sitting: &mut Sitting) {
    let mut took = Vec::new();
    for round in 0..5 {
        if round % 2 == 0 {
            sitting.end();
        } else {
            sitting.kill();
        }
        sitting.start();
        took.push(sitting.daemon().ready_after);
    }
    sitting.put_some(1);
    sitting.wait_for_all();
    let median = median(&mut took);
    let log = sitting.log();
    sitting.tell(format!(
        "restart after {} MiB of log: {:.2} s median, {:.2} s at most",
        log.bytes >> 20,
        median.as_secs_f64(),
        took[took.len() - 1].as_secs_f64()
    ));
    sitting.promise(median <= RESTART_AT_MOST, format!("a restart took {median:.2?}"));
}
