//! A response from a few frames of one still scene, or the reason why they don't carry one.

use thiserror::Error;

use super::{SeriesFrame, difference};
use crate::drift::Lighting;
use crate::frame::Rendering;
use crate::photometry::Stops;
use crate::response::{Curve, Exposed, Fit, Response, TRUSTED, fit};
use crate::statistics::rank_correlation;

/// A camera's response as frames gave it.
#[derive(Debug, Clone)]
pub struct Calibration {
    pub luminance: Fit,
    pub channels: [Curve; 3],
    /// Exposure of each frame from the first.
    pub exposures: Vec<Stops>,
    /// 95 % half-width of two stops about mid-grey.
    pub uncertainty: Stops,
}

/// Why frames carry no response.
#[derive(Debug, Clone, Error, PartialEq)]
pub enum Refusal {
    #[error("{file} is a raw file, which holds linear light and needs no curve: give the camera's JPEGs")]
    Raw { file: String },
    #[error(
        "{count} frames are too few: give at least {FEWEST_FRAMES} of one still scene, at {FEWEST_EXPOSURES} exposures or more, a stop or less apart"
    )]
    TooFew { count: usize },
    #[error("{file} doesn't tell its aperture, exposure time and ISO speed: leave it out, or use a lens with contacts")]
    SettingsUnknown { file: String },
    #[error("{file} is of another camera ({camera}) than {first} ({of_first}): calibrate each camera by itself")]
    OtherCamera { file: String, camera: String, first: String, of_first: String },
    #[error("{file} is in another colour space ({colour}) than {first} ({of_first}): calibrate each by itself")]
    OtherColour { file: String, colour: String, first: String, of_first: String },
    #[error(
        "the frames have only {exposures} different exposures: change the aperture, the exposure time (in light that burns all the time) or the ISO speed between them, in {FEWEST_EXPOSURES} or more steps"
    )]
    NothingDiffers { exposures: usize },
    #[error(
        "nearly all of the frames is clipped or black, or no two of them share enough tones: use exposures a stop or less apart, with mid-tones in them"
    )]
    Clipped,
    #[error(
        "{file} shows another scene than {neighbour}, or the scene moved: use a tripod and a scene that holds still"
    )]
    Moved { file: String, neighbour: String },
    #[error("the picture is no function of exposure: {worst} is {by} off its settings, and the frames scatter by {scatter}. {}", hint(*.per_frame))]
    NoFunction { worst: String, by: Stops, scatter: Stops, per_frame: bool },
    #[error(
        "these frames leave two stops about mid-grey in doubt by {uncertainty}: add frames between them, a stop or less apart, with mid-tones in them"
    )]
    TooVague { uncertainty: Stops },
}

fn hint(per_frame: bool) -> &'static str {
    if per_frame {
        "Its camera maps the tones of each frame anew (a phone, or a dynamic range setting): turn that off, or use raw files"
    } else {
        "Either the camera maps the tones of each frame anew (turn automatic or local tone settings off), or the light changed, or flash lit the scene while the exposure time was changed (--flash)"
    }
}

const FEWEST_FRAMES: usize = 3;
const FEWEST_EXPOSURES: usize = 3;
/// Frames that scatter more about their settings follow no curve. Four cameras of fixed rendering
/// scattered by 0.015 to 0.06, a phone by 0.16.
const MOST_SCATTER: Stops = Stops(0.12);
/// A curve that says less than this is none.
const MOST_UNCERTAINTY: Stops = Stops(0.2);
/// Bend that frames may give a curve besides what cameras' differences make likely.
const FREEDOM: f64 = 2.0;
/// Neighbours of one scene are at least this alike.
const LEAST_LIKENESS: f64 = 0.8;
/// Fewer comparable cells tell nothing of likeness.
const FEWEST_CELLS: usize = 12;

/// Recovers the response of frames that are all of one camera, colour space and picture look.
pub fn calibrate(frames: &[SeriesFrame], prior: &Curve, lighting: Lighting) -> Result<Calibration, Refusal> {
    if frames.len() < FEWEST_FRAMES {
        return Err(Refusal::TooFew { count: frames.len() });
    }
    if let Some(raw) = frames.iter().find(|f| f.is_raw) {
        return Err(Refusal::Raw { file: raw.file.clone() });
    }
    let first = &frames[0];
    check_alike(first, &frames[1..])?;
    let exposures = exposures(frames, lighting)?;
    check_scene(frames, &exposures)?;
    let of = |codes: &dyn Fn(&SeriesFrame) -> Vec<f64>| -> Vec<Exposed> {
        frames.iter().zip(&exposures).map(|(f, e)| Exposed { codes: codes(f), exposure: *e }).collect()
    };
    let luminance = fit(&of(&|f| f.quantiles.luminance.clone()), &prior.loosened(FREEDOM)).ok_or(Refusal::Clipped)?;
    let worst = luminance.offsets.iter().enumerate().max_by(|a, b| a.1.abs().0.total_cmp(&b.1.abs().0));
    if let Some((at, by)) = worst.filter(|_| luminance.scatter > MOST_SCATTER) {
        let per_frame = frames.iter().any(|f| f.settings.rendering == Rendering::PerFrame);
        let worst = frames[at].file.clone();
        return Err(Refusal::NoFunction { worst, by: *by, scatter: luminance.scatter, per_frame });
    }
    let uncertainty = uncertainty_about_mid_grey(&luminance.curve);
    if uncertainty > MOST_UNCERTAINTY {
        return Err(Refusal::TooVague { uncertainty });
    }
    // A channel that is clipped throughout (a coloured scene) goes by luminance.
    let channels = [0, 1, 2].map(|c| {
        fit(&of(&|f| f.quantiles.channels[c].clone()), &luminance.curve_as_prior())
            .map_or(luminance.curve.clone(), |f| f.curve)
    });
    Ok(Calibration { luminance, channels, exposures, uncertainty })
}

