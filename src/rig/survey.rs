//! The light survey: one frame with each group of lights alone, one with none, one with all.
//!
//! Owns which frame is next, and which are refused and why. What a finished survey knows is [`Lights`], and what it says is the
//! report's.

use serde::{Deserialize, Serialize};

use super::group_name::GroupName;
use super::lights::Lights;
use super::patches::PatchLight;
use super::solve::{Basis, Single};
use crate::align::PictureId;
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::meter::LightMap;
use crate::numbers::FrameNumber;
use crate::photometry::Stops;
use crate::response::{Addend, Response, Superposition, TRUSTED};

/// What lights a survey's frame.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Firing {
    Nothing,
    Only(GroupName),
    Everything,
}

impl Firing {
    /// What to do for this frame, and how it is done best.
    pub fn asks(&self) -> String {
        let hint = self.hint().map_or_else(String::new, |hint| format!(" ({hint})"));
        format!("{}{hint}", self.does())
    }

    /// How it is done best, where there is more to say than what to do.
    pub fn hint(&self) -> Option<&'static str> {
        (*self == Firing::Nothing).then_some("best at 1/15 s or longer, to read the room's light")
    }

    /// What to do for this frame.
    pub fn does(&self) -> String {
        match self {
            Firing::Nothing => "switch the trigger off, so that no flash fires, and release".to_owned(),
            Firing::Only(group) => format!("let only {group} fire, and release"),
            Firing::Everything => "let all groups fire again as for the picture, and release".to_owned(),
        }
    }

    /// What the frame is to show.
    pub fn in_short(&self) -> String {
        match self {
            Firing::Nothing => "no flash".to_owned(),
            Firing::Only(group) => format!("{group} alone"),
            Firing::Everything => "all groups".to_owned(),
        }
    }
}

/// One frame of a survey.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SurveyFrame {
    #[serde(alias = "lit")]
    pub firing: Firing,
    pub settings: Settings,
    /// Where it was laid over a picture, the light of that picture's patches.
    pub light: LightMap,
    /// That picture; `None` where it lies as it was shot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub laid_over: Option<PictureId>,
    /// Its number; `None` in states of earlier days, which did not keep it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub frame: Option<FrameNumber>,
}

/// A survey, under way or finished.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Survey {
    /// The frames there are to be, in their order.
    pub order: Vec<Firing>,
    pub taken: Vec<SurveyFrame>,
    pub skipped: Vec<GroupName>,
}

/// How a survey's frame lies against the reference, by the ordinary comparison.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct BesideReference {
    /// Light against what all groups would give at these settings.
    pub excess: Option<Stops>,
    /// How much more ambient light than flash the exposure time lets in.
    pub longer: Option<Stops>,
    /// It looks as if all groups had fired.
    pub matches: bool,
    /// Share of its patches that were clipped as it was shot.
    pub clipped: f64,
}

/// Why a frame can't be a part of the survey, and what to do.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SurveyRefusal {
    #[error(
        "it was not metered, or is of another shape or kind than the survey's other frames: shoot it again as those"
    )]
    OtherShape,
    #[error("its settings are not known: a survey needs the f-number, exposure time and ISO speed of every frame")]
    NoSettings,
    #[error("{share:.0} % of it is clipped: close the aperture by a stop (or lower the ISO), and shoot it again")]
    Clipped { share: f64 },
    #[error(
        "no flash lit it beyond what the frame without flash shows: a misfire? Check trigger and cables, wait for the light to charge, and shoot it again"
    )]
    NoFlash,
    #[error(
        "{group} lights it too weakly to be read ({} under): open the aperture or raise the ISO by {}, leave the power, and shoot it again",
        under.size_in_words(), Stops(under.0.ceil()).size_in_words()
    )]
    TooDark { group: GroupName, under: Stops },
    #[error("a flash fired: switch the trigger off or unplug it, and shoot it again")]
    FlashFired,
    #[error("it shows more than {group} alone ({with}): switch the other groups off, and shoot it again")]
    MoreThanOne { group: GroupName, with: String },
    #[error("it lacks the light of {group}: let all groups fire, and shoot it again")]
    NotAll { group: GroupName },
    #[error(
        "{group} alone gave {} than its part among all: it was turned, was not alone, or did not fire now. Shoot it again with all groups; if it stays so, begin the survey anew",
        more_or_less(*misfit)
    )]
    DoesNotAddUp { group: String, misfit: Stops },
    #[error("too little of it can be read to put the lights together: shoot it again")]
    Unreadable,
}

