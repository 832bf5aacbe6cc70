//! A response from a few frames of one scene, or the reason why they don't carry one.

use super::laid::Laid;
use super::refusal::{FEWEST_EXPOSURES, FEWEST_FRAMES, Refusal};
use super::{SeriesFrame, difference};
use crate::drift::Lighting;
use crate::frame::Rendering;
use crate::photometry::Stops;
use crate::response::{Curve, Exposed, Fit, Response, fit};

/// A camera's response as frames gave it.
#[derive(Debug, Clone)]
pub struct Calibration {
    pub luminance: Fit,
    pub channels: [Curve; 3],
    /// Exposure of each frame from the first.
    pub exposures: Vec<Stops>,
    /// 95 % half-width of two stops about mid-grey.
    pub uncertainty: Stops,
    /// Frames that show too little to be laid over others. The fit knows nothing of them.
    pub left_out: Vec<usize>,
    /// How far the frame that moved farthest was shifted, in parts of its sides.
    pub moved: f64,
}

/// Frames that scatter more about their settings follow no curve. Four cameras of fixed rendering
/// scattered by 0.015 to 0.06, a phone by 0.16.
const MOST_SCATTER: Stops = Stops(0.12);
/// A curve that says less than this is none.
const MOST_UNCERTAINTY: Stops = Stops(0.2);
/// Bend that frames may give a curve besides what cameras' differences make likely.
const FREEDOM: f64 = 2.0;

/// Recovers the response of frames that are all of one camera, colour space and picture look.
pub fn calibrate(frames: &[SeriesFrame], prior: &Curve, lighting: Lighting) -> Result<Calibration, Refusal> {
    let bracket = Bracket::of(frames.iter().collect(), lighting)?;
    let all: Vec<usize> = (0..frames.len()).collect();
    let (luminance, uncertainty) = bracket.luminance_by(&all, prior)?;
    // A channel that is clipped throughout (a coloured scene) goes by luminance.
    let channels = [1, 2, 3].map(|plane| {
        fit(&bracket.exposed(&all, plane), &luminance.curve_as_prior()).map_or(luminance.curve.clone(), |f| f.curve)
    });
    let left_out = bracket.laid.left_out.iter().map(|(frame, _)| *frame).collect();
    let moved = bracket.laid.moved;
    Ok(Calibration { luminance, channels, exposures: bracket.exposures, uncertainty, left_out, moved })
}

/// Frames that may carry a response, laid one over the other.
#[derive(Debug, Clone)]
pub struct Bracket<'a> {
    frames: Vec<&'a SeriesFrame>,
    /// From the first.
    exposures: Vec<Stops>,
    laid: Laid,
}

impl<'a> Bracket<'a> {
    pub fn of(frames: Vec<&'a SeriesFrame>, lighting: Lighting) -> Result<Bracket<'a>, Refusal> {
        check_count(frames.len())?;
        if let Some(raw) = frames.iter().find(|f| f.is_raw) {
            return Err(Refusal::Raw { file: raw.file.clone() });
        }
        check_alike(frames[0], &frames[1..])?;
        let of = |f: &SeriesFrame| {
            difference(frames[0], f, lighting).ok_or_else(|| Refusal::SettingsUnknown { file: f.file.clone() })
        };
        let exposures: Vec<Stops> = frames.iter().map(|f| of(f)).collect::<Result<_, _>>()?;
        check_exposures(exposures.iter())?;
        let laid = Laid::of(&frames, &exposures)?;
        Ok(Bracket { frames, exposures, laid })
    }

    /// The curve of luminance by some of the frames, and the 95 % half-width of two stops about mid-grey.
    pub fn luminance_by(&self, some: &[usize], prior: &Curve) -> Result<(Fit, Stops), Refusal> {
        let some: Vec<usize> = some.iter().copied().filter(|at| !self.is_left_out(*at)).collect();
        self.check_left(&some)?;
        check_exposures(some.iter().map(|at| &self.exposures[*at]))?;
        let luminance = fit(&self.exposed(&some, 0), &prior.loosened(FREEDOM)).ok_or(Refusal::Clipped)?;
        let worst = luminance.offsets.iter().zip(&some).max_by(|a, b| a.0.abs().0.total_cmp(&b.0.abs().0));
        if let Some((by, at)) = worst.filter(|_| luminance.scatter > MOST_SCATTER) {
            let per_frame = self.frames.iter().any(|f| f.settings.rendering == Rendering::PerFrame);
            let worst = self.frames[*at].file.clone();
            return Err(Refusal::NoFunction { worst, by: *by, scatter: luminance.scatter, per_frame });
        }
        let uncertainty = uncertainty_about_mid_grey(&luminance.curve);
        if uncertainty > MOST_UNCERTAINTY {
            return Err(Refusal::TooVague { uncertainty });
        }
        Ok((luminance, uncertainty))
    }

    fn is_left_out(&self, at: usize) -> bool {
        self.laid.left_out.iter().any(|(frame, _)| *frame == at)
    }

    /// Where frames that show too little leave too few, they are the reason.
    fn check_left(&self, some: &[usize]) -> Result<(), Refusal> {
        let name = |at: usize| self.frames[at].file.clone();
        match (check_count(some.len()), self.laid.left_out.first()) {
            (Err(_), Some((at, neighbour))) => Err(Refusal::TooPlain { file: name(*at), neighbour: name(*neighbour) }),
            (enough, _) => enough,
        }
    }

    /// What some frames show in a plane: luminance, red, green or blue.
    fn exposed(&self, some: &[usize], plane: usize) -> Vec<Exposed> {
        let laid = some.iter().filter(|at| !self.is_left_out(**at));
        laid.map(|at| Exposed::new(self.laid.frames[*at][plane].iter().copied(), self.exposures[*at])).collect()
    }
}

fn check_count(count: usize) -> Result<(), Refusal> {
    if count < FEWEST_FRAMES { Err(Refusal::TooFew { count }) } else { Ok(()) }
}

fn check_exposures<'a>(exposures: impl Iterator<Item = &'a Stops>) -> Result<(), Refusal> {
    let mut different: Vec<f64> = exposures.map(|e| e.0).collect();
    different.sort_by(f64::total_cmp);
    different.dedup_by(|a, b| (*a - *b).abs() < 0.1);
    let exposures = different.len();
    if exposures < FEWEST_EXPOSURES { Err(Refusal::NothingDiffers { exposures }) } else { Ok(()) }
}

fn check_alike(first: &SeriesFrame, others: &[&SeriesFrame]) -> Result<(), Refusal> {
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
