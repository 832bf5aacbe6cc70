//! Lights that are typed on the command line.

use super::super::exit::CommandError;
use super::wrong;
use crate::photometry::{Dial, Scale, Step};
use crate::rig::{FrontKind, InFront, LightFacts, LightGroup, Role};
use crate::wording;

const MOST_LIGHTS: usize = 16;
/// Of a light that is typed: a small flash's (common practice, no source).
const USUAL_RANGE: (&str, &str) = ("1/128", "1/1");

pub fn typed_lights(texts: &[String], assumed: &mut Vec<String>) -> Result<Vec<LightGroup>, CommandError> {
    if texts.len() > MOST_LIGHTS {
        return Err(CommandError::WrongUse(format!("there are more than {MOST_LIGHTS} lights: leave some out")));
    }
    let mut groups: Vec<LightGroup> = Vec::new();
    for text in texts {
        let (group, taken) = typed_light(text).map_err(|why| wrong("--light", why))?;
        assumed.extend(taken);
        if groups.iter().any(|g| g.name.as_str().eq_ignore_ascii_case(group.name.as_str())) {
            return Err(wrong("--light", format!("'{}' is there twice: give each light its own name", group.name)));
        }
        groups.push(group);
    }
    let (least, most) = USUAL_RANGE;
    let range = match texts.iter().any(|text| !text.contains(" to ")) {
        true => format!(
            ", and to go from {least} to {most} where no range is named (write it as --light 'key 1/2, 1/256 to 1/1')"
        ),
        false => String::new(),
    };
    assumed.push(format!("Lights that are typed are taken to be set in thirds of a stop{range}."));
    Ok(groups)
}

/// `key 1/2`, or `key 1/2, 1/256 to 1/1, grid 1 stop, recycle 1.2 s, duration 1/800`.
/// With a sentence where its power lies between two clicks.
fn typed_light(text: &str) -> Result<(LightGroup, Option<String>), String> {
    let mut parts = text.split(',').map(str::trim);
    let light = parts.next().unwrap_or_default();
    let (mut range, mut facts) = (None, LightFacts::default());
    for part in parts {
        match part.split_once(" to ") {
            Some(ends) => range = Some(ends),
            None => take_fact(part, &mut facts)?,
        }
    }
    let (least, most) = range.unwrap_or(USUAL_RANGE);
    let dial = Dial::new(Scale::Fraction, Step::Third, least.trim(), most.trim()).map_err(|e| e.to_string())?;
    let splits: Vec<(&str, &str)> =
        light.match_indices(char::is_whitespace).map(|(at, _)| (&light[..at], light[at..].trim())).collect();
    let found = splits.iter().find_map(|(name, typed)| Some((*name, dial.parse(typed).ok()?, *typed)));
    let (name, power, typed) = match found {
        Some(found) => found,
        None => {
            let (name, power) = splits
                .last()
                .ok_or_else(|| format!("'{light}' has no power: write a name and a power, such as 'key 1/2'"))?;
            let parsed = dial.parse(power);
            let parsed =
                parsed.map_err(|e| format!("{e} (lights with other dials are described in a configuration)"))?;
            (*name, parsed, *power)
        }
    };
    let name = wording::name(name).ok_or("a light's name has 1 to 40 printable characters")?;
    let taken = dial
        .is_between_clicks(typed)
        .then(|| format!("{name} is taken to be at {}, the click of its dial nearest to {typed}.", dial.print(power)));
    let group =
        LightGroup { name: name.into(), role: Role::Other, dial: Some(dial), power: Some(power), heads: 1, facts };
    Ok((group, taken))
}

fn take_fact(part: &str, facts: &mut LightFacts) -> Result<(), String> {
    let (what, value) = part.split_once(char::is_whitespace).unwrap_or((part, ""));
    let mut take_front = |kind| {
        if facts.in_front.iter().any(|front: &InFront| front.kind == kind) {
            return Err(format!("'{what}' is told twice: write once what all of it takes"));
        }
        facts.in_front.push(InFront::read(kind, value).map_err(|fault| format!("'{part}': {fault}"))?);
        Ok(())
    };
    match what {
        "gel" => take_front(FrontKind::Gel)?,
        "grid" => take_front(FrontKind::Grid)?,
        "recycle" => facts.recycle_time = Some(value.parse()?),
        "duration" => facts.flash_duration = Some(value.parse()?),
        _ => {
            return Err(format!(
                "'{part}' is no range, and nothing else that is told of a light: write 1/128 to 1/1, gel 1 stop, grid 1 stop, recycle \
                 1.2 s or duration 1/800"
            ));
        }
    }
    Ok(())
}
