//! What a sitting shows right now: everything that the stand page and the terminal put before people,
//! worked out of the state.

use serde::Serialize;

use super::record::Purpose;
use super::remembered::{Last, OpenCorrection, TrendPoint};
use super::setup::Setup;
use super::sitting::Sitting;
use super::standing::Standing;
use crate::advice::{Finding, Headline, Verdict};
use crate::config::Config;
use crate::frame::Settings;
use crate::meter::{Area, Reading, Spot};
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{DialLimit, Stops};
use crate::rig::solve::SourceChange;
use crate::rig::{DialChange, Firing, GroupName, LightGroup, Position, Ratio, Role};
use crate::wording::counted;

/// The whole of it, as of one record.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Board {
    /// Number of the last record that is in it.
    pub n: RecordNumber,
    pub frames: u64,
    pub look: Option<String>,
    pub looks: Vec<String>,
    pub standing: Standing,
    /// The file that frames are compared with.
    pub reference: Option<String>,
    pub last: Option<LastShown>,
    /// Why nobody should touch a light now.
    pub hold: Option<String>,
    pub asked: Option<CorrectionShown>,
    pub cards: Vec<Card>,
    pub spots: Vec<SpotShown>,
    pub judged_spot: String,
    pub tolerance: Stops,
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
    pub f_number: Option<String>,
    pub finding: Finding,
    pub sentence: String,
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
    pub sentence: String,
    pub ratio_error: Option<String>,
}

/// What a card says, in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CardState {
    /// Nothing is asked of it.
    Rest,
    Up,
    Down,
    /// The others are turned, this one is not.
    Leave,
    /// To be turned for settings that are not shot yet.
    Coming,
    /// Nobody should touch it.
    Hold,
    /// It was told to be set.
    Set,
    /// The end of its range comes first.
    EndOfRange,
}

/// One light group at its stand.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Card {
    pub group: GroupName,
    pub role: Role,
    pub heads: u32,
    pub state: CardState,
    /// What is asked of it is for settings that are not shot yet.
    pub coming: bool,
    /// The present and the new dial position, as the light shows them.
    pub at: Option<String>,
    pub to: Option<String>,
    /// Clicks of the dial; up is positive.
    pub clicks: i32,
    /// The turn in stops, in thirds, for lights of which nobody told the power.
    pub change: Option<String>,
    /// What to do, in words.
    pub does: String,
    /// How sure that is.
    pub sure: String,
    /// What else would do, at the end of the range.
    pub other_way: Option<String>,
    /// Something was told of it since the last frame.
    pub can_undo: bool,
    /// Every setting of its dial, weakest first.
    pub positions: Vec<String>,
}

/// A spot on the last frame.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpotShown {
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
            reference: setup.reference().map(|look| look.file.clone()),
            last: setup.last.as_ref().map(|last| last_shown(last, sitting, &config.judged_spot)),
            asked: setup.open.as_ref().map(|p| asked(p, coming.clone(), sitting)),
            cards: config.groups.iter().map(|g| card(g, setup, coming.is_some())).collect(),
            spots: config.spots.iter().filter_map(|s| spot_shown(s, setup.last.as_ref())).collect(),
            judged_spot: config.judged_spot.clone(),
            tolerance: config.tolerance,
            trend: sitting.trend.iter().cloned().collect(),
            ratios: ratios(setup),
            survey: survey_guide(setup),
            hold,
        }
    }
}

fn asked(pending: &OpenCorrection, coming: Option<String>, sitting: &Sitting) -> CorrectionShown {
    let ratio_error = pending.correction.ratio_error;
    CorrectionShown {
        record: pending.record,
        coming,
        sentence: match &pending.purpose {
            Purpose::Drift { frame } => {
                let file = sitting.exposures.find(*frame).map_or_else(|| "a frame".to_owned(), |e| e.file.clone());
                format!("Answers {file}.")
            }
            Purpose::Next { settings } => format!("For {}.", settings.in_short()),
            Purpose::Look { look } => format!("For look '{look}'."),
        },
        ratio_error: ratio_error
            .is_worth_saying()
            .then(|| format!("the ratio of the lights changes by {}", ratio_error.size_in_words())),
    }
}

