//! A light group as the configuration writes it.

use serde::Deserialize;

use super::values::{Scalar, word};
use super::written_passive::not_a_light;
use super::written_spot::checked_name;
use super::written_stands::{stands, text};
use super::wrong::Wrong;
use crate::photometry::{Dial, Scale, Step};
use crate::rig::{FrontKind, InFront, LightFacts, LightGroup, Role};

/// No dial has more settings: a thousand tenths of a stop are a hundred stops.
const MOST_POSITIONS: i32 = 1000;
/// No light shows, or has, more at full power.
const MOST_FULL: f64 = 100_000.0;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenGroup {
    pub name: String,
    role: Option<Scalar>,
    #[serde(alias = "count")]
    heads: Option<u32>,
    dial: Option<Scalar>,
    step: Option<Scalar>,
    #[serde(alias = "full")]
    full_power: Option<f64>,
    range: Option<Scalar>,
    power: Option<Scalar>,
    gel: Option<Scalar>,
    grid: Option<Scalar>,
    recycle_time: Option<Scalar>,
    flash_duration: Option<Scalar>,
    modifier: Option<Scalar>,
    gel_colour: Option<Scalar>,
    height: Option<Scalar>,
    distance: Option<Scalar>,
    angle: Option<Scalar>,
    note: Option<Scalar>,
}

const ROLES: [(&str, Role); 5] = [
    ("key", Role::Key),
    ("fill", Role::Fill),
    ("rim", Role::Rim),
    ("background", Role::Background),
    ("other", Role::Other),
];

/// Written and taken ends of a range differ by no more when one is only rounded to be shown, in stops.
const SAME_CLICK: f64 = 0.02;

impl WrittenGroup {
    pub fn checked(&self) -> Result<LightGroup, Wrong> {
        let name = checked_name(&self.name)?.into();
        let dial = self.dial()?;
        let power = match (&self.power, &dial) {
            (None, _) => None,
            (Some(text), Some(dial)) => Some(dial.parse(&text.0).map_err(|e| Wrong::new("power", &text.0, e))?),
            (Some(text), None) => {
                return Err(Wrong::new(
                    "power",
                    &text.0,
                    "a power needs its dial: add dial, step and range to the group",
                ));
            }
        };
        let heads = self.heads.unwrap_or(1);
        if !(1..=64).contains(&heads) {
            return Err(Wrong::new("heads", heads, "a group has 1 to 64 lights"));
        }
        if let Some(wrong) = self.role.as_ref().and_then(|role| not_a_light(role, &self.name)) {
            return Err(wrong);
        }
        let role = word("role", self.role.as_ref(), &ROLES)?.unwrap_or_default();
        Ok(LightGroup { name, role, dial, power, heads, facts: self.facts(heads)? })
    }

    fn facts(&self, heads: u32) -> Result<LightFacts, Wrong> {
        let front = |key: &str, text: &Option<Scalar>, kind: FrontKind| match text {
            Some(text) => InFront::read(kind, &text.0).map(Some).map_err(|fault| Wrong::new(key, &text.0, fault)),
            None => Ok(None),
        };
        let time = |key: &str, text: &Option<Scalar>| match text {
            Some(text) => text.0.parse().map(Some).map_err(|fault: String| Wrong::new(key, &text.0, fault)),
            None => Ok(None),
        };
        let in_front = [front("gel", &self.gel, FrontKind::Gel)?, front("grid", &self.grid, FrontKind::Grid)?];
        Ok(LightFacts {
            in_front: in_front.into_iter().flatten().collect(),
            recycle_time: time("recycle_time", &self.recycle_time)?,
            flash_duration: time("flash_duration", &self.flash_duration)?,
            modifier: text("modifier", Scalar::text_of(&self.modifier))?,
            gel_colour: text("gel_colour", Scalar::text_of(&self.gel_colour))?,
            stands: stands(
                Scalar::text_of(&self.height),
                Scalar::text_of(&self.distance),
                Scalar::text_of(&self.angle),
                heads,
            )?,
            note: text("note", Scalar::text_of(&self.note))?,
        })
    }

