//! What goes wrong in a studio, done to the real program: it is killed, its disk is full, its folder is gone, its share
//! hangs, its clients misbehave, its files are hostile. After each fault the same promises are checked, by an oracle that
//! knows which whole pictures lay in the folder.
//!
//! `cargo test --test faults` does each fault a few times. `GREYHOLD_ROUNDS=200 GREYHOLD_SEED=2 cargo test --test faults --
//! --nocapture --test-threads=1` is the whole form, and prints what it measured. Linux only, for its mounts and `/proc`; a
//! fault that wants a tool or a right that is not there says so and skips.
#![cfg(target_os = "linux")]
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../harness/mod.rs"]
mod harness;

// The ground: how the program is run, watched and judged.
mod daemon;
mod effort;
mod machine;
mod mounts;
mod oracle;
mod pictures;
mod process;
mod pulse;
mod sitting;
mod wire;
mod writers;

// The faults.
mod calls;
mod clients;
mod clock;
mod crashes;
mod disk;
mod folder;
mod hostile;
mod jpeg_bombs;
mod limits;
mod other_bombs;
mod pages;
mod share;
mod slow_log;
mod slow_share;
mod soak;
mod terminal;
mod unfinished;
mod worn_logs;
