//! Where dials are put by what was told of them or read out of a frame.

use std::collections::BTreeMap;

use super::judgement::PositionRead;
use super::standing::ReferenceBy;
use crate::numbers::FrameNumber;
use crate::photometry::{PowerSetting, Stops};
use crate::rig::{GroupName, Known, Position};

/// Where dials stood, each on its own scale; a group that isn't here stood nobody knows where.
pub type Marks = BTreeMap<GroupName, Stops>;

/// Where the dials stand for a frame that becomes a reference now.
pub(super) fn marks_now(positions: &[Position], frame: Option<FrameNumber>, by: ReferenceBy) -> Marks {
    // What was told since an accepted frame is a turn since.
    let at = |p: &Position| if by == ReferenceBy::Accepted { p.at_last_frame() } else { p.at };
    // What the lights were set to for a file from elsewhere, nobody knows.
    positions.iter().filter(|_| frame.is_some()).map(|p| (p.group.clone(), at(p))).collect()
}

/// What was told of a power.
#[derive(Debug, Clone, Copy)]
pub(super) struct Said {
    pub setting: Option<PowerSetting>,
    pub turned: Option<Stops>,
    pub moved: Option<Stops>,
}

/// Puts a group's dial where it was read to be; as [`moved_by`].
pub(super) fn place(positions: &mut [Position], mark: Option<Stops>, read: &PositionRead) -> Option<Stops> {
    let position = positions.iter_mut().find(|p| p.group == read.group)?;
    moved_by(position, mark, read.since_reference, read.known)
}

/// Puts a dial where it is, so far from its mark. Without a mark there is one from now on, which is given.
pub(super) fn moved_by(position: &mut Position, mark: Option<Stops>, moved: Stops, known: Known) -> Option<Stops> {
    match mark {
        Some(mark) => {
            position.place(mark + moved, known);
            None
        }
        None => {
            position.place(position.at, known);
            Some((position.at - moved).rounded())
        }
    }
}

/// The mean of moves that are alike; `None` when they aren't or one is not known.
pub(super) fn alike(moves: impl Iterator<Item = Option<Stops>>) -> Option<Stops> {
    /// Dials of different steps round one turn a little differently.
    const ALIKE: Stops = Stops(0.06);
    let moves: Vec<Stops> = moves.collect::<Option<_>>()?;
    let first = *moves.first()?;
    let mean = moves.iter().fold(Stops::ZERO, |sum, m| sum + *m) / moves.len() as f64;
    moves.iter().all(|m| (*m - first).abs() <= ALIKE).then_some(mean)
}
