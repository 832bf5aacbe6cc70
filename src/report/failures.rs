//! Flashes that failed: those that did not fire, and those that had not recycled.

use jiff::Timestamp;

use super::frame::ReportFrame;
use super::lights::Light;
use crate::advice::{Finding, Verdict};
use crate::numbers::FrameNumber;
use crate::photometry::Stops;
use crate::rig::GroupName;
use crate::rig::solve::SourceChange;

/// One frame in which a flash failed.
#[derive(Debug, Clone, PartialEq)]
pub struct Failure {
    pub frame: FrameNumber,
    pub at: Timestamp,
    pub what: Failed,
    /// Seconds since the frame before it, by the camera's clock.
    pub after_seconds: Option<f64>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Failed {
    /// No flash lit the frame.
    All,
    /// These did not fire, others did.
    NotFired(Vec<GroupName>),
    /// Less light than was set, right after the frame before; which lights, where that could be told.
    NotRecycled { groups: Vec<GroupName>, by: Option<Stops> },
}

impl Failed {
    /// `None` where no flash failed.
    pub(super) fn of(verdict: &Verdict) -> Option<Failed> {
        let changed = |change: &SourceChange| match change {
            SourceChange::Changed { change, .. } => Some(*change),
            SourceChange::NotFired | SourceChange::NotSettled => None,
        };
        match verdict.finding {
            Finding::Misfire => Some(Failed::All),
            Finding::GroupNotFired => {
                let out = verdict.groups.iter().filter(|g| g.change == SourceChange::NotFired);
                Some(Failed::NotFired(out.flat_map(|g| g.groups.clone()).collect()))
            }
            Finding::GroupWeak => {
                let fell = verdict.groups.iter().filter_map(|g| Some((changed(&g.change)?, &g.groups)));
                let weakest = fell.min_by(|(a, _), (b, _)| a.0.total_cmp(&b.0))?;
                Some(Failed::NotRecycled { groups: weakest.1.clone(), by: Some(weakest.0) })
            }
            // The lights may have been turned since the reference: what is lost is what the frame lacks.
            Finding::Recycle => Some(Failed::NotRecycled { groups: Vec::new(), by: verdict.drift }),
            _ => None,
        }
    }
}

/// How often one light failed, of the frames in which that could be told.
#[derive(Debug, Clone, PartialEq)]
pub struct LightTally {
    pub group: GroupName,
    /// Frames in which this light by itself was read, failed or not.
    pub told: usize,
    pub not_fired: Vec<FrameNumber>,
    pub not_recycled: Vec<FrameNumber>,
}

impl LightTally {
    /// What concerns no single light is counted of none.
    pub(super) fn of(light: &Light, frames: &[ReportFrame], failures: &[Failure]) -> LightTally {
        let group = light.group.clone();
        let has = |groups: &[GroupName]| groups.contains(&group);
        let is_read = |frame: &&ReportFrame| {
            let of = frame.verdict.iter().flat_map(|v| &v.groups);
            of.filter(|g| has(&g.groups)).any(|g| g.change != SourceChange::NotSettled)
        };
        let frames_of = |is_it: &dyn Fn(&Failed) -> bool| -> Vec<FrameNumber> {
            failures.iter().filter(|failure| is_it(&failure.what)).map(|failure| failure.frame).collect()
        };
        LightTally {
            told: frames.iter().filter(is_read).count(),
            not_fired: frames_of(&|what| matches!(what, Failed::NotFired(groups) if has(groups))),
            not_recycled: frames_of(&|what| matches!(what, Failed::NotRecycled { groups, .. } if has(groups))),
            group,
        }
    }
}