/// '1/2 stop more'.
fn more_or_less(stops: Stops) -> String {
    format!("{} {}", stops.size_in_words(), if stops > Stops::ZERO { "more" } else { "less" })
}

impl BesideReference {
    /// As bright as only flash makes it; a long exposure may let the room come as near.
    fn shows_flash(self) -> bool {
        self.excess.is_some_and(|excess| excess > Stops(-1.5)) && self.longer.is_some_and(|l| l < Stops(1.0))
    }
}

/// More of a frame clipped tells too little.
const MOST_CLIPPED: f64 = 0.04;
/// A group's brightest fiftieth must be this bright, in stops from mid-grey, to be read surely.
const BRIGHT_ENOUGH: Stops = Stops(-2.6);
/// A fiftieth of the patches must be this much brighter than without flash.
const LEAST_FLASH: Stops = Stops(0.5);
/// What a single light may be off before the survey is not believed; checked where it gives this share somewhere.
const MOST_MISFIT: Stops = Stops(0.4);
const MATTERS: f64 = 0.2;
/// A frame holds all of a light where so many of the patches that it lights have as much, and lacks it where so few do.
const HELD: f64 = 0.97;
const LACKING: f64 = 0.5;
/// Light of a patch that nothing lights, and of one that has more than can be read.
const DARK: Stops = Stops(-9.0);
const CLIPPED: Stops = Stops(3.0);

impl Survey {
    /// A survey of these groups, the rest skipped.
    pub fn of(groups: &[GroupName], all: &[GroupName]) -> Survey {
        let singles = groups.iter().cloned().map(Firing::Only);
        let order = std::iter::once(Firing::Nothing).chain(singles).chain([Firing::Everything]).collect();
        let skipped = all.iter().filter(|g| !groups.contains(g)).cloned().collect();
        Survey { order, taken: Vec::new(), skipped }
    }

    /// The next frame to shoot; `None` when the survey is finished.
    pub fn next(&self) -> Option<&Firing> {
        self.order.iter().find(|firing| self.frame(firing).is_none())
    }

    /// Whether this frame of it was taken.
    pub fn has(&self, firing: &Firing) -> bool {
        self.frame(firing).is_some()
    }

    fn frame(&self, firing: &Firing) -> Option<&SurveyFrame> {
        self.taken.iter().find(|t| t.firing == *firing)
    }

    /// Leaves a group out.
    pub fn skip(&mut self, group: &GroupName) {
        self.order.retain(|firing| *firing != Firing::Only(group.clone()));
        self.skipped.push(group.clone());
    }

    /// Whether a frame shows what it is to show.
    pub fn check(
        &self,
        frame: &SurveyFrame,
        beside: BesideReference,
        response: &Response,
    ) -> Result<(), SurveyRefusal> {
        if self.taken.iter().any(|t| !t.light.fits(&frame.light) || !t.light.shares_curve_with(&frame.light)) {
            return Err(SurveyRefusal::OtherShape);
        }
        if expected(&frame.settings, &frame.settings, Lighting::Continuous).is_none() {
            return Err(SurveyRefusal::NoSettings);
        }
        let clipped = beside.clipped;
        if clipped > MOST_CLIPPED {
            return Err(SurveyRefusal::Clipped { share: clipped * 100.0 });
        }
        match &frame.firing {
            Firing::Nothing if beside.shows_flash() => Err(SurveyRefusal::FlashFired),
            Firing::Nothing => Ok(()),
            Firing::Only(group) if beside.matches && self.order.len() + self.skipped.len() > 3 => {
                let with = "it is as bright everywhere as the reference with all groups".to_owned();
                Err(SurveyRefusal::MoreThanOne { group: group.clone(), with })
            }
            Firing::Only(group) => self.check_single(group, frame, response),
            Firing::Everything => self.check_all(frame, response),
        }
    }

