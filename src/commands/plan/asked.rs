//! What is asked for, out of the command line and the configuration; what was taken for granted is kept to be told.

use super::super::exit::CommandError;
use super::super::watch::usual_config;
use super::lights::typed_lights;
use super::{Args, wrong};
use crate::advice::{AtHand, LightsNow, Means, Moved, Powers, RoomLight, plan};
use crate::config::Config;
use crate::drift::Lighting;
use crate::frame::Settings;
use crate::photometry::{Density, ExposureTime, FNumber, IsoSpeed, Series, Stops};
use crate::session::plan::{Lens, LensWords, Plan, PlannedRoom, no_decimal_comma, read_apertures};
use crate::session::{Command, Planned};
use crate::wording::listed;

/// Whole stops, as studio portraits use them (common practice, no source).
const USUAL_APERTURES: [f64; 6] = [16.0, 11.0, 8.0, 5.6, 4.0, 2.8];
const USUAL_ISO: f64 = 100.0;

/// The plan that is asked for.
///
/// # Errors
/// One sentence, of the first thing that can't be used.
pub fn planned(args: &Args) -> Result<Plan, CommandError> {
    let config = configuration(args)?;
    let steps = config.camera_steps;
    let mut assumed = Vec::new();
    let mut apertures = read_apertures(&args.apertures, steps).map_err(CommandError::WrongUse)?;
    if apertures.is_empty() {
        apertures = USUAL_APERTURES.iter().filter_map(|n| FNumber::new(*n, None, steps)).collect();
    }
    let groups = if args.lights.is_empty() { config.groups.clone() } else { typed_lights(&args.lights, &mut assumed)? };
    if groups.iter().all(|group| group.power.is_none()) {
        assumed.push(
            "No light's power is known, so only turns are told: name lights with --light 'key 1/2', or in a configuration."
                .to_owned(),
        );
    }
    let (from, iso) = settings(args, &apertures, steps, &mut assumed)?;
    let at_hand = at_hand(args, &config.at_hand, iso)?;
    let lens = lens(args, steps, &mut assumed)?;
    let room = room(args, &from, &config, &mut assumed)?;
    let means = Means::of(&at_hand, iso, steps);
    let moved = Moved::Alike(Stops::ZERO);
    // The exposure time stays, so it doesn't matter what kind of light it is.
    let lights = LightsNow { groups: &groups, positions: &[], from: &from, moved, lighting: Lighting::Flash };
    let base =
        Settings { exposure_time: from.exposure_time.or(room.as_ref().map(|_| config.sync_speed)), ..from.clone() };
    let powers = plan(&lights, &base, &apertures, iso, &means, room.as_ref().map(|room| &room.light))
        .ok_or_else(|| CommandError::WrongUse("--from needs an aperture, such as 'f/8 iso100'".to_owned()))?;
    if powers.iter().any(Powers::is_out_of_range) {
        assumed.push(of_the_means(args, &at_hand, &means));
    }
    Ok(Plan { from, groups, powers, lens, room, assumed })
}

