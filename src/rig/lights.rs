//! What a finished survey knows of the lights, and what follows for any spot and any settings.

use super::group_name::GroupName;
use super::report::{Ratio, SpotShares, SurveyReport};
use super::share::LightShare;
use super::solve::Basis;
use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::meter::{Area, Spot};
use crate::photometry::Stops;

/// A group that gives less than this anywhere is seen nowhere.
const SEEN: f64 = 0.03;

/// The lights of a finished survey. The sources of its basis are the sets of groups in the order of `names`, then the ambient
/// light, then what skipped groups leave over.
#[derive(Debug, Clone)]
pub struct Lights {
    pub basis: Basis,
    /// The groups of each source; more than one where no picture can tell them apart.
    pub names: Vec<Vec<GroupName>>,
    /// Settings that the shares are for.
    pub settings: Settings,
    pub skipped: Vec<GroupName>,
}

impl Lights {
    fn ambient_at(&self) -> usize {
        self.names.len()
    }

    /// Share of the ambient light in an area, at the survey's settings and powers; `None` where all of the area is clipped.
    pub fn ambient_share(&self, area: Area) -> Option<LightShare> {
        self.basis.shares_in(area)?.get(self.ambient_at()).copied()
    }

    /// Share of the ambient light in an area at other settings, when the flashes moved alike by `moved`; `None` where settings
    /// are not known, or all of the area is clipped.
    ///
    /// Aperture and ISO change both alike; the exposure time the ambient light only, the power the flashes only.
    pub fn ambient_share_at(&self, area: Area, settings: &Settings, moved: Stops) -> Option<LightShare> {
        let all = expected(&self.settings, settings, Lighting::Continuous)?;
        let flash = expected(&self.settings, settings, Lighting::Flash)?;
        let share = self.ambient_share(area)?.get();
        let more = share * (all - flash - moved).ratio();
        LightShare::new(more / (1.0 - share + more))
    }

    /// The report, for the spots that have a place of their own; `judged_spot` comes first.
    pub fn report(&self, spots: &[Spot], judged_spot: &str) -> SurveyReport {
        let mut placed: Vec<(&str, Area)> =
            spots.iter().filter_map(|s| s.area().map(|area| (s.name.as_str(), area))).collect();
        placed.sort_by_key(|(name, _)| *name != judged_spot);
        let spots: Vec<SpotShares> = placed.iter().map(|(name, area)| self.shares_at(name, *area)).collect();
        let name = |s: usize| self.names[s].join(" with ");
        let ratio = |s: usize| {
            let at = &spots.first()?.shares;
            let light = |s: usize| at.get(s).copied().flatten().map(LightShare::get);
            let over_under = light(0)? / light(s)?;
            Some(Ratio {
                over: name(0),
                under: name(s),
                stops: Stops::from_ratio(over_under)?,
                to_one: 1.0 + over_under,
            })
        };
        let most = self.basis.most();
        SurveyReport {
            ratios: (1..self.names.len()).filter_map(ratio).collect(),
            unseen: (0..self.names.len()).filter(|s| most[*s] < SEEN).map(name).collect(),
            sources: self.names.clone(),
            skipped: self.skipped.clone(),
            spots,
        }
    }

    fn shares_at(&self, spot: &str, area: Area) -> SpotShares {
        let shares = self.basis.shares_in(area);
        let at = |source: usize| shares.as_ref().and_then(|s| s.get(source).copied());
        let rest = shares.as_ref().and_then(|s| {
            let remainder = s.iter().skip(self.ambient_at() + 1).map(|s| s.get()).sum();
            LightShare::new(remainder)
        });
        SpotShares {
            spot: spot.to_owned(),
            shares: (0..self.ambient_at()).map(at).collect(),
            ambient: at(self.ambient_at()),
            rest,
        }
    }
}
