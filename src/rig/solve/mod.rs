//! What every source of light does in one ordinary frame, by the survey.
//!
//! Light adds: a frame is the sum of what the survey shows each source to give, each times its own
//! change. The fit finds the changes and how surely, the posterior settles what people may have done.

mod band;
mod basis;
mod covariance;
mod field;
mod fit;
mod hypotheses;
mod model;
mod nnls;
mod posterior;
mod residue;
mod robust;
mod shape;
mod tuned;

pub use self::basis::{Basis, Single};
use self::fit::Fit;
pub use self::hypotheses::SourcePrior;
pub use self::nnls::nnls;
use self::posterior::Posterior;
pub use self::posterior::SourceChange;
use self::residue::LeftBy;
pub use self::tuned::{TUNED, Tuned};
use crate::meter::{LightMap, PATCHES};
use crate::photometry::Stops;
use crate::response::Response;
use crate::rig::PatchLight;

/// What was read out of one frame.
#[derive(Debug, Clone, PartialEq)]
pub enum Sources {
    /// How each source changed against what was expected, in the order of the basis.
    Changes(Vec<SourceChange>),
    /// A part of the frame, told in cells, is off by this much in a way that no source explains, or that this one's change explains
    /// hardly better than something new in its light.
    Residue { cells: Vec<usize>, change: Stops, or: Option<(usize, Stops)> },
    /// A dark band along one long side covers this share of the frame.
    Band { share: f64 },
    /// Too little of the frame can be read.
    Unreadable,
}

/// What was read out of one frame, and how much the likeliest story leaves over: `None` where none is.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    pub sources: Sources,
    pub left_over: Option<Stops>,
}

/// What is known before a frame is looked at.
#[derive(Debug, Clone, Copy)]
pub struct Before<'a> {
    /// How each source should have changed since the survey.
    pub expected: &'a [Stops],
    pub priors: &'a [SourcePrior],
    /// A flash may still have been charging.
    pub soon: bool,
    /// What this sitter's frames were seen to leave over at most, where lights did as they should: one who turns the head leaves more
    /// than one who doesn't. As long as none was seen, what a turned head leaves as a rule.
    pub usual: Stops,
}

/// Changes nearer to each other are one.
const ALIKE: f64 = 0.15;

/// Reads the sources out of a frame.
pub fn read(basis: &Basis, before: &Before, frame: &LightMap, response: &Response) -> Reading {
    Fitted::of(basis, before.expected, frame, response).read(before, &TUNED)
}

/// A frame that sources were fitted to, of which nothing is claimed yet.
#[derive(Debug, Clone)]
pub struct Fitted {
    outcome: Outcome,
    cells: (usize, usize),
}

#[derive(Debug, Clone)]
enum Outcome {
    Sources(Box<Fit>),
    Band { share: f64 },
    Unreadable,
}

impl Fitted {
    /// `expected`: how each source should have changed since the survey.
    pub fn of(basis: &Basis, expected: &[Stops], frame: &LightMap, response: &Response) -> Fitted {
        let light = &PatchLight::of(frame, response);
        let outcome = match band::band(basis, expected, light, response) {
            Some(share) => Outcome::Band { share },
            None => match basis.task(light, response, expected).fit() {
                Some(fit) => Outcome::Sources(Box::new(fit)),
                None => Outcome::Unreadable,
            },
        };
        Fitted { outcome, cells: light.cells() }
    }

    /// What is claimed of the sources, by the numbers that were chosen.
    pub fn read(&self, before: &Before, tuned: &Tuned) -> Reading {
        let untold = |sources| Reading { sources, left_over: None };
        match &self.outcome {
            Outcome::Band { share } => untold(Sources::Band { share: *share }),
            Outcome::Unreadable => untold(Sources::Unreadable),
            Outcome::Sources(fit) => {
                let posterior = posterior::weigh(fit, before.priors, before.soon, tuned);
                let left_by = LeftBy { fit, cells: self.cells, tuned };
                let left_over = posterior.likeliest().map(|h| left_by.left_over(&h.changes));
                let sources = sources_of(&left_by, &posterior, before, left_over);
                Reading { sources, left_over: left_over.filter(|left| left.is_finite()).map(Stops) }
            }
        }
    }
}

