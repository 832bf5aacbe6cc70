//! Promises that only many invented sittings can show.
//!
//! `cargo test` plays a sample of each, always the same one. `GREYHOLD_WHOLE=1 cargo test --release --test simulations --
//! --nocapture` plays all of them and prints the tables of docs/.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../harness/mod.rs"]
mod harness;

mod a_survey_teaches_the_curve;
mod each_light_is_read_out_of_a_frame;
mod faces_that_move_are_read_in_true_stops;
mod intervals_hold_as_often_as_they_say;
mod learning_takes_no_frame_in_which_a_light_moved;
mod lights_of_real_faces_are_read_one_by_one;
mod one_light_of_several_is_told_from_all_alike;
mod strobe_sittings;

/// A share may be no smaller than this. A sample is few, so it fails only where a true share of this size would hardly ever give
/// so small a one: three standard deviations of the binomial law below.
fn assert_share(part: usize, of: usize, least: f64, what: &str) {
    assert!(of > 0, "{what}: there are none at all");
    let chance = if harness::whole() { 0.0 } else { 3.0 * (least * (1.0 - least) / of as f64).sqrt() };
    let share = part as f64 / of as f64;
    assert!(share >= least - chance, "{what}: {part} of {of}, which must be {least} (and {chance:.3} for chance)");
}

#[test]
fn a_share_that_is_too_small_fails() {
    let fails = |part, of| std::panic::catch_unwind(|| assert_share(part, of, 0.95, "those that are right")).is_err();
    assert!(!fails(950, 1000) && fails(900, 1000), "of many");
    assert!(fails(0, 0) && fails(6, 10), "of few, and of none");
}
