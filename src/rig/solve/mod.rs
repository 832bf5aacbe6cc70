//! What every source of light does in one ordinary frame, by the survey.
//!
//! Light adds: a frame is the sum of what the survey shows each source to give, each times its own
//! change. The fit finds the changes and how surely, the posterior settles what people may have done.

mod band;
mod basis;
mod covariance;
mod field;
mod fit;
mod model;
mod posterior;
mod residue;
mod robust;

pub use self::basis::{Basis, Single};
pub use self::fit::nnls;
pub use self::posterior::{SourceChange, SourcePrior};
use crate::meter::{LightMap, PATCHES};
use crate::photometry::Stops;
use crate::response::Response;
use crate::rig::PatchLight;

/// What was read out of one frame.
#[derive(Debug, Clone, PartialEq)]
pub enum Sources {
    /// How each source changed against what was expected, in the order of the basis.
    Changes(Vec<SourceChange>),
    /// A part of the frame, told in cells, is off by this much in a way that no source explains.
    Residue { cells: Vec<usize>, change: Stops },
    /// A dark band along one long side covers this share of the frame.
    Band { share: f64 },
    /// Too little of the frame can be read.
    Unreadable,
}

/// Reads the sources out of a frame. `expected` is how each should have changed since the survey;
/// `soon`: a flash may still have been charging.
pub fn read(
    basis: &Basis,
    expected: &[Stops],
    priors: &[SourcePrior],
    soon: bool,
    frame: &LightMap,
    response: &Response,
) -> Sources {
    let frame = &PatchLight::of(frame, response);
    if let Some(share) = band::band(basis, expected, frame, response) {
        return Sources::Band { share };
    }
    let Some(fit) = basis.task(frame, response, expected).fit() else { return Sources::Unreadable };
    let posterior = posterior::weigh(&fit, priors, soon);
    let changes: Vec<SourceChange> = (0..priors.len()).map(|s| posterior.change_of(s)).collect();
    let no_error = posterior::Posterior::no_error(priors);
    let residue = posterior.likeliest().and_then(|h| residue::residue(&fit, &h.changes, &no_error, frame.cells()));
    match residue {
        // What a light that is out leaves in the shadows is no modifier's doing.
        Some(r) if !changes.contains(&SourceChange::NotFired) => {
            Sources::Residue { cells: r.cells, change: Stops(r.change) }
        }
        _ => Sources::Changes(changes),
    }
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