    /// What is taken for something else than it says.
    pub fn remarks(&self) -> Vec<String> {
        let step = self.step.as_ref().filter(|step| step.0 == "0.3" && self.dial.is_some());
        let step = step.map(|step| format!("{} is taken as 1/3 stop", step.0));
        let all = step.into_iter().chain(self.range_taken_otherwise()).chain(self.power_taken_otherwise());
        all.map(|remark| format!("{}: {remark}", self.name.trim())).collect()
    }

    /// Clicks are parts of a stop from full power: an end may lie between two. What is only rounded to be shown is the same.
    fn range_taken_otherwise(&self) -> Option<String> {
        let dial = self.dial().ok()??;
        let (least, most) = self.range.as_ref()?.0.split_once(" to ")?;
        let number = |text: &str| text.trim().trim_end_matches(['%', 'W', 's']).trim().parse::<f64>().ok();
        let differs = |written: &str, taken: &str| {
            number(written).zip(number(taken)).is_some_and(|(w, t)| (w / t).log2().abs() > SAME_CLICK)
        };
        let ends = [(least, dial.print(dial.least())), (most, dial.print(dial.most()))];
        let said: Vec<String> = ends
            .iter()
            .filter(|(written, taken)| differs(written, taken))
            .map(|(written, taken)| format!("{} of its range is taken as {taken}, the nearest click", written.trim()))
            .collect();
        (!said.is_empty()).then(|| said.join(", "))
    }

    fn power_taken_otherwise(&self) -> Option<String> {
        let (dial, written) = self.dial().ok()?.zip(self.power.as_ref())?;
        let taken = dial.print(dial.parse(&written.0).ok()?);
        dial.is_between_clicks(&written.0)
            .then(|| format!("its power, {}, is taken as {taken}, the nearest click", written.0.trim()))
    }

