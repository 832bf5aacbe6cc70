//! The numbers that decide what is claimed of a light, and that no source gives: chosen on sittings of known light.
//!
//! `a_fifth_more_or_less_of_what_was_chosen_changes_little` (simulations) moves each by a fifth, on real faces.

/// What was chosen, and on what.
#[derive(Debug, Clone, PartialEq)]
pub struct Tuned {
    /// A claim needs all weight but this much on its side: what a stated 95 % means.
    pub doubt: f64,
    /// A change is seen when its factor is known to this share of it.
    pub seen: f64,
    /// Changes of a flash this near to each other, in stops, are one claim.
    pub alike: f64,
    /// How often a head turned so far that nothing but this tells it from a click. Chosen on seeds 41 to 44 of `.ci/strobe-shoot`,
    /// moves `turned`: unchanged light told as something in 4 of 80 frames without it, in 2 with it.
    pub far_turns: f64,
    /// So many deviations of the doubt of shape are nothing left over.
    pub shapes: f64,
    /// A part of the frame that is off by less, in stops, matches as lights do that are off by less; heads that turn by 5 degrees
    /// leave up to 0.13 (real faces under strobes, seed 11).
    pub least_part: f64,
    /// And where no light did anything but what was asked, since the shadow of a nose that turned is off by up to 0.19 (the same faces,
    /// seeds 21 to 24). A reflector that fell leaves 0.15 to 0.2 in a third of the sittings of `each_light_is_read_out_of_a_frame`.
    pub least_part_alone: f64,
    /// Lights explain a change when they leave less than this of what it would leave had they done nothing.
    pub unexplained: f64,
    /// Lights and movement leave over no more than this, in stops: 0.03 in nearly all of 300 frames of real faces under strobes whose
    /// sitters shifted by up to 6 % of the frame; mirrored light left 0.05 to 0.1 in three of four. Where a sitter's own frames leave
    /// more, that counts.
    pub left_over: f64,
    /// And no more than this where a light changed only if no head turned, or where only a room's light rose: a survey shows it darkly.
    pub left_over_in_doubt: f64,
    /// A room's light rose by at least this, in stops: it is read out of dark frames, and a stop of it is soon found where nothing
    /// happened.
    pub risen: f64,
}

/// What the program reads frames by.
pub const TUNED: Tuned = Tuned {
    doubt: 0.05,
    seen: 0.25,
    alike: 0.12,
    far_turns: 0.04,
    shapes: 2.0,
    least_part: 0.15,
    least_part_alone: 0.2,
    unexplained: 0.25,
    left_over: 0.04,
    left_over_in_doubt: 0.06,
    risen: 1.5,
};
