//! What is asked for, out of the command line and the configuration; what was taken for granted is kept to be told.

use std::path::Path;

use super::super::exit::CommandError;
use super::super::watch::USUAL_CONFIG;
use super::Args;
use crate::advice::{AtHand, AtTheCamera};
use crate::config::Config;
use crate::frame::Settings;
use crate::optics::{CircleOfConfusion, Focus, Micrometres, OpticsError, Part, Pixels, Sensor, Subject, read_distance};
use crate::photometry::{Density, Dial, FNumber, IsoSpeed, SAME_SETTING, Scale, Series, Step};
use crate::rig::{LightGroup, Role};
use crate::session::{Command, Planned};
use crate::wording::{self, listed};

/// A plan that can be worked out.
#[derive(Debug)]
pub struct Asked {
    pub apertures: Vec<FNumber>,
    /// With the powers that hold for `from`.
    pub groups: Vec<LightGroup>,
    pub from: Settings,
    pub iso: IsoSpeed,
    pub camera: AtTheCamera,
    /// `None`: nothing is told of sharpness.
    pub lens: Option<Lens>,
    /// What nobody said and was taken for granted, a sentence each.
    pub assumed: Vec<String>,
    /// The same of what only counts where a light is out of its range.
    pub assumed_of_the_camera: String,
}

/// What sharpness is worked out for.
#[derive(Debug)]
pub struct Lens {
    pub subject: Subject,
    pub sensor: Sensor,
    pub pixel: Option<Micrometres>,
    pub series: Series,
    /// Whether the circle of confusion is the usual part of the diagonal.
    pub usual_circle: bool,
}

/// Whole stops, as studio portraits use them (common practice, no source).
const USUAL_APERTURES: [f64; 6] = [16.0, 11.0, 8.0, 5.6, 4.0, 2.8];
/// All marks from f/0.7 to f/64.
const MOST_APERTURES: usize = 40;
const MOST_LIGHTS: usize = 16;
/// Of a light that is typed: a small flash's (common practice, no source).
const USUAL_RANGE: (&str, &str) = ("1/128", "1/1");
const USUAL_ISO: f64 = 100.0;
/// Every camera that is tethered goes there (common practice, no source).
const HIGHEST_ISO: f64 = 6400.0;

impl Asked {
    /// # Errors
    /// One sentence, of the first thing that can't be used.
    pub fn of(args: &Args) -> Result<Asked, CommandError> {
        let config = configuration(args)?;
        let steps = config.camera_steps;
        let mut assumed = Vec::new();
        let apertures = apertures(&args.apertures, steps)?;
        let groups =
            if args.lights.is_empty() { config.groups.clone() } else { typed_lights(&args.lights, &mut assumed)? };
        if groups.iter().all(|group| group.power.is_none()) {
            assumed.push(
                "No light's power is known, so only turns are told: name lights with --light 'key 1/2', or in a \
                 configuration."
                    .to_owned(),
            );
        }
        let (from, iso) = settings(args, &apertures, steps, &mut assumed)?;
        let (camera, assumed_of_the_camera) = at_the_camera(args, &config.at_hand, iso, steps)?;
        let lens = lens(args, steps, &mut assumed)?;
        Ok(Asked { apertures, groups, from, iso, camera, lens, assumed, assumed_of_the_camera })
    }
}

fn wrong(option: &str, why: impl std::fmt::Display) -> CommandError {
    CommandError::WrongUse(format!("{option}: {why}"))
}

/// The one that is named, or that lies here and is not stood in for by lights that are typed.
fn configuration(args: &Args) -> Result<Config, CommandError> {
    let usual = Path::new(USUAL_CONFIG);
    match &args.config {
        Some(file) => Ok(Config::read(file)?),
        None if args.lights.is_empty() && usual.is_file() => Ok(Config::read(usual)?),
        None => Ok(Config::default()),
    }
}

