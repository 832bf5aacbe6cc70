//! Ratios between the groups on a set-up sheet: measured by the last survey, and what the dials did to them since.

use serde::{Deserialize, Serialize};

use crate::photometry::Stops;
use crate::rig::{GroupName, Ratio};
use crate::session::setup::Setup;

/// Dials that differ by less stand alike.
const SAME_PLACE: Stops = Stops(0.05);

/// The first group over each other one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RatiosOnSheet {
    pub ratios: Vec<RatioOnSheet>,
    /// 'at 'cheek''.
    pub place: Option<String>,
    /// Why there are none, or some are missing.
    pub why_not: Option<String>,
}

/// One group's light over another's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RatioOnSheet {
    pub over: String,
    pub under: String,
    pub stops: Stops,
    /// (over + under) : under, as n:1.
    pub to_one: f64,
    /// The survey was made with the lights as they stood; else their dials were turned since, and the turn is counted in.
    pub is_measured: bool,
}

impl RatiosOnSheet {
    /// Of lights whose dials stand at these places of their scales.
    pub(super) fn of(setup: &Setup, mark: impl Fn(&GroupName) -> Option<Stops>) -> RatiosOnSheet {
        let without = |why: String| RatiosOnSheet { ratios: Vec::new(), place: None, why_not: Some(why) };
        let Some(surveyed) = &setup.surveyed else {
            return without("not measured: a light survey would tell them (greyhold survey)".to_owned());
        };
        let report = &surveyed.report;
        if let Some(spot) = report.clipped_for_ratios() {
            return without(format!("not measured: '{spot}' is clipped in the survey's frame with all groups"));
        }
        // Groups that no picture tells apart are one source, of which the first stands for all.
        let turned = |name: &str| {
            let source = report.sources.iter().find(|groups| groups.join(" with ") == name)?;
            let group = source.first()?;
            Some(mark(group)? - *surveyed.marks.get(group)?)
        };
        let of = |ratio: &Ratio| {
            let (over, under) = turned(&ratio.over).zip(turned(&ratio.under))?;
            let is_measured = over.abs() <= SAME_PLACE && under.abs() <= SAME_PLACE;
            let stops = (ratio.stops + over - under).rounded();
            let (over, under) = (ratio.over.clone(), ratio.under.clone());
            Some(RatioOnSheet { over, under, stops, to_one: rounded(1.0 + stops.ratio()), is_measured })
        };
        let ratios: Vec<RatioOnSheet> = report.ratios.iter().filter_map(of).collect();
        let why_not = match ratios.len() < report.ratios.len() {
            true => Some("not known where a light's place on its dial wasn't told".to_owned()),
            false if ratios.is_empty() => Some("not measured: one light alone has none".to_owned()),
            false => None,
        };
        RatiosOnSheet { ratios, place: Some(report.place_of_ratios()), why_not }
    }
}

/// Nobody reads more of a ratio.
fn rounded(to_one: f64) -> f64 {
    (to_one * 100.0).round() / 100.0
}
