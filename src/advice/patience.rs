//! One frame is a suspicion, two are a finding.
//!
//! What the settings explain, or a turn that was asked for or told, is answered at once. Everything else, a light more or less that
//! nobody spoke of, may be a misfire or a weak flash, a hand or a reflector: it is told, and a turn is suggested only when the next
//! frame shows the same.

use super::lights::GroupReading;
use super::verdict::{Finding, Previous, Verdict};
use crate::frame::Settings;
use crate::photometry::{SAME_SETTING, Stops};
use crate::rig::solve::SourceChange;

/// How soon a change that nothing explains is answered by a turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Patience {
    /// When the next frame shows the same.
    #[default]
    NextFrame,
    /// In the first frame that shows it.
    AtOnce,
}

/// What happened between the last frame and this one, as far as anybody knows.
#[derive(Debug, Clone, Copy)]
pub struct SinceLast<'a> {
    /// What was said of the last frame, when it was another exposure and compared with the same picture.
    pub verdict: Option<&'a Verdict>,
    /// Somebody named another picture to compare frames with: whatever differs from that one is no news.
    pub another_look: bool,
    /// The largest turn that was to be expected of a light: asked for, told, or what a change of the settings needs.
    pub turn: Stops,
    /// How far all groups are known to have been turned alike since the reference.
    pub moved: Option<Stops>,
}

/// Whether a frame was taken so soon after the one before it that a flash may still have been charging.
pub fn is_soon_after(previous: Option<&Previous>, settings: &Settings, recycle_seconds: f64) -> bool {
    let captured = previous.and_then(|p| p.captured.as_ref()).zip(settings.captured.as_ref());
    captured.is_some_and(|(previous, this)| {
        let slack = if previous.sub_seconds && this.sub_seconds { 0.0 } else { 1.0 };
        (0.0..=recycle_seconds + slack).contains(&this.seconds_since(previous))
    })
}

/// Two readings of one change lie within this.
const SAME: Stops = Stops(0.2);
/// The coarsest usual click.
const ONE_CLICK: Stops = Stops(1.0 / 3.0);
/// A turn may go a click too far.
const A_CLICK: Stops = Stops(0.4);

/// A smaller change is none.
fn nothing(tolerance: Stops) -> Stops {
    Stops(tolerance.0.min(SAME.0))
}

impl SinceLast<'_> {
    /// The largest change that is still explained: half a turn and one the wrong way lie within it, too.
    fn farthest(&self, tolerance: Stops) -> Stops {
        if self.turn > SAME_SETTING { self.turn + A_CLICK } else { nothing(tolerance) }
    }
}

impl Verdict {
    /// A change of the lights that nothing explains, and that the last frame doesn't bear out. Whether anything would follow from
    /// it is another question.
    pub fn is_a_suspicion(&self, since: &SinceLast, tolerance: Stops) -> bool {
        !self.is_explained(since, tolerance) && !since.verdict.is_some_and(|last| self.is_borne_out_by(last))
    }

    /// The same verdict, for nobody to turn a light by.
    pub fn as_a_suspicion(mut self) -> Verdict {
        self.suspicion = true;
        self.sentence.push_str(SHOOT_ANOTHER);
        self
    }

    /// Nothing changed: neither the settings nor the lights.
    pub fn matches_at_its_own_settings(&self) -> bool {
        self.finding == Finding::Matched && self.expected.is_some_and(|expected| expected.abs() <= SAME_SETTING)
    }

    fn is_explained(&self, since: &SinceLast, tolerance: Stops) -> bool {
        if since.another_look {
            return true;
        }
        match self.finding {
            Finding::GroupChanged => self.groups.iter().all(|group| group.is_explained(since, tolerance)),
            // Whatever was turned fits.
            Finding::Matched | Finding::ColourShifted => true,
            Finding::LightsChanged | Finding::BothChanged => self.is_as_near_as(since.farthest(tolerance), since),
            _ => self.assumption.is_some() || self.is_as_near_as(nothing(tolerance), since),
        }
    }

    /// The lights are no farther than this from where they were known to be.
    fn is_as_near_as(&self, most: Stops, since: &SinceLast) -> bool {
        let moved = since.moved.unwrap_or(Stops::ZERO);
        self.light_change.is_some_and(|change| (change - moved).abs() <= most)
    }

    /// The last frame showed the same change, and nothing was turned for it.
    fn is_borne_out_by(&self, last: &Verdict) -> bool {
        let near = |a: Stops, b: Stops| (a - b).abs() <= SAME;
        let both_changed = |group: &GroupReading| {
            let Some(now) = group.read_change().filter(|change| change.abs() > SAME) else { return true };
            let before = last.groups.iter().find(|g| g.groups == group.groups).and_then(GroupReading::read_change);
            before.is_some_and(|before| near(now, before))
        };
        let by_lights = |verdict: &Verdict| verdict.finding == Finding::GroupChanged;
        let alike = match (by_lights(self), by_lights(last)) {
            (true, true) => self.groups.iter().all(both_changed),
            // Where settings aren't known, what the light alone says must do.
            _ => {
                let change = |verdict: &Verdict| verdict.light_change.or(verdict.observed);
                change(self).zip(change(last)).is_some_and(|(now, before)| near(now, before))
            }
        };
        last.suspicion && alike
    }
}

impl GroupReading {
    /// It stayed, or did what was to be expected of it.
    pub fn is_explained(&self, since: &SinceLast, tolerance: Stops) -> bool {
        let Some(change) = self.read_change() else { return true };
        let is_right = self.deviation.is_some_and(|deviation| deviation.abs() <= tolerance);
        let fits = is_right && change.abs() <= since.farthest(tolerance);
        let asked = self.asked.is_some_and(|asked| ways_of_a_turn(asked).any(|way| (change - way).abs() <= SAME));
        let told = self.told.is_some_and(|told| ways_of_a_word(told).any(|way| (change - way).abs() <= SAME));
        change.abs() <= nothing(tolerance) || fits || asked || told
    }

    fn read_change(&self) -> Option<Stops> {
        match self.change {
            SourceChange::Changed { change, .. } => Some(change),
            SourceChange::NotFired | SourceChange::NotSettled => None,
        }
    }
}

/// What comes of a turn that was asked for: it was made, half of it, the wrong way, or a click too far or too little.
fn ways_of_a_turn(asked: Stops) -> impl Iterator<Item = Stops> {
    [asked, asked / 2.0, -asked, asked + ONE_CLICK, asked - ONE_CLICK].into_iter()
}

/// What comes of a turn that somebody told, against where the light then was taken to be: it was not made, or half of it, or the
/// wrong way.
fn ways_of_a_word(told: Stops) -> impl Iterator<Item = Stops> {
    [-told, -told / 2.0, -told * 2.0].into_iter()
}

const SHOOT_ANOTHER: &str = " Shoot another before turning anything: a turn is suggested when it shows the same.";