/// A list, or two with `to` between them and the camera's marks within.
fn apertures(words: &[String], steps: Series) -> Result<Vec<FNumber>, CommandError> {
    let text = words.join(" ");
    no_decimal_comma(&text).map_err(CommandError::WrongUse)?;
    let text = text.replace(',', " ");
    let words: Vec<&str> = text.split_whitespace().collect();
    let read = |word: &str| FNumber::read(word, steps).map_err(CommandError::WrongUse);
    let named: Vec<FNumber> = match words.as_slice() {
        [] => USUAL_APERTURES.iter().filter_map(|n| FNumber::new(*n, None, steps)).collect(),
        [first, to, last] if to.eq_ignore_ascii_case("to") => range(read(first)?, read(last)?, steps),
        words if words.iter().any(|word| word.eq_ignore_ascii_case("to")) => {
            return Err(CommandError::WrongUse(
                "a range has an aperture at each end, such as f/14 to f/2.8".to_owned(),
            ));
        }
        words => words.iter().map(|word| read(word)).collect::<Result<_, _>>()?,
    };
    let mut apertures: Vec<FNumber> = Vec::new();
    for n in named {
        if !apertures.contains(&n) {
            apertures.push(n);
        }
    }
    if apertures.len() > MOST_APERTURES {
        return Err(CommandError::WrongUse(format!("that are more than {MOST_APERTURES} apertures: leave some out")));
    }
    Ok(apertures)
}

/// In half of Europe 5,6 is one number.
fn no_decimal_comma(text: &str) -> Result<(), String> {
    let digit = |c: Option<char>| c.is_some_and(|c| c.is_ascii_digit());
    let is_decimal = |at: usize| digit(text[..at].chars().next_back()) && digit(text[at + 1..].chars().next());
    match text.match_indices(',').any(|(at, _)| is_decimal(at)) {
        true => Err(format!("'{text}' may be one number or two: write 5.6 with a point, and a blank between two")),
        false => Ok(()),
    }
}

fn range(first: FNumber, last: FNumber, steps: Series) -> Vec<FNumber> {
    let (low, high) = if first.av() < last.av() { (first, last) } else { (last, first) };
    let within = FNumber::all(steps).filter(|n| n.av() > low.av() && n.av() < high.av());
    let rising: Vec<FNumber> = std::iter::once(low).chain(within).chain(std::iter::once(high)).collect();
    if first.av() < last.av() { rising } else { rising.into_iter().rev().collect() }
}

fn typed_lights(texts: &[String], assumed: &mut Vec<String>) -> Result<Vec<LightGroup>, CommandError> {
    if texts.len() > MOST_LIGHTS {
        return Err(CommandError::WrongUse(format!("there are more than {MOST_LIGHTS} lights: leave some out")));
    }
    let mut groups: Vec<LightGroup> = Vec::new();
    for text in texts {
        let group = typed_light(text).map_err(|why| wrong("--light", why))?;
        if groups.iter().any(|g| g.name.as_str().eq_ignore_ascii_case(group.name.as_str())) {
            return Err(wrong("--light", format!("'{}' is there twice: give each light its own name", group.name)));
        }
        groups.push(group);
    }
    let (least, most) = USUAL_RANGE;
    let range = match texts.iter().any(|text| !text.contains(',')) {
        true => format!(
            ", and to go from {least} to {most} where no range is named (write it as --light 'key 1/2, 1/256 to 1/1')"
        ),
        false => String::new(),
    };
    assumed.push(format!("Lights that are typed are taken to be set in thirds of a stop{range}."));
    Ok(groups)
}