fn check_alike(first: &SeriesFrame, others: &[SeriesFrame]) -> Result<(), Refusal> {
    let camera = |f: &SeriesFrame| f.settings.camera.clone().unwrap_or_else(|| "unnamed".to_owned());
    for frame in others {
        let (file, name) = (frame.file.clone(), first.file.clone());
        if frame.settings.camera != first.settings.camera {
            return Err(Refusal::OtherCamera { file, camera: camera(frame), first: name, of_first: camera(first) });
        }
        if frame.metered.colour != first.metered.colour {
            let (colour, of_first) = (frame.metered.colour.clone(), first.metered.colour.clone());
            return Err(Refusal::OtherColour { file, colour, first: name, of_first });
        }
    }
    Ok(())
}

/// Exposure of each frame from the first, by its settings.
fn exposures(frames: &[SeriesFrame], lighting: Lighting) -> Result<Vec<Stops>, Refusal> {
    let from_first =
        |f: &SeriesFrame| difference(&frames[0], f, lighting).ok_or(Refusal::SettingsUnknown { file: f.file.clone() });
    let exposures: Vec<Stops> = frames.iter().map(from_first).collect::<Result<_, _>>()?;
    let mut different: Vec<f64> = exposures.iter().map(|e| e.0).collect();
    different.sort_by(f64::total_cmp);
    different.dedup_by(|a, b| (*a - *b).abs() < 0.1);
    if different.len() < FEWEST_EXPOSURES {
        return Err(Refusal::NothingDiffers { exposures: different.len() });
    }
    Ok(exposures)
}

/// Frames next to each other in exposure must show the same scene.
fn check_scene(frames: &[SeriesFrame], exposures: &[Stops]) -> Result<(), Refusal> {
    let mut order: Vec<usize> = (0..frames.len()).collect();
    order.sort_by(|a, b| exposures[*a].0.total_cmp(&exposures[*b].0));
    for pair in order.windows(2) {
        let (a, b) = (&frames[pair[0]], &frames[pair[1]]);
        if likeness(a, b).is_some_and(|l| l < LEAST_LIKENESS) {
            return Err(Refusal::Moved { file: b.file.clone(), neighbour: a.file.clone() });
        }
    }
    Ok(())
}

/// Rank correlation (Spearman 1904) of the cells that neither frame clips: the order of light stays,
/// whatever the curve and the exposure.
fn likeness(a: &SeriesFrame, b: &SeriesFrame) -> Option<f64> {
    let srgb = Response::srgb();
    let both = a.metered.cells.iter().zip(&b.metered.cells);
    let (first, second): (Vec<f64>, Vec<f64>) = both
        .filter(|(x, y)| TRUSTED.contains(x) && TRUSTED.contains(y))
        .map(|(x, y)| (srgb.light(*x).0, srgb.light(*y).0))
        .unzip();
    // An even wall has no pattern to have moved.
    let even = |cells: &[f64]| {
        let (low, high) = cells.iter().fold((f64::MAX, f64::MIN), |(low, high), c| (low.min(*c), high.max(*c)));
        high - low < 0.5
    };
    if first.len() < FEWEST_CELLS || even(&first) || even(&second) {
        return None;
    }
    rank_correlation(&first, &second)
}

/// 95 % half-width of two stops about mid-grey.
pub(super) fn uncertainty_about_mid_grey(curve: &Curve) -> Stops {
    let response = Response::unnamed(curve);
    response.uncertainty_between(Stops(-1.0), Stops(1.0))
}

impl Fit {
    /// A channel's curve is near that of luminance, by as much as cameras differ.
    fn curve_as_prior(&self) -> Curve {
        let sample = [&self.curve.mean * 0.9, self.curve.mean.clone(), &self.curve.mean * 1.1];
        Curve::of_sample(&sample, 1.2)
    }
}
