//! What a sitting shows right now: everything that the stand page and the terminal put before people,
//! worked out of the state.

use serde::Serialize;

use super::apertures::AperturesShown;
use super::cards::{Card, card};
use super::record::Purpose;
use super::remembered::{Last, OpenCorrection, TrendPoint};
use super::setup::Setup;
use super::sitting::Sitting;
use super::sittings::SittingRow;
use super::standing::Standing;
use crate::advice::{Finding, Headline, filters_to_try, together};
use crate::config::Config;
use crate::frame::{Captured, Settings};
use crate::meter::{Area, Reading, Spot};
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{Density, Stops};
use crate::rig::{Firing, Ratio};
use crate::wording::listed;

/// The whole of it, as of one record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Board {
    /// Number of the last record that is in it.
    pub n: RecordNumber,
    pub frames: u64,
    pub look: Option<String>,
    pub looks: Vec<String>,
    pub standing: Standing,
    /// Which sitting it is, where there was one before it or it has a name.
    pub sitting: Option<String>,
    /// What is asked of the set-up after a long pause.
    pub same_set_up: Option<String>,
    /// The file that frames are compared with.
    pub reference: Option<String>,
    /// When it was shot, by the camera's clock.
    #[serde(serialize_with = "in_words")]
    pub reference_shot_at: Option<Captured>,
    pub last: Option<LastShown>,
    /// Why nobody should touch a light now.
    pub hold: Option<String>,
    pub asked: Option<CorrectionShown>,
    /// What was asked was told to be done, and no frame has shown it yet.
    pub all_set: bool,
    /// The settings that it was asked for, where it was asked by 'next'.
    pub all_set_for: Option<String>,
    pub cards: Vec<Card>,
    pub spots: Vec<SpotShown>,
    /// The apertures of the look beside each other; `None` before there are two.
    pub apertures: Option<AperturesShown>,
    /// How sharp they were in the last frame that was measured, and what the apertures keep: for people, a line each.
    pub sharpness: Vec<String>,
    pub judged_spot: String,
    pub tolerance: Stops,
    /// The lowest and the highest ISO speed that may be asked for, where they are told.
    pub iso_limits: [Option<f64>; 2],
    /// What is on the lens, as somebody told; `None` where nobody told anything.
    pub filter: Option<String>,
    /// What may be put on it, as it is asked for, and as it is said.
    pub filters: Vec<(String, String)>,
    pub trend: Vec<TrendPoint>,
    /// Ratios between the groups, a line each, or why there are none.
    pub ratios: Vec<String>,
    pub survey: SurveyGuide,
}

/// The last frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LastShown {
    pub frame: FrameNumber,
    pub file: String,
    pub settings: String,
    /// By the camera's clock.
    #[serde(serialize_with = "in_words")]
    pub shot_at: Option<Captured>,
    pub f_number: Option<String>,
    pub finding: Finding,
    /// One frame is a suspicion: the next one tells.
    pub suspicion: bool,
    /// It is said by the picture embedded in its raw file: its light is being read, and tells.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub awaits_light: bool,
    /// Its sentence asks for a turn, or for none.
    #[serde(skip)]
    pub is_correctable: bool,
    pub sentence: String,
    /// How surely that is known, and what it holds under; for screens that don't show the drift.
    #[serde(skip)]
    pub proviso: Option<String>,
    /// In stops, with its 95 % half-width and what that holds under.
    pub drift: Option<String>,
    /// It is the current look's reference.
    pub is_reference: bool,
    /// Its files are gone from the folder.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub removed: bool,
    /// Clipping of the spot that counts.
    pub clipping: String,
}

/// The open correction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CorrectionShown {
    /// The record that began it.
    pub record: RecordNumber,
    /// The settings that it prepares, when they have not been shot yet.
    pub coming: Option<String>,
    /// The last frame is not the one that it was asked for.
    #[serde(skip)]
    pub is_of_before: bool,
    pub sentence: String,
    pub ratio_error: Option<String>,
}

/// A spot on the last frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpotShown {
    /// Its place among all spots, from 1.
    pub number: usize,
    pub name: String,
    /// As it lies in the reference.
    pub area: Area,
    /// As it lies in the frame, where it was followed there.
    pub followed: Option<Area>,
    /// It has a place of its own that people may move.
    pub movable: bool,
    pub drift: Option<String>,
}

/// Where the light survey stands.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SurveyGuide {
    /// Frames of the survey under way, with whether each is taken; empty when none is.
    pub steps: Vec<(String, bool)>,
    pub next: Option<String>,
    /// How that is done best.
    pub hint: Option<&'static str>,
    /// Why the last frame was not taken for it.
    pub refused: Option<String>,
    /// What the last finished one found.
    pub report: Vec<String>,
}

