//! Going back to a reference of before: what to turn, from where the lights are known to be to where they stood for it.

use std::collections::BTreeMap;

use super::Draft;
use crate::advice::correct_each;
use crate::photometry::Stops;
use crate::rig::{DialChange, GroupName};
use crate::session::record::{Body, Purpose};
use crate::wording::listed;

impl Draft<'_> {
    /// Asks for the turns that bring the lights to where they stood for the current look. What isn't known of a light can't be asked.
    pub(super) fn turn_back_to(&mut self, look: &str) -> Vec<String> {
        let reference = self.sitting.setup.reference();
        let Some(settings) = reference.map(|look| look.observation.settings.clone()) else { return Vec::new() };
        let filter = self.go_back_to_filter(settings.filter);
        let setup = &self.sitting.setup;
        let back = |group: &GroupName| Some((group.clone(), -setup.since_reference(group)?));
        let wanted: BTreeMap<GroupName, Stops> = setup.positions.iter().filter_map(|p| back(&p.group)).collect();
        let unknown: Vec<&str> =
            setup.positions.iter().filter(|p| !wanted.contains_key(&p.group)).map(|p| p.group.as_str()).collect();
        let untold = (!unknown.is_empty()).then(|| untold(&unknown, wanted.is_empty()));
        if wanted.is_empty() {
            return filter.into_iter().chain(untold).collect();
        }
        let correction = correct_each(&self.config.groups, &setup.positions, &wanted, &settings, &self.config.at_hand);
        if correction.is_empty() {
            let stand = format!(
                "As far as anybody told, the lights stand as they did for it; it was shot with {}.",
                settings.in_short()
            );
            let stand = if untold.is_some() { stand.replacen("the lights", "the others", 1) } else { stand };
            return filter.into_iter().chain(untold).chain([stand]).collect();
        }
        let sentence = format!("For look '{look}' ({}).", settings.in_short());
        let mut says = vec![sentence.clone()];
        says.extend(correction.dial_changes.iter().map(DialChange::in_words));
        says.extend(filter);
        says.extend(untold);
        let purpose = Purpose::Look { look: look.to_owned() };
        self.stage(Body::Correction { purpose, correction: Box::new(correction), sentence });
        says
    }
}

/// Of lights of which nobody knows where they stood for a reference.
fn untold(groups: &[&str], is_all: bool) -> String {
    let which = if is_all {
        "the lights were".to_owned()
    } else {
        format!("{} {}", listed(groups), if groups.len() == 1 { "was" } else { "were" })
    };
    format!(
        "It isn't known what {which} set to for it: set them by eye, and tell their powers (greyhold set GROUP SETTING)."
    )
}