fn sources_of(left_by: &LeftBy, posterior: &Posterior, before: &Before, left_over: Option<f64>) -> Sources {
    let changes: Vec<SourceChange> = (0..before.priors.len()).map(|s| posterior.change_of(s)).collect();
    // What a light that is out leaves in the shadows is no modifier's doing.
    if changes.contains(&SourceChange::NotFired) {
        return Sources::Changes(changes);
    }
    let no_error = Posterior::no_error(before.priors);
    let left = posterior.without_turns().and_then(|h| left_by.residue(&h.changes, &no_error));
    let unexplained = left.map(|r| Sources::Residue { cells: r.cells, change: Stops(r.change), or: None });
    let unexplained = unexplained.or_else(|| something_new(left_by, posterior, before, left_over?));
    unexplained.unwrap_or(Sources::Changes(changes))
}

/// A light may seem to have changed because a reflector or the like was brought in, which throws light from where that one
/// stands: then more is left over than lights leave, or the room's light seems to have risen at the same time. The
/// same goes for a light that only changed if no head turned.
fn something_new(
    left_by: &LeftBy,
    posterior: &Posterior,
    Before { priors, usual, .. }: &Before,
    left_over: f64,
) -> Option<Sources> {
    let tuned = left_by.tuned;
    let (mut story, mut most) = (posterior.likeliest()?, tuned.left_over);
    let mut lights = unasked_of(&story.changes, priors);
    let in_doubt = lights.is_empty();
    if in_doubt {
        // Lights that only changed if no head turned. What is brought in brightens.
        (story, most) = (posterior.without_turns()?, tuned.left_over_in_doubt);
        lights = unasked_of(&story.changes, priors);
        lights.retain(|s| story.changes[*s] > 0.0);
    }
    let has_risen = |s: usize| posterior.is_sure(posterior.weight_of(|h| h.changes[s] >= tuned.risen));
    let room = (0..priors.len()).any(|s| !priors[s].is_flash && has_risen(s));
    // All lights alike are nothing that is brought in.
    let all_alike = lights.len() == priors.iter().filter(|p| p.is_flash).count() && !(in_doubt && room);
    if (lights.is_empty() && !room) || all_alike {
        return None;
    }
    let two_at_once = room && !lights.is_empty();
    if left_over <= most.max(usual.0) && !two_at_once {
        return None;
    }
    let [_, as_asked] = Posterior::no_error(priors);
    let changed = left_by.changed_most(&as_asked)?;
    let or = lights.first().map(|s| (*s, Stops(story.changes[*s])));
    Some(Sources::Residue { cells: changed.cells, change: Stops(changed.change), or })
}

/// The flashes that changed by themselves. A light that was to be turned may have been turned wrongly: that is the likelier story.
fn unasked_of(changes: &[f64], priors: &[SourcePrior]) -> Vec<usize> {
    let is_unasked = |s: &usize| {
        let is_asked = priors[*s].asked.is_some_and(|asked| asked != Stops::ZERO);
        let is_to_turn = is_asked || priors[*s].told.is_some();
        priors[*s].is_flash && changes[*s].is_finite() && changes[*s].abs() > ALIKE && !is_to_turn
    };
    (0..priors.len()).filter(is_unasked).collect()
}

/// Mean light of the cells; `None` where a patch is clipped.
fn cells_of(map: &PatchLight) -> Vec<Option<f64>> {
    let (across, down) = map.cells();
    let cell = |at: usize| {
        let (column, row) = (at % across * PATCHES, at / across * PATCHES);
        let patches = (0..PATCHES * PATCHES).map(|p| map.at(column + p % PATCHES, row + p / PATCHES));
        let sum: Option<f64> = patches.map(|v| v.map(Stops::ratio)).sum();
        sum.map(|s| (s / (PATCHES * PATCHES) as f64).log2())
    };
    (0..across * down).map(cell).collect()
}