impl Board {
    pub fn of(sitting: &Sitting, config: &Config) -> Board {
        let setup = &sitting.setup;
        let hold = setup.last.as_ref().filter(|l| l.verdict.finding.is_hold()).map(|l| l.verdict.sentence.clone());
        let shot = setup.last.as_ref().map(|l| &l.observation.settings);
        let ahead = setup.open.as_ref().zip(shot).and_then(|(p, shot)| p.prepares_beyond(shot, config.lighting));
        let coming = ahead.map(Settings::in_short);
        Board {
            n: sitting.records,
            frames: sitting.frames.get(),
            look: setup.current.clone(),
            looks: setup.looks.keys().cloned().collect(),
            standing: setup.standing,
            sitting: sitting.sittings.last().filter(|row| row.is_told_of()).map(SittingRow::so_far),
            same_set_up: setup.set_up_asked.as_ref().map(|asked| asked.in_words(config)),
            reference: setup.reference().map(|look| look.file.clone()),
            reference_shot_at: setup.reference().and_then(|look| look.observation.settings.captured.clone()),
            last: setup.last.as_ref().map(|last| last_shown(last, sitting, &config.judged_spot)),
            asked: setup.open.as_ref().map(|p| asked(p, coming.clone(), sitting)),
            all_set: setup.told_done.is_some(),
            all_set_for: setup.told_done.as_ref().and_then(|done| done.settings()).map(Settings::in_short),
            cards: config.groups.iter().map(|g| card(g, setup, coming.is_some())).collect(),
            spots: spots(config, setup.last.as_ref()),
            apertures: AperturesShown::of(sitting, config),
            sharpness: sharpness_of(sitting),
            judged_spot: config.judged_spot.clone(),
            tolerance: config.tolerance,
            iso_limits: [config.at_hand.lowest_iso, config.at_hand.highest_iso].map(|iso| iso.map(|iso| iso.marked())),
            filter: setup.lens.in_words(),
            filters: filters(config),
            trend: sitting.trend.iter().cloned().collect(),
            ratios: ratios(setup),
            survey: survey_guide(setup),
            hold,
        }
    }
}

/// No filter, those at hand, and each two of them; of several that take as much the first.
fn filters(config: &Config) -> Vec<(String, String)> {
    let mut offered: Vec<Density> = Vec::new();
    let mut words = vec![("0".to_owned(), Density::default().on_the_lens())];
    for some in filters_to_try(&config.at_hand.filters) {
        let total = together(&some);
        if !offered.contains(&total) {
            offered.push(total);
            let asked: Vec<String> = some.iter().map(|one| one.0.to_string()).collect();
            let said: Vec<String> = some.iter().map(Density::to_string).collect();
            words.push((asked.join("+"), listed(&said)));
        }
    }
    words
}

/// Of the current look, by its reference.
fn sharpness_of(sitting: &Sitting) -> Vec<String> {
    let setup = &sitting.setup;
    let current = setup.current.as_ref().zip(setup.reference());
    current.map_or_else(Vec::new, |(look, reference)| sitting.sharpness.in_words(look, &reference.file))
}

fn asked(pending: &OpenCorrection, coming: Option<String>, sitting: &Sitting) -> CorrectionShown {
    let ratio_error = pending.correction.ratio_error;
    CorrectionShown {
        record: pending.record,
        coming,
        is_of_before: pending.after != sitting.setup.last.as_ref().map(|last| last.frame),
        sentence: match &pending.purpose {
            Purpose::Drift { frame } => sitting.exposures.find(*frame).map_or_else(
                || "For an earlier frame.".to_owned(),
                |shot| format!("For {}, as {} was shot.", shot.observation.settings.in_short(), shot.file),
            ),
            Purpose::Next { settings } => format!("For {}.", settings.in_short()),
            Purpose::Look { look } => sitting.setup.reference().map_or_else(
                || format!("For look '{look}'."),
                |back| format!("For look '{look}', as {} was shot.", back.file),
            ),
        },
        ratio_error: ratio_error
            .is_worth_saying()
            .then(|| format!("the ratio of the lights changes by {}", ratio_error.size_in_words())),
    }
}

fn in_words<S: serde::Serializer>(at: &Option<Captured>, serializer: S) -> Result<S::Ok, S::Error> {
    at.as_ref().map(Captured::in_words).serialize(serializer)
}