/// `key 1/2`, or `key 1/2, 1/256 to 1/1`.
fn typed_light(text: &str) -> Result<LightGroup, String> {
    let (light, range) = text.split_once(',').map_or((text, None), |(light, range)| (light, Some(range)));
    let (least, most) = match range {
        None => USUAL_RANGE,
        Some(range) => range.split_once(" to ").ok_or_else(|| {
            format!("'{}' is no range: write the weaker end first, such as 1/128 to 1/1", range.trim())
        })?,
    };
    let dial = Dial::new(Scale::Fraction, Step::Third, least.trim(), most.trim()).map_err(|e| e.to_string())?;
    let light = light.trim();
    let splits: Vec<(&str, &str)> =
        light.match_indices(char::is_whitespace).map(|(at, _)| (&light[..at], light[at..].trim())).collect();
    let (name, power) = match splits.iter().find_map(|(name, power)| Some((*name, dial.parse(power).ok()?))) {
        Some(found) => found,
        None => {
            let (name, power) = splits
                .last()
                .ok_or_else(|| format!("'{light}' has no power: write a name and a power, such as 'key 1/2'"))?;
            (
                *name,
                dial.parse(power)
                    .map_err(|e| format!("{e} (lights with other dials are described in a configuration)"))?,
            )
        }
    };
    let name = wording::name(name).ok_or("a light's name has 1 to 40 printable characters")?;
    Ok(LightGroup { name: name.into(), role: Role::Other, dial: Some(dial), power: Some(power), heads: 1 })
}

/// The settings that the powers hold for, and the ISO speed that is planned.
fn settings(
    args: &Args,
    apertures: &[FNumber],
    steps: Series,
    assumed: &mut Vec<String>,
) -> Result<(Settings, IsoSpeed), CommandError> {
    let iso = args.iso.as_deref().map(|text| text.parse().map_err(|why: String| wrong("--iso", why))).transpose()?;
    let said = match args.from.as_deref() {
        Some(text) => of_words(text, steps).map_err(|why| wrong("--from", why))?,
        None => Planned::default(),
    };
    let usual = IsoSpeed::new(USUAL_ISO);
    let from = Settings {
        f_number: said.f_number.or(apertures.first().copied()),
        iso: said.iso.or(iso).or(usual),
        exposure_time: said.exposure_time,
        ..Settings::default()
    };
    if said.f_number.is_none() {
        assumed.push(format!(
            "The lights are taken to be set for {}, the first aperture (if they are set for another: --from 'f/8 iso100').",
            from.in_short()
        ));
    } else if said.iso.is_none() {
        assumed.push(format!("The lights are taken to be set for {}.", from.in_short()));
    }
    let iso = iso.or(from.iso).ok_or_else(|| wrong("--iso", "write it as 200"))?;
    Ok((from, iso))
}

/// `f/8 iso100 1/160`, as `next` reads it.
fn of_words(text: &str, steps: Series) -> Result<Planned, String> {
    no_decimal_comma(text)?;
    match Command::next(text.replace(',', " ").split_whitespace())? {
        Command::Next { f_number: None, iso: None, exposure_time: None, .. } => {
            Err("write the settings that the powers hold for, such as 'f/8 iso100'".to_owned())
        }
        Command::Next { f_number, iso, exposure_time, .. } => {
            Planned::read(f_number.as_ref(), iso.as_ref(), exposure_time.as_ref(), steps)
        }
        _ => Ok(Planned::default()),
    }
}

/// What is named on the command line, or in the configuration, or usual.
fn at_the_camera(
    args: &Args,
    at_hand: &AtHand,
    iso: IsoSpeed,
    steps: Series,
) -> Result<(AtTheCamera, String), CommandError> {
    let named = args.lowest_iso.as_ref().map(|text| text.parse().map_err(|why: String| wrong("--lowest-iso", why)));
    let named = named.transpose()?.or(at_hand.lowest_iso);
    if let Some(lowest) = named.filter(|lowest| args.iso.is_some() && iso.sv() < lowest.sv() - SAME_SETTING) {
        return Err(wrong("--iso", format!("{iso} is below the camera's lowest speed, {lowest}")));
    }
    let usual = || IsoSpeed::new(USUAL_ISO).filter(|usual| usual.sv() < iso.sv()).unwrap_or(iso);
    let lowest = named.unwrap_or_else(usual);
    let filters = match &args.filters {
        Some(text) => filters(text).map_err(|why| wrong("--filters", why))?,
        None => at_hand.filters.clone(),
    };
    let lowest_assumed = named.is_none().then(|| format!("{lowest} to be the camera's lowest speed (--lowest-iso)"));
    let is_usual = args.filters.is_none() && filters == AtHand::default().filters;
    let filters_assumed = is_usual.then(|| "ND filters from 0.3 to 1.8 to be at hand (--filters)".to_owned());
    let highest_iso = IsoSpeed::new(HIGHEST_ISO).filter(|highest| highest.sv() > iso.sv()).unwrap_or(iso);
    let highest_assumed = format!("{highest_iso} to be the camera's highest speed");
    let assumed: Vec<String> = [lowest_assumed, Some(highest_assumed), filters_assumed].into_iter().flatten().collect();
    let assumed = format!("Taken for granted: {}.", listed(&assumed));
    Ok((AtTheCamera { lowest_iso: lowest, highest_iso, filters, steps }, assumed))
}

