//! Promises that only many invented sittings can show.
//!
//! `cargo test` plays a sample of each, always the same one. `GREYHOLD_WHOLE=1 cargo test --release --test simulations --
//! --nocapture` plays all of them and prints the README's tables.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../harness/mod.rs"]
mod harness;

mod each_light_is_read_out_of_a_frame;
mod learning_takes_no_frame_in_which_a_light_moved;
