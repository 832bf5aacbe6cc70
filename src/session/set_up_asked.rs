//! Whether the set-up still is the one of the sitting before: what is asked of people when frames come again after a long pause. Until
//! it is answered no light is asked to be turned, for they may have been taken down and put up again.

use std::collections::BTreeMap;

use jiff::SignedDuration;
use jiff::civil::DateTime;
use serde::{Deserialize, Serialize};

use crate::config::Config;
use crate::frame::{Captured, Settings};
use crate::photometry::PowerSetting;
use crate::rig::{GroupName, Position};

/// After this nobody is sure that a set stands as it did (common practice, no source).
pub(super) const LONG_PAUSE: SignedDuration = SignedDuration::from_hours(4);
/// Words that answer it.
const HOW_TO_ANSWER: &str = "'greyhold sitting same' or 'greyhold sitting new'";

/// The question, with the words that answer it.
pub(super) fn with_its_answers(question: &str) -> String {
    format!("{question}. Answer with {HOW_TO_ANSWER}")
}

/// How things stood at the end of the sitting before.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SetUpAsked {
    /// When the frame was shot that began the sitting.
    shot: Option<Captured>,
    /// Of the last frame before it.
    settings: Settings,
    powers: BTreeMap<GroupName, PowerSetting>,
}

impl SetUpAsked {
    /// What the frame that raised the question is told with.
    pub(super) fn warning(&self, config: &Config) -> String {
        format!("{}. Nothing is asked of the lights until you answer with {HOW_TO_ANSWER}", self.in_words(config))
    }

    pub(super) fn new(shot: Option<Captured>, last: &Settings, positions: &[Position]) -> SetUpAsked {
        let powers = positions.iter().filter_map(|p| Some((p.group.clone(), p.power()?))).collect();
        SetUpAsked { shot, settings: last.clone(), powers }
    }

    /// 'Same set-up as yesterday 18:40? f/8  1/160 s  ISO 100, key 1/8, rim 1/16'.
    pub fn in_words(&self, config: &Config) -> String {
        let powers = config
            .groups
            .iter()
            .filter_map(|group| Some(format!(", {} {}", group.name, group.shown(*self.powers.get(&group.name)?))));
        let when = self.settings.captured.as_ref().map(|last| when(last.local, self.shot.as_ref().map(|s| s.local)));
        format!(
            "Same set-up as {}? {}{}",
            when.unwrap_or_else(|| "before".to_owned()),
            self.settings.in_short(),
            powers.collect::<String>()
        )
    }
}

/// A time as somebody would say it on the day of another: '14:05', 'yesterday 18:40', '2026-03-02 18:40'.
fn when(then: DateTime, now: Option<DateTime>) -> String {
    let clock = then.strftime("%H:%M");
    match now.map(|now| now.date()) {
        Some(today) if today == then.date() => format!("{clock} today"),
        Some(today) if today.yesterday().is_ok_and(|day| day == then.date()) => format!("yesterday {clock}"),
        _ => then.strftime("%Y-%m-%d %H:%M").to_string(),
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn a_time_is_said_as_on_that_day() {
        let then = date(2026, 3, 2).at(18, 40, 0, 0);
        let on = |day| when(then, Some(date(2026, 3, day).at(9, 5, 0, 0)));
        assert_eq!([on(2), on(3), on(4)], ["18:40 today", "yesterday 18:40", "2026-03-02 18:40"]);
        assert_eq!(when(then, None), "2026-03-02 18:40");
    }
}