    fn dial(&self) -> Result<Option<Dial>, Wrong> {
        let Some(dial) = &self.dial else {
            if let Some(stray) = self.range.as_ref().or(self.step.as_ref()) {
                let key = if self.range.is_some() { "range" } else { "step" };
                return Err(Wrong::new(
                    key,
                    &stray.0,
                    "says nothing without dial: fraction, decimal, watt-seconds or percent",
                ));
            }
            return Ok(None);
        };
        let full = |what: &str| {
            let full =
                self.full_power.ok_or_else(|| Wrong::new("dial", &dial.0, format!("needs full_power: {what}")))?;
            if full > 0.0 && full <= MOST_FULL {
                return Ok(full);
            }
            Err(Wrong::new("full_power", full, format!("write {what}; at most {MOST_FULL}")))
        };
        let scale = match dial.0.as_str() {
            "fraction" => Scale::Fraction,
            "decimal" => Scale::Decimal { full: full("the number shown at full power, such as 9.0")? },
            "watt-seconds" => Scale::WattSeconds { full: full("the watt-seconds at full power, such as 500")? },
            "percent" => Scale::Percent,
            other => {
                let fault = format!("'{other}' is no kind of dial: write fraction, decimal, watt-seconds or percent");
                return Err(Wrong::new("dial", other, fault));
            }
        };
        let step = match &self.step {
            Some(text) => text.0.parse().map_err(|e| Wrong::new("step", &text.0, e))?,
            None => Step::Third,
        };
        let example = match scale {
            Scale::Fraction => "1/128 to 1/1",
            Scale::Decimal { .. } => "1.0 to 9.0",
            Scale::WattSeconds { .. } => "7.8 to 500 Ws",
            Scale::Percent => "3 % to 100 %",
        };
        let range = self.range.as_ref().ok_or_else(|| {
            Wrong::new(
                "dial",
                &dial.0,
                format!("needs range: the weakest and the strongest setting, such as {example}"),
            )
        })?;
        let (least, most) = range.0.split_once(" to ").ok_or_else(|| {
            Wrong::new("range", &range.0, format!("write the weakest and the strongest setting, such as {example}"))
        })?;
        let dial = Dial::new(scale, step, least, most).map_err(|e| Wrong::new("range", &range.0, e))?;
        if dial.clicks(dial.most() - dial.least()) > MOST_POSITIONS {
            let fault =
                format!("that are more than {MOST_POSITIONS} positions: write what the light's dial really has");
            return Err(Wrong::new("range", &range.0, fault));
        }
        Ok(Some(dial))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    fn group(keys: &str) -> Result<Config, String> {
        Config::parse(&format!("groups:\n  - {{name: key, {keys}}}\n"), "x").map_err(|e| e.to_string())
    }

    #[test]
    fn a_dial_in_per_cent_is_read_and_shown_so() {
        for (range, power) in [("1 to 100", "12.5"), ("3 % to 100 %", "12.5 %"), ("3% to 100%", "12.5%")] {
            let config = group(&format!("dial: percent, range: {range}, power: {power}")).unwrap();
            let key = &config.groups[0];
            assert_eq!(key.power.map(|p| p.below_full()), Some(crate::photometry::Stops(-3.0)));
            assert_eq!(key.shown(key.power.unwrap()), "12.5 %");
        }
        for (keys, part) in [
            ("dial: percent, range: 1/128 to 1/1", "per cent of full power, such as 50 % or 12.5 %"),
            ("dial: percent, range: 100 to 1", "upside down"),
            ("dial: percent", "such as 3 % to 100 %"),
            ("dial: percent, range: 3 % to 100 %, power: 1/4", "such as 50 %"),
            ("dial: percent, range: 3 % to 100 %, power: 1 %", "outside the light's range, 3.1 % to 100 %"),
            ("dial: per cent, range: 3 % to 100 %", "write fraction, decimal, watt-seconds or percent"),
        ] {
            let said = group(keys).unwrap_err();
            assert!(said.contains(part), "{keys}: {said}");
        }
    }

    #[test]
    fn what_is_told_of_a_light_is_read() {
        let key = |keys: &str| group(keys).map(|config| config.groups[0].facts.clone());
        let facts = key("gel: 1 1/3 stops, grid: 1 stop, recycle_time: 1.2 s, flash_duration: 1/800").unwrap();
        let losses: Vec<(FrontKind, String)> =
            facts.in_front.iter().map(|front| (front.kind, front.loss.size_in_words())).collect();
        assert_eq!(losses, [(FrontKind::Gel, "1 1/3 stops".into()), (FrontKind::Grid, "1 stop".into())]);
        let times = [facts.recycle_time, facts.flash_duration].map(|time| time.unwrap().to_string());
        assert_eq!(times, ["1.2 s", "1/800 s"]);
        assert_eq!(key("role: key").unwrap(), LightFacts::default());
        for (keys, part) in [
            ("gel: red", "gel: 'red' has no unit"),
            ("gel: 0.3", "such as 1 stop, which an ND 0.3 takes"),
            ("gel: red stops", "is no size in stops"),
            ("grid: 0 stops", "between 0.1 stop and 10 stops"),
            ("recycle_time: soon", "recycle_time: 'soon' is no time of a flash"),
            ("flash_duration: 0", "such as 1.2 s or 1/800"),
        ] {
            let said = key(keys).unwrap_err();
            assert!(said.contains("line 2") && said.contains(part), "{keys}: {said}");
        }
    }

    #[test]
    fn a_step_that_is_taken_for_another_is_told() {
        let config = |step: &str| group(&format!("dial: fraction, step: {step}, range: 1/128 to 1/1")).unwrap();
        assert_eq!(config("0.3").remarks, ["key: 0.3 is taken as 1/3 stop"]);
        assert_eq!(config("0.3").groups[0].step(), Step::Third);
        assert!(["1/3", "0.1", "0.5", "1/10", "1"].iter().all(|step| config(step).remarks.is_empty()));
    }

    #[test]
    fn an_end_of_a_range_between_two_clicks_is_told() {
        let remarks = |keys: &str| group(keys).unwrap().remarks;
        let tenths = remarks("dial: percent, step: 1/10, range: 3 % to 100 %");
        assert_eq!(tenths, ["key: 3 % of its range is taken as 2.9 %, the nearest click"]);
        // 7.8125 Ws is six stops below 500 Ws.
        assert_eq!(remarks("dial: watt-seconds, full_power: 500, range: 7.8 to 500"), [""; 0]);
        assert_eq!(remarks("dial: decimal, full_power: 9.0, range: 1.0 to 9.0"), [""; 0]);
        let half = remarks("dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/8 +0.5");
        assert_eq!(half, ["key: its power, 1/8 +0.5, is taken as 1/8 +0.7, the nearest click"]);
    }
}
