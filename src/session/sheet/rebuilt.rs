//! What a set that is built again from a sheet still lacks of it.
//!
//! A comparison of two sheets: the one that is built from, and the present sitting's with how it stands now. What no frame and
//! no word can tell is listed, for eyes and a tape measure.

use serde::Serialize;

use super::{
    LightOnSheet, LightSeen, LookOnSheet, NoSheet, NowOnSheet, PassiveOnSheet, PowerOnSheet, RatioOnSheet, Sheet,
};
use crate::advice::Finding;
use crate::frame::Settings;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{SAME_SETTING, Stops};

/// When the rebuilding began.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Since {
    /// The last frame before it.
    pub frame: FrameNumber,
    /// The last survey before it.
    pub survey: Option<RecordNumber>,
}

/// How far it is.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Rebuilt {
    /// What was seen to differ, a sentence each.
    pub differs: Vec<String>,
    /// What would have to be told or shot to be known.
    pub not_known: Vec<String>,
    /// What the sheet has and nobody can measure from here.
    pub by_eye: Vec<String>,
}

/// Beside what the dial shows: what is read out of a picture is off by more.
const SAME_POWER: Stops = Stops(0.05);
/// Lenses round the focal length that they tell.
const SAME_LENGTH: f64 = 0.02;

impl Sheet {
    /// A look by its name.
    ///
    /// # Errors
    /// There is none.
    pub fn look(&self, name: &str) -> Result<&LookOnSheet, NoSheet> {
        let is_it = |look: &&LookOnSheet| look.name.to_lowercase() == name.trim().to_lowercase();
        self.looks.iter().find(is_it).ok_or_else(|| {
            let names: Vec<&str> = self.looks.iter().map(|look| look.name.as_str()).collect();
            NoSheet::OtherLooks { look: name.to_owned(), there: names.join(", ") }
        })
    }
}

impl Rebuilt {
    /// `wanted` is a look of `from`; `here` is the present sitting's sheet, and `now` how that stands, with frames held against the
    /// look that is built again.
    pub fn of(from: &Sheet, wanted: &LookOnSheet, here: &Sheet, now: &NowOnSheet, since: Since) -> Rebuilt {
        let mut rebuilt = Rebuilt::default();
        rebuilt.compare_light(now, since);
        let last = now.last.as_ref().filter(|last| last.frame > since.frame);
        if let Some(last) = last {
            rebuilt.compare_settings(&wanted.settings, &last.settings);
        }
        for power in &wanted.powers {
            rebuilt.compare_power(power, from, here, now);
        }
        rebuilt.compare_ratios(wanted, now, since);
        rebuilt.list_by_eye(from, here);
        rebuilt
    }

    /// All that can be measured is as on the sheet.
    pub fn matches(&self) -> bool {
        self.differs.is_empty() && self.not_known.is_empty()
    }

    fn compare_light(&mut self, now: &NowOnSheet, since: Since) {
        match now.last.as_ref().filter(|last| last.frame > since.frame) {
            None => self.not_known.push("the light: shoot a frame, with all lights, as for the picture".to_owned()),
            Some(last) if last.finding == Finding::Matched => {}
            Some(last) => {
                self.differs.push(format!("{}: {}", last.file, last.sentence));
                self.differs.extend(last.light.map(LightSeen::in_words));
            }
        }
    }

    fn compare_settings(&mut self, wanted: &Settings, shot: &Settings) {
        let mut compare =
            |what: &str, wanted: Option<(String, f64)>, shot: Option<(String, f64)>, same: f64| match (wanted, shot) {
                (Some((wanted, there)), Some((shot, here))) if (there - here).abs() > same => {
                    self.differs.push(format!("{what}: {wanted} on the sheet, {shot} in the last frame"));
                }
                (Some((wanted, _)), None) => {
                    self.by_eye.push(format!("{what}: {wanted} on the sheet; the last frame doesn't tell it"));
                }
                _ => {}
            };
        let av = |s: &Settings| s.f_number.map(|n| (n.to_string(), n.av().0));
        compare("f-number", av(wanted), av(shot), SAME_SETTING.0);
        let tv = |s: &Settings| s.exposure_time.map(|t| (t.to_string(), t.tv().0));
        compare("exposure time", tv(wanted), tv(shot), SAME_SETTING.0);
        let iso = |s: &Settings| s.iso.map(|iso| (iso.to_string(), iso.marked().log2()));
        compare("ISO", iso(wanted), iso(shot), SAME_SETTING.0);
        let filter = |s: &Settings| Some((s.filter.on_the_lens(), s.filter.loss().0));
        compare("filter", filter(wanted), filter(shot), SAME_SETTING.0);
        let length = |s: &Settings| s.focal_length_mm.map(|mm| (format!("{mm} mm"), mm.ln()));
        compare("focal length", length(wanted), length(shot), SAME_LENGTH);
        for (what, wanted, shot) in [("camera", &wanted.camera, &shot.camera), ("lens", &wanted.lens, &shot.lens)] {
            if let Some((wanted, shot)) = wanted.as_ref().zip(shot.as_ref()).filter(|(wanted, shot)| wanted != shot) {
                self.by_eye.push(format!(
                    "{what}: {wanted} on the sheet, {shot} in the last frame: its colours and tones may differ"
                ));
            }
        }
    }