fn last_shown(last: &Last, sitting: &Sitting, judged_spot: &str) -> LastShown {
    let metered = last.observation.metered.as_ref();
    let counts = last.verdict.judged.as_ref().map_or(judged_spot, |j| j.spot.as_str());
    let reading = metered.and_then(|m| m.reading(counts).or(m.readings.first()));
    let is_reference = sitting.setup.standing == Standing::Accepted
        && sitting.setup.reference().is_some_and(|r| r.frame == Some(last.frame));
    LastShown {
        frame: last.frame,
        file: last.file.clone(),
        settings: last.observation.settings.in_short(),
        shot_at: last.observation.settings.captured.clone(),
        f_number: last.observation.settings.f_number.map(|n| n.to_string()),
        finding: last.verdict.finding,
        suspicion: last.verdict.suspicion,
        awaits_light: sitting.exposures.find(last.frame).is_some_and(|exposure| exposure.awaits_light.is_some()),
        is_correctable: last.verdict.finding.is_correctable(),
        sentence: match is_reference && last.verdict.finding == Finding::NoReference {
            true => "This frame is the reference: the next ones are compared with it.".to_owned(),
            false => last.verdict.sentence.clone(),
        },
        proviso: last.verdict.proviso(),
        drift: last.verdict.headline().map(|h| h.in_words()),
        is_reference,
        removed: sitting.exposures.is_removed(last.frame),
        clipping: reading.map_or_else(|| "not metered".to_owned(), clipping),
    }
}

fn clipping(reading: &Reading) -> String {
    /// Less is a glint.
    const NOTED: f32 = 0.001;
    let part = |shares: &[f32; 3], what: &str| {
        let most = shares.iter().copied().fold(0.0, f32::max);
        (most > NOTED).then(|| format!("{:.1} % {what}", most * 100.0))
    };
    let parts: Vec<String> =
        [part(&reading.clipped_high, "burnt out"), part(&reading.clipped_low, "black")].into_iter().flatten().collect();
    let what = if parts.is_empty() { "nothing clipped".to_owned() } else { parts.join(", ") };
    format!("{what} ({})", reading.spot)
}

/// A spot that isn't found in a frame leaves the others their numbers.
fn spots(config: &Config, last: Option<&Last>) -> Vec<SpotShown> {
    config.spots.iter().zip(1..).filter_map(|(spot, number)| spot_shown(spot, number, last)).collect()
}

fn spot_shown(spot: &Spot, number: usize, last: Option<&Last>) -> Option<SpotShown> {
    let reading = last.and_then(|l| l.observation.metered.as_ref()).and_then(|m| m.reading(&spot.name));
    let seen = last.and_then(|l| l.verdict.spots.iter().find(|s| s.spot == spot.name));
    let own = spot.area();
    Some(SpotShown {
        number,
        name: spot.name.clone(),
        area: own.or(reading.map(|r| r.area))?,
        followed: seen.and_then(|s| s.area),
        movable: own.is_some_and(|area| area != Area::WHOLE),
        drift: seen.map(|s| {
            // What the picture shows at a spot holds whatever anybody did.
            Headline { drift: s.drift, half_width: Some(s.half_width), condition: None }.in_words()
        }),
    })
}

/// The surveyed ratios, and what the groups were turned since.
fn ratios(setup: &Setup) -> Vec<String> {
    let Some(surveyed) = &setup.surveyed else {
        return vec!["lighting ratios are not known: a light survey tells them".to_owned()];
    };
    let turned = |name: &str| {
        let source = surveyed.report.sources.iter().find(|groups| groups.join(" with ") == name)?;
        setup.since_survey(source.first()?)
    };
    if let Some(spot) = surveyed.report.clipped_for_ratios() {
        return vec![format!("not known: '{spot}' is clipped in the survey's frame with all groups")];
    }
    let at = surveyed.report.place_of_ratios();
    let line = |ratio: &Ratio| match turned(&ratio.over).zip(turned(&ratio.under)) {
        Some((over, under)) => {
            let now = ratio.stops + over - under;
            let to_one = 1.0 + now.ratio();
            format!("{to_one:.1}:1 ({} and {} to {} alone), {at}", ratio.over, ratio.under, ratio.under)
        }
        None => format!("{} over {}: not known any more (turned, nobody told how far)", ratio.over, ratio.under),
    };
    surveyed.report.ratios.iter().map(line).collect()
}

fn survey_guide(setup: &Setup) -> SurveyGuide {
    let under_way = setup.surveying.as_ref();
    let steps = under_way.map(|s| s.order.iter().map(|firing| (firing.in_short(), s.has(firing))).collect());
    SurveyGuide {
        steps: steps.unwrap_or_default(),
        next: under_way.and_then(|s| s.next()).map(Firing::does),
        hint: under_way.and_then(|s| s.next()).and_then(Firing::hint),
        refused: setup.survey_refused.clone(),
        report: setup.surveyed.as_ref().map(|s| s.report.in_words()).unwrap_or_default(),
    }
}