    fn check_single(&self, group: &GroupName, frame: &SurveyFrame, response: &Response) -> Result<(), SurveyRefusal> {
        let patches = self.flash_of(frame, response);
        // Below this a code says little of light, and nothing of a flash.
        let readable = response.light(TRUSTED.start);
        let shows = |(with, without): (Stops, Stops)| with > readable && with - without >= LEAST_FLASH;
        let lit = patches.iter().filter(|p| p.is_none_or(shows)).count();
        if lit * 50 < patches.len() {
            return Err(SurveyRefusal::NoFlash);
        }
        // What is clipped is bright enough.
        let mut levels: Vec<Stops> = patches.iter().map(|p| p.map_or(CLIPPED, |(with, _)| with)).collect();
        levels.sort_by(|a, b| b.0.total_cmp(&a.0));
        let bright = levels.get(levels.len() / 50).copied().unwrap_or(Stops::ZERO);
        if bright < BRIGHT_ENOUGH {
            return Err(SurveyRefusal::TooDark { group: group.clone(), under: BRIGHT_ENOUGH - bright });
        }
        // A light that shows everything that another gives, wherever that one gives anything, is not alone.
        let other = self.taken.iter().find(|t| {
            matches!(&t.firing, Firing::Only(g) if g != group)
                && self.held(&patches, frame, t, response).is_some_and(|share| share >= HELD)
        });
        match other {
            Some(SurveyFrame { firing, .. }) => Err(SurveyRefusal::MoreThanOne {
                group: group.clone(),
                with: format!("it holds all of {}", firing.in_short()),
            }),
            None => Ok(()),
        }
    }

    /// Light of a frame, and what there would be of it without flash at its settings, patch by patch; `None` where it
    /// is clipped.
    fn flash_of(&self, frame: &SurveyFrame, response: &Response) -> Vec<Option<(Stops, Stops)>> {
        let without = self.frame(&Firing::Nothing);
        let longer = without.and_then(|w| expected(&w.settings, &frame.settings, Lighting::Continuous));
        let dark = without.map(|w| PatchLight::of(&w.light, response));
        let with = PatchLight::of(&frame.light, response);
        let both = |at: usize| {
            let patch = |light: &PatchLight| light.at(at % light.columns, at / light.columns);
            let dark = dark.as_ref().and_then(patch).zip(longer).map_or(DARK, |(l, e)| l + e);
            Some((patch(&with)?, dark))
        };
        (0..with.columns * with.rows).map(both).collect()
    }

    /// In what share of the patches in which a single light has any to speak of the frame, of which this is the light, has at
    /// least as much. `None` where there are none.
    fn held(
        &self,
        patches: &[Option<(Stops, Stops)>],
        frame: &SurveyFrame,
        single: &SurveyFrame,
        response: &Response,
    ) -> Option<f64> {
        let exposure = expected(&single.settings, &frame.settings, Lighting::Flash)?;
        let (mut bright, mut held) = (0, 0);
        for (own, other) in patches.iter().zip(self.flash_of(single, response)) {
            let Some(((own, _), (other, dark))) = own.zip(other) else { continue };
            if other - dark > LEAST_FLASH && other > BRIGHT_ENOUGH + Stops(-1.5) {
                bright += 1;
                held += u32::from(own - (other + exposure) > Stops(-0.15));
            }
        }
        (bright > 0).then(|| f64::from(held) / f64::from(bright))
    }

    fn check_all(&self, frame: &SurveyFrame, response: &Response) -> Result<(), SurveyRefusal> {
        let with = Survey { taken: self.taken.iter().cloned().chain([frame.clone()]).collect(), ..self.clone() };
        let lights = with.lights(response).ok_or(SurveyRefusal::Unreadable)?;
        let most = lights.basis.most();
        let checked = lights.names.iter().enumerate().filter(|(s, _)| most[*s] >= MATTERS);
        let mut off = checked.map(|(s, names)| (names, lights.basis.misfit[s]));
        if let Some((names, misfit)) = off.find(|(_, misfit)| misfit.abs() > MOST_MISFIT) {
            return Err(SurveyRefusal::DoesNotAddUp { group: names.join(" with "), misfit: -misfit });
        }
        // A light that is out among all gives too little there to be checked.
        let patches = self.flash_of(frame, response);
        let lacks = |t: &&SurveyFrame| self.held(&patches, frame, t, response).is_some_and(|share| share < LACKING);
        let mut singles = self.taken.iter().filter(|t| matches!(t.firing, Firing::Only(_)));
        match singles.find(lacks).map(|t| &t.firing) {
            Some(Firing::Only(group)) => Err(SurveyRefusal::NotAll { group: group.clone() }),
            _ => Ok(()),
        }
    }