fn last_shown(last: &Last, sitting: &Sitting, judged_spot: &str) -> LastShown {
    let metered = last.observation.metered.as_ref();
    let counts = last.verdict.judged.as_ref().map_or(judged_spot, |j| j.spot.as_str());
    let reading = metered.and_then(|m| m.reading(counts).or(m.readings.first()));
    LastShown {
        frame: last.frame,
        file: last.file.clone(),
        settings: last.observation.settings.in_short(),
        f_number: last.observation.settings.f_number.map(|n| n.to_string()),
        finding: last.verdict.finding,
        sentence: last.verdict.sentence.clone(),
        drift: last.verdict.headline().map(|h| h.in_words()),
        is_reference: sitting.setup.standing == Standing::Accepted
            && sitting.setup.reference().is_some_and(|r| r.frame == Some(last.frame)),
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

fn spot_shown(spot: &Spot, last: Option<&Last>) -> Option<SpotShown> {
    let reading = last.and_then(|l| l.observation.metered.as_ref()).and_then(|m| m.reading(&spot.name));
    let seen = last.and_then(|l| l.verdict.spots.iter().find(|s| s.spot == spot.name));
    let own = spot.area();
    Some(SpotShown {
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
        next: under_way.and_then(|s| s.next()).map(Firing::asks),
        refused: setup.survey_refused.clone(),
        report: setup.surveyed.as_ref().map(|s| s.report.in_words()).unwrap_or_default(),
    }
}

// --- cards ---

fn card(group: &LightGroup, setup: &Setup, coming: bool) -> Card {
    let position = setup.position(&group.name);
    let pending = setup.open.as_ref();
    let dial_change = pending.and_then(|p| p.correction.dial_changes.iter().find(|t| t.group == group.name));
    let told = pending.is_some_and(|p| p.is_confirmed(&group.name));
    let verdict = setup.last.as_ref().map(|l| &l.verdict);
    let held = verdict.filter(|v| v.finding.is_hold()).is_some();
    let own = verdict.and_then(|v| v.groups.iter().find(|g| g.groups.contains(&group.name))).map(|g| g.change);
    let card_state = match dial_change {
        _ if held => CardState::Hold,
        None => CardState::Rest,
        // That a light can't give enough stays in sight until something else makes up for it.
        Some(dial_change) if told && dial_change.limit == DialLimit::Within => CardState::Set,
        Some(dial_change) => state_of(dial_change, coming),
    };
    let at = position.and_then(Position::power).map(|p| group.shown(p));
    let open = dial_change.filter(|_| !told);
    let ends_short = dial_change.is_some_and(|change| change.limit != DialLimit::Within);
    let other = pending.and_then(|p| p.correction.other_ways.iter().find(|w| w.group == group.name));
    Card {
        group: group.name.clone(),
        role: group.role,
        heads: group.heads,
        state: card_state,
        coming: coming && open.is_some() && !held,
        to: open.and_then(|t| t.to.clone()).or_else(|| at.clone()),
        clicks: open.map_or(0, |t| t.clicks),
        change: open.filter(|t| t.clicks != 0).map(|t| t.change.in_thirds()),
        does: does(card_state, group, open, own, at.as_deref()),
        sure: open.filter(|_| !held).map_or_else(String::new, |t| sure(t, pending, own, verdict)),
        other_way: other.filter(|_| ends_short).map(|w| w.in_words()),
        can_undo: position.is_some_and(|p| p.told_by().is_some()),
        positions: group.positions(),
        at,
    }
}

fn state_of(dial_change: &DialChange, coming: bool) -> CardState {
    match dial_change.clicks {
        _ if dial_change.limit != DialLimit::Within => CardState::EndOfRange,
        0 => CardState::Leave,
        _ if coming => CardState::Coming,
        n if n > 0 => CardState::Up,
        _ => CardState::Down,
    }
}

fn does(
    state: CardState,
    group: &LightGroup,
    dial_change: Option<&DialChange>,
    own: Option<SourceChange>,
    at: Option<&str>,
) -> String {
    if state == CardState::Hold {
        return match own {
            Some(SourceChange::NotFired) => "did not fire: check its trigger and cable, leave the power".to_owned(),
            _ => "leave the power as it is".to_owned(),
        };
    }
    let Some(dial_change) = dial_change else {
        return match (state, at) {
            (CardState::Set, _) => "done".to_owned(),
            (CardState::EndOfRange, _) => "set, at the end of its range".to_owned(),
            (_, None) => "nobody has told what it is set to".to_owned(),
            _ => "nothing to do".to_owned(),
        };
    };
    let way = if dial_change.clicks > 0 { "up" } else { "down" };
    let size = dial_change.change.size_in_words();
    match (dial_change.clicks.unsigned_abs() as usize, group.dial.is_some()) {
        (0, _) => "leave it".to_owned(),
        (clicks, true) => format!("{way} {size}, {}", counted(clicks, "click")),
        (_, false) => format!("{way} {size}"),
    }
}

/// How sure a turn is, and what its rounding leaves over.
fn sure(
    dial_change: &DialChange,
    pending: Option<&OpenCorrection>,
    own: Option<SourceChange>,
    verdict: Option<&Verdict>,
) -> String {
    let answers_drift = pending.is_some_and(|p| matches!(p.purpose, Purpose::Drift { .. }));
    let headline = verdict.and_then(Verdict::headline);
    let whole = headline.and_then(|h| Some((h.half_width?, h.condition)));
    let mut said = match (answers_drift, own, whole) {
        (false, _, _) => "worked out from the settings".to_owned(),
        (true, Some(SourceChange::Changed { half_width, .. }), _) => {
            format!("known to ±{:.1} stop, read for this light", half_width.0)
        }
        (true, _, Some((within, condition))) => {
            // A condition on the lights speaks of all of them by itself.
            format!("known to ±{:.1} stop, {}", within.0, condition.unwrap_or("all lights taken together"))
        }
        (true, _, None) => "how sure is not known".to_owned(),
    };
    if dial_change.remainder.is_worth_saying() && dial_change.limit == DialLimit::Within {
        said.push_str(&format!("; the dial's steps leave {}", dial_change.remainder.size_in_words()));
    }
    said
}
