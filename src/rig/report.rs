//! What a finished survey says: shares of the light at each spot, ratios, and what it can't tell.

use serde::{Deserialize, Serialize};

use super::group_name::GroupName;
use super::share::LightShare;
use crate::meter::WHOLE;
use crate::photometry::Stops;
use crate::wording::listed;

/// A smaller share of ambient light is reported as too dark to be read.
const LEAST_AMBIENT: f64 = 5e-4;

/// Shares of the light at one spot.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpotShares {
    pub spot: String,
    /// For each source of the report; `None` where the spot is clipped in the frame with all groups, so that nothing can be told.
    pub shares: Vec<Option<LightShare>>,
    pub ambient: Option<LightShare>,
    /// What skipped groups give.
    pub rest: Option<LightShare>,
}

/// One source over another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ratio {
    pub over: String,
    pub under: String,
    pub stops: Stops,
    /// (over + under) : under, as n:1.
    pub to_one: f64,
}

/// What a finished survey says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SurveyReport {
    /// Groups of each source.
    pub sources: Vec<Vec<GroupName>>,
    pub spots: Vec<SpotShares>,
    /// At the spot that frames are judged by, the first source over each other.
    pub ratios: Vec<Ratio>,
    pub skipped: Vec<GroupName>,
    /// Sources that give next to nothing anywhere in the frame.
    pub unseen: Vec<String>,
}

fn place(spot: &str) -> &str {
    if spot == WHOLE { "whole frame" } else { spot }
}

impl SpotShares {
    /// Nothing can be told of it: it is clipped in the frame with all groups.
    pub fn is_clipped(&self) -> bool {
        self.ambient.is_none()
    }

    fn in_words(&self, sources: &[Vec<GroupName>]) -> String {
        let percent = |share: LightShare| format!("{:.0} %", share.get() * 100.0);
        let (Some(ambient), Some(rest)) = (self.ambient, self.rest) else {
            let spot = place(&self.spot);
            return format!("{spot}: clipped in the frame with all groups, so nothing can be told");
        };
        let groups = sources.iter().zip(&self.shares);
        let mut parts: Vec<String> = groups
            .filter_map(|(names, share)| Some(format!("{} {}", names.join(" with "), percent((*share)?))))
            .collect();
        if rest.get() > 0.0 {
            parts.push(format!("not surveyed {}", percent(rest)));
        }
        if ambient.get() >= LEAST_AMBIENT {
            parts.push(format!("room light {:.1} %", ambient.get() * 100.0));
        }
        format!("{}: {}", place(&self.spot), parts.join(", "))
    }
}

impl SurveyReport {
    /// Where ratios are told: 'over the whole frame'.
    pub fn place_of_ratios(&self) -> String {
        match self.spots.first().map(|s| s.spot.as_str()) {
            None | Some(WHOLE) => "over the whole frame".to_owned(),
            Some(spot) => format!("at '{spot}'"),
        }
    }

    /// The spot that ratios are told at, where it is clipped and there are none for that.
    pub fn clipped_for_ratios(&self) -> Option<&str> {
        self.spots.first().filter(|s| s.is_clipped()).map(|s| s.spot.as_str())
    }

    /// In lines for people.
    pub fn in_words(&self) -> Vec<String> {
        let mut lines: Vec<String> = self.spots.iter().map(|spot| spot.in_words(&self.sources)).collect();
        let mut known = self.spots.iter().filter_map(|spot| spot.ambient).peekable();
        if known.peek().is_some() && known.all(|ambient| ambient.get() < LEAST_AMBIENT) {
            lines.push("no room light to speak of".to_owned());
        }
        let at = self.place_of_ratios();
        lines.extend(self.ratios.iter().map(|r| {
            format!("lighting ratio {:.1}:1 ({} and {} to {} alone), {at}", r.to_one, r.over, r.under, r.under)
        }));
        for tied in self.sources.iter().filter(|s| s.len() > 1) {
            lines.push(format!(
                "{} light the same places alike: no picture tells them apart, so they are read as one",
                listed(tied)
            ));
        }
        for unseen in &self.unseen {
            lines.push(format!("{unseen} is seen nowhere in the frame: nothing can be said of it"));
        }
        if !self.skipped.is_empty() {
            lines.push(format!("not surveyed: {}; nothing will be said of it by itself", self.skipped.join(", ")));
        }
        lines
    }
}