/// The one that is named, or that lies here and is not stood in for by lights that are typed.
fn configuration(args: &Args) -> Result<Config, CommandError> {
    let usual = || usual_config().filter(|_| args.lights.is_empty());
    let file = args.config.clone().or_else(usual);
    Ok(file.as_deref().map(Config::read).transpose()?.unwrap_or_default())
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
        Some(text) => of_words(text, steps, FROM).map_err(|why| wrong("--from", why))?,
        None => Planned::default(),
    };
    let usual = IsoSpeed::new(USUAL_ISO);
    let from = Settings {
        f_number: said.f_number.or(apertures.first().copied()),
        iso: said.iso.or(iso).or(usual),
        exposure_time: said.exposure_time,
        filter: said.filter.unwrap_or_default(),
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

/// What is to be written, where nothing is.
const FROM: &str = "write the settings that the powers hold for, such as 'f/8 iso100'";
const ROOM: &str = "write the settings at which room light alone exposes fully, such as 'f/2.8 1/60 iso800'";

/// `f/8 iso100 1/160`, as `next` reads it.
fn of_words(text: &str, steps: Series, wanted: &str) -> Result<Planned, String> {
    no_decimal_comma(text)?;
    match Command::next(text.replace(',', " ").split_whitespace())? {
        Command::Next { f_number: None, iso: None, exposure_time: None, .. } => Err(wanted.to_owned()),
        Command::Next { f_number, iso, exposure_time, filter, .. } => {
            Planned::read([&f_number, &iso, &exposure_time, &filter], steps)
        }
        _ => Ok(Planned::default()),
    }
}

/// What is named on the command line, or in the configuration.
fn at_hand(args: &Args, configured: &AtHand, iso: IsoSpeed) -> Result<AtHand, CommandError> {
    let speed = |option: &str, text: &Option<String>| {
        text.as_ref().map(|text| text.parse::<IsoSpeed>().map_err(|why| wrong(option, why))).transpose()
    };
    let densities = |option: &str, text: &Option<String>, configured: &[Density]| match text {
        Some(text) => densities(text).map_err(|why| wrong(option, why)),
        None => Ok(configured.to_vec()),
    };
    let at_hand = AtHand {
        lowest_iso: speed("--lowest-iso", &args.lowest_iso)?.or(configured.lowest_iso),
        highest_iso: speed("--highest-iso", &args.highest_iso)?.or(configured.highest_iso),
        filters: densities("--filters", &args.filters, &configured.filters)?,
        gels: densities("--gels", &args.gels, &configured.gels)?,
    };
    if let Some((lowest, highest)) = at_hand.iso_upside_down() {
        return Err(wrong("--highest-iso", format!("{highest} is below the lowest, {lowest}")));
    }
    if let Some(why) = at_hand.refuses(iso).filter(|_| args.iso.is_some()) {
        return Err(wrong("--iso", why));
    }
    Ok(at_hand)
}

/// What was taken for granted of the ways round.
fn of_the_means(args: &Args, at_hand: &AtHand, means: &Means) -> String {
    let lowest = at_hand.lowest_iso.is_none();
    let lowest = lowest.then(|| format!("{} to be the camera's lowest speed (--lowest-iso)", means.lowest_iso));
    let highest = at_hand.highest_iso.is_none();
    let highest = highest.then(|| format!("{} to be the camera's highest speed (--highest-iso)", means.highest_iso));
    let is_usual = args.filters.is_none() && at_hand.filters == AtHand::default().filters;
    let filters = is_usual.then(|| "ND filters from 0.3 to 1.8 to be at hand (--filters)".to_owned());
    let assumed: Vec<String> = [lowest, highest, filters].into_iter().flatten().collect();
    match assumed.as_slice() {
        [] => "Ways round are those that were told.".to_owned(),
        assumed => format!("Taken for granted: {}.", listed(assumed)),
    }
}

/// `0.3,0.6`, or `none`.
fn densities(text: &str) -> Result<Vec<Density>, String> {
    if text.trim().eq_ignore_ascii_case("none") {
        return Ok(Vec::new());
    }
    text.split(',').map(str::parse).collect()
}

fn lens(args: &Args, series: Series, assumed: &mut Vec<String>) -> Result<Option<Lens>, CommandError> {
    let words = LensWords {
        focal_length: args.focal_length.clone(),
        distance: args.distance.clone(),
        sensor: args.sensor.clone(),
        pixels: args.pixels.clone(),
        depths: args.depths.clone(),
        circle_of_confusion: args.circle_of_confusion.clone(),
    };
    let option = |name: &str| format!("--{}", name.replace('_', "-"));
    let lens = Lens::read(&words, series).map_err(|fault| CommandError::WrongUse(fault.in_words(option)))?;
    match &lens {
        None => assumed.push("How much is sharp is told with --focal-length 85mm --distance 1.8m.".to_owned()),
        Some(lens) => {
            if lens.usual_sensor {
                assumed.push(format!("The sensor is taken to be {} (--sensor names another).", lens.sensor));
            }
            let faultless = "Sharpness is that of a lens without faults, focused exactly: real ones have less.";
            assumed.push(faultless.to_owned());
        }
    }
    Ok(lens)
}

/// Room light as somebody metered it, for the time that is planned, else the sync speed.
fn room(
    args: &Args,
    from: &Settings,
    config: &Config,
    assumed: &mut Vec<String>,
) -> Result<Option<PlannedRoom>, CommandError> {
    let Some(text) = &args.room else { return Ok(None) };
    let metered = of_words(text, config.camera_steps, ROOM).map_err(|why| wrong("--room", why))?;
    let metered = Settings {
        f_number: metered.f_number,
        iso: metered.iso,
        exposure_time: metered.exposure_time,
        filter: metered.filter.unwrap_or_default(),
        ..Settings::default()
    };
    let time: ExposureTime = from.exposure_time.unwrap_or(config.sync_speed);
    if from.exposure_time.is_none() {
        assumed.push(format!("The exposure time is taken to be {time}, the sync speed (--from 'f/8 iso100 1/125')."));
    }
    let at = Settings { exposure_time: Some(time), ..from.clone() };
    let light = RoomLight::metered(&metered, &at).map_err(|why| wrong("--room", why))?;
    let known = format!("mid-grey by itself at {}, at {time}", metered.in_short());
    Ok(Some(PlannedRoom { light, known, limit: config.ambient_limit }))
}