    /// What a finished survey's frames say of the curve that they went through: the light of the single groups, each with the
    /// room's, adds up to that of all. `None` when a group was left out, for nobody knows what it gave, or settings aren't known.
    pub fn superposition(&self) -> Option<Superposition> {
        let all = self.frame(&Firing::Everything).filter(|all| self.skipped.is_empty() && !all.light.is_raw())?;
        let dark = self.frame(&Firing::Nothing)?;
        let codes = |frame: &SurveyFrame| frame.light.codes().collect();
        // The room's light is in each single frame, and once in the frame with all.
        let mut room = expected(&dark.settings, &all.settings, Lighting::Continuous)?.ratio();
        let mut addends = Vec::new();
        for single in self.taken.iter().filter(|frame| matches!(frame.firing, Firing::Only(_))) {
            let factor = expected(&single.settings, &all.settings, Lighting::Flash)?.ratio();
            room -= factor * expected(&dark.settings, &single.settings, Lighting::Continuous)?.ratio();
            addends.push(Addend { codes: codes(single), factor });
        }
        addends.push(Addend { codes: codes(dark), factor: room });
        Some(Superposition { addends, all: codes(all), columns: all.light.columns })
    }

    /// The numbers of its frames.
    pub fn frames(&self) -> impl Iterator<Item = FrameNumber> + '_ {
        self.taken.iter().filter_map(|frame| frame.frame)
    }

    /// The picture that its frames were laid over, as far as they could be.
    pub fn laid_over(&self) -> Option<PictureId> {
        self.taken.iter().find_map(|frame| frame.laid_over)
    }

    /// The lights of a finished survey, read by one curve.
    pub fn lights(&self, response: &Response) -> Option<Lights> {
        let all = self.frame(&Firing::Everything)?;
        let dark = self.frame(&Firing::Nothing)?;
        let light_of = |frame: &SurveyFrame| PatchLight::of(&frame.light, response);
        let all_light = light_of(all);
        let ambient_light = light_of(dark).above(response.light(TRUSTED.start));
        let ambient = Single {
            light: ambient_light.clone(),
            gain: expected(&dark.settings, &all.settings, Lighting::Continuous)?,
        };
        let mut names: Vec<Vec<GroupName>> = Vec::new();
        let mut singles = Vec::new();
        for frame in &self.taken {
            let Firing::Only(group) = &frame.firing else { continue };
            let to_single = expected(&dark.settings, &frame.settings, Lighting::Continuous)?;
            singles.push(Single {
                light: light_of(frame).without(&ambient_light, to_single),
                gain: expected(&frame.settings, &all.settings, Lighting::Flash)?,
            });
            names.push(vec![group.clone()]);
        }
        if singles.is_empty() {
            return None;
        }
        let whole = self.skipped.is_empty();
        singles.push(ambient);
        if !whole {
            let rest = singles.iter().fold(all_light.clone(), |rest, s| rest.without(&s.light, s.gain));
            singles.push(Single { light: rest, gain: Stops::ZERO });
        }
        let basis = Basis::of(&singles, &all_light, response, whole)?;
        let flashes: Vec<usize> = (0..names.len()).collect();
        let mut sets = basis.ties(&flashes);
        let names = sets.iter().map(|set| set.iter().flat_map(|s| names[*s].clone()).collect()).collect();
        sets.extend((flashes.len()..singles.len()).map(|s| vec![s]));
        Some(Lights {
            basis: basis.joined(&sets),
            names,
            settings: all.settings.clone(),
            skipped: self.skipped.clone(),
        })
    }
}