    fn compare_power(&mut self, wanted: &PowerOnSheet, from: &Sheet, here: &Sheet, now: &NowOnSheet) {
        let group = &wanted.group;
        let light = |sheet: &Sheet| sheet.lights.iter().find(|light| light.group == *group).cloned();
        let Some(light_here) = light(here) else {
            self.differs.push(format!("{group}: it is on the sheet, and no group of this sitting"));
            return;
        };
        let Some(power) = wanted.power else {
            self.by_eye.push(format!("{group}: the sheet doesn't have its power"));
            return;
        };
        if light(from).and_then(|light| light.dial) != light_here.dial {
            self.by_eye.push(format!(
                "{group}: {} on the sheet, on another dial than here, so that powers can't be compared",
                wanted.setting()
            ));
            return;
        }
        let at = now.powers.iter().find(|power| power.group == *group);
        match at.and_then(|at| Some((at, at.power?))) {
            None => self.not_known.push(format!(
                "{group}: {} on the sheet; nobody told what it is set to now (greyhold set {group} SETTING)",
                wanted.setting()
            )),
            Some((at, here)) if at.shown != wanted.shown && (power - here).abs() > SAME_POWER => {
                let turn = power - here;
                self.differs.push(format!(
                    "{group}: {} on the sheet, {} now ({}): turn it {}",
                    wanted.setting(),
                    at.setting(),
                    at.how(),
                    turn.up_or_down()
                ));
            }
            Some(_) => {}
        }
    }

    fn compare_ratios(&mut self, wanted: &LookOnSheet, now: &NowOnSheet, since: Since) {
        if wanted.ratios.ratios.is_empty() {
            return;
        }
        if now.surveyed.is_none() || now.surveyed == since.survey {
            let ratios: Vec<String> = wanted.ratios.ratios.iter().map(short).collect();
            let ratios = format!("ratios on the sheet: {} (to measure them anew: greyhold survey)", ratios.join(", "));
            self.by_eye.push(ratios);
            return;
        }
        for ratio in &wanted.ratios.ratios {
            let same = |other: &&RatioOnSheet| (&other.over, &other.under) == (&ratio.over, &ratio.under);
            match now.ratios.ratios.iter().find(same) {
                Some(here) if (here.stops - ratio.stops).abs() > now.tolerance => {
                    let off = here.stops - ratio.stops;
                    self.differs.push(format!(
                        "ratio of {} to {}: {:.1}:1 on the sheet, {:.1}:1 now, {} {} by {}",
                        ratio.over,
                        ratio.under,
                        ratio.to_one,
                        here.to_one,
                        ratio.over,
                        if off > Stops::ZERO { "too strong" } else { "too weak" },
                        off.size_in_words()
                    ));
                }
                Some(_) => {}
                None => self.not_known.push(format!("ratio {}: the survey here doesn't tell it", short(ratio))),
            }
        }
    }

    fn list_by_eye(&mut self, from: &Sheet, here: &Sheet) {
        for light in &from.lights {
            let other = here.lights.iter().find(|other| other.group == light.group);
            self.by_eye.extend(typed(&light.title(), &light.rows(), other.map(LightOnSheet::rows)));
        }
        for thing in &from.passive {
            let other = here.passive.iter().find(|other| other.name == thing.name);
            self.by_eye.extend(typed(&thing.title(), &thing.rows(), other.map(PassiveOnSheet::rows)));
        }
        self.by_eye.extend(typed("camera", &from.camera_rows(), Some(here.camera_rows())));
        self.by_eye.extend(from.set_notes.iter().map(|note| format!("set: {note}")));
    }
}

fn short(ratio: &RatioOnSheet) -> String {
    format!("{} to {} {:.1}:1", ratio.over, ratio.under, ratio.to_one)
}

/// What was typed of a thing, on one line, and where it was typed otherwise here.
fn typed(title: &str, rows: &[super::words::Row], here: Option<Vec<super::words::Row>>) -> Option<String> {
    let told: Vec<String> = rows
        .iter()
        .filter(|(_, value)| value != super::NOT_TYPED)
        .map(|(what, value)| {
            let here = here.iter().flatten().find(|(other, _)| other == what).map(|(_, here)| here);
            match here.filter(|here| *here != value && *here != super::NOT_TYPED) {
                Some(here) => format!("{what} {value} (typed here: {here})"),
                None => format!("{what} {value}"),
            }
        })
        .collect();
    (!told.is_empty()).then(|| format!("{title}: {}", told.join(", ")))
}
