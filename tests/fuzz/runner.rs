//! Tries one target: kept inputs, seeds, then damaged seeds, for a bounded time, from a seed that is told.

use std::cell::Cell;
use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use super::mutations::Mutations;

/// No input takes a sound reader longer, on a machine as busy as can be.
const LONGEST: Duration = Duration::from_secs(60);
const MOST_INPUTS: u64 = 5_000_000;
/// Inputs beyond this are cut: size alone is tried elsewhere.
const LONGEST_INPUT: usize = 256 << 10;

pub fn run(name: &'static str, seeds: Vec<Vec<u8>>, check: impl Fn(&[u8])) {
    let number = |key: &str| std::env::var(key).ok().and_then(|v| v.parse::<u64>().ok());
    let time = Duration::from_secs(number("GREYHOLD_FUZZ_SECONDS").unwrap_or(2));
    let seed = number("GREYHOLD_FUZZ_SEED").unwrap_or(1);
    let watch = Watch::begin(name);
    let tried = Cell::new(0_u64);
    let try_one = |input: &[u8]| {
        watch.takes(input);
        tried.set(tried.get() + 1);
        if catch_unwind(AssertUnwindSafe(|| check(input))).is_err() {
            panic!("{name} failed at input {} of seed {seed}, kept as {}", tried.get(), keep(name, input).display());
        }
        watch.done();
    };
    kept(name).iter().chain(&seeds).for_each(|input| try_one(input));
    let began = Instant::now();
    let mut mutations = Mutations::new(seed, seeds, LONGEST_INPUT);
    while began.elapsed() < time && tried.get() < MOST_INPUTS {
        try_one(&mutations.next());
    }
    println!("{name}: {} inputs, seed {seed}", tried.get());
}

/// Inputs that failed once.
fn kept(name: &str) -> Vec<Vec<u8>> {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures/fuzz").join(name);
    let mut paths: Vec<PathBuf> = fs::read_dir(folder).into_iter().flatten().flatten().map(|e| e.path()).collect();
    paths.sort();
    paths.iter().map(|path| fs::read(path).unwrap()).collect()
}

fn keep(name: &str, input: &[u8]) -> PathBuf {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/fuzz").join(name);
    let path = folder.join(format!("{:08x}", crc32fast::hash(input)));
    fs::create_dir_all(&folder).and_then(|()| fs::write(&path, input)).unwrap();
    path
}

/// Ends everything when one input takes too long: a hang can't be caught.
struct Watch(Arc<Mutex<Option<(Instant, Vec<u8>)>>>);

impl Watch {
    fn begin(name: &'static str) -> Watch {
        let now = Arc::new(Mutex::new(None::<(Instant, Vec<u8>)>));
        let seen = Arc::downgrade(&now);
        std::thread::spawn(move || {
            while let Some(now) = seen.upgrade() {
                if let Some((since, input)) = &*now.lock().unwrap()
                    && since.elapsed() > LONGEST
                {
                    eprintln!("{name} hangs on {}", keep(name, input).display());
                    std::process::exit(101);
                }
                drop(now);
                std::thread::sleep(Duration::from_millis(500));
            }
        });
        Watch(now)
    }

    fn takes(&self, input: &[u8]) {
        *self.0.lock().unwrap() = Some((Instant::now(), input.to_vec()));
    }

    fn done(&self) {
        *self.0.lock().unwrap() = None;
    }
}