/// `0.3,0.6`, or `none`.
fn filters(text: &str) -> Result<Vec<Density>, String> {
    if text.trim().eq_ignore_ascii_case("none") {
        return Ok(Vec::new());
    }
    text.split(',').map(str::parse).collect()
}

fn lens(args: &Args, series: Series, assumed: &mut Vec<String>) -> Result<Option<Lens>, CommandError> {
    let Some(focus) = focus(args)? else {
        assumed.push("How much is sharp is told with --focal-length 85mm --distance 1.8m.".to_owned());
        return Ok(None);
    };
    let sensor = match &args.sensor {
        Some(text) => text.parse().map_err(of("--sensor"))?,
        None => {
            assumed.push(format!("The sensor is taken to be {} (--sensor names another).", Sensor::FULL_FRAME));
            Sensor::FULL_FRAME
        }
    };
    assumed.push("Sharpness is that of a lens without faults, focused exactly: real ones have less.".to_owned());
    let circle: Option<CircleOfConfusion> =
        args.circle_of_confusion.as_ref().map(|text| text.parse().map_err(of("--circle-of-confusion"))).transpose()?;
    let parts = args
        .depths
        .as_ref()
        .map_or_else(|| Ok(Part::of_a_face()), |text| Part::read_all(text))
        .map_err(of("--depths"))?;
    let pixels: Option<Pixels> = args.pixels.as_ref().map(|text| text.parse().map_err(of("--pixels"))).transpose()?;
    let subject = Subject::new(focus, circle.unwrap_or_else(|| CircleOfConfusion::usual(sensor)), parts)
        .map_err(of("--depths"))?;
    Ok(Some(Lens { subject, sensor, pixel: pixels.map(|p| p.pitch(sensor)), series, usual_circle: circle.is_none() }))
}

/// Where the lens is focused; `None` where nobody asks for sharpness.
fn focus(args: &Args) -> Result<Option<Focus>, CommandError> {
    let (focal_length, distance) = match (&args.focal_length, &args.distance) {
        (Some(focal_length), Some(distance)) => (focal_length, distance),
        (Some(_), None) => return Err(wrong("--focal-length", "--distance is needed, too, such as --distance 1.8m")),
        (None, Some(_)) => {
            return Err(wrong("--distance", "--focal-length is needed, too, such as --focal-length 85mm"));
        }
        (None, None) => {
            let only_with_a_lens = [
                ("--sensor", &args.sensor),
                ("--pixels", &args.pixels),
                ("--depths", &args.depths),
                ("--circle-of-confusion", &args.circle_of_confusion),
            ];
            return match only_with_a_lens.iter().find(|(_, given)| given.is_some()) {
                Some((option, _)) => Err(wrong(option, "--focal-length and --distance are needed, too")),
                None => Ok(None),
            };
        }
    };
    let focal_length = focal_length.parse().map_err(of("--focal-length"))?;
    let distance = read_distance(distance).map_err(of("--distance"))?;
    Focus::new(focal_length, distance).map(Some).map_err(of("--distance"))
}

/// What can't be used, said of its option.
fn of(option: &'static str) -> impl Fn(OpticsError) -> CommandError {
    move |why| wrong(option, why)
}
