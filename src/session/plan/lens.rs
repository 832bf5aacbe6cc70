//! What sharpness is planned for: a lens, and a subject before it.

use serde::{Deserialize, Serialize};

use crate::optics::{
    CircleOfConfusion, Depth, FocalLength, Focus, Micrometres, OpticsError, Part, PixelsAcross, Sensor, Sharpness,
    Subject, read_distance,
};
use crate::photometry::{FNumber, Series};

/// What sharpness is worked out for.
#[derive(Debug, Clone)]
pub struct Lens {
    pub subject: Subject,
    pub sensor: Sensor,
    pub pixel: Option<Micrometres>,
    pub series: Series,
    /// Whether the circle of confusion is the usual part of the diagonal.
    pub usual_circle: bool,
    /// Whether nobody named the sensor.
    pub usual_sensor: bool,
}

/// The same as people write it: `85mm`, `1.8m`, `36x24mm`, `6000`, `nose -3cm, ears 10cm`, `0.03mm`.
#[derive(Debug, Clone, Default, PartialEq, Deserialize, Serialize)]
#[serde(deny_unknown_fields, default)]
pub struct LensWords {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub focal_length: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub distance: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sensor: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pixels: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub depths: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub circle_of_confusion: Option<String>,
}

/// Words that make no lens. What is wrong is named as [`LensWords`] names it.
#[derive(Debug, Clone, PartialEq)]
pub enum LensFault {
    /// One of them says nothing without others.
    Needs {
        of: &'static str,
        missing: Vec<(&'static str, &'static str)>,
    },
    Wrong {
        of: &'static str,
        why: OpticsError,
    },
}

const FOCAL_LENGTH: (&str, &str) = ("focal_length", "85mm");
const DISTANCE: (&str, &str) = ("distance", "1.8m");

impl LensFault {
    /// In a sentence, with the names as `named` writes them.
    pub fn in_words(&self, named: impl Fn(&str) -> String) -> String {
        match self {
            LensFault::Needs { of, missing } => {
                let missing: Vec<String> =
                    missing.iter().map(|(name, example)| format!("{} {example}", named(name))).collect();
                format!("{}: it needs more: add {}", named(of), missing.join(" and "))
            }
            LensFault::Wrong { of, why } => format!("{}: {why}", named(of)),
        }
    }
}

fn of(name: &'static str) -> impl Fn(OpticsError) -> LensFault {
    move |why| LensFault::Wrong { of: name, why }
}

impl Lens {
    /// `Ok(None)` where nobody asks for sharpness.
    ///
    /// # Errors
    /// Words that can't be read, that say nothing without others, or that come to no picture.
    pub fn read(words: &LensWords, series: Series) -> Result<Option<Lens>, LensFault> {
        let Some(focus) = focus(words)? else { return Ok(None) };
        let sensor = words.sensor.as_ref().map(|text| text.parse().map_err(of("sensor"))).transpose()?;
        let circle = words.circle_of_confusion.as_ref();
        let circle: Option<CircleOfConfusion> =
            circle.map(|text| text.parse().map_err(of("circle_of_confusion"))).transpose()?;
        let parts = words.depths.as_ref().map_or_else(|| Ok(Part::of_a_face()), |text| Part::read_all(text));
        let pixels: Option<PixelsAcross> =
            words.pixels.as_ref().map(|text| text.parse().map_err(of("pixels"))).transpose()?;
        let (usual_sensor, usual_circle) = (sensor.is_none(), circle.is_none());
        let sensor = sensor.unwrap_or(Sensor::FULL_FRAME);
        let circle = circle.unwrap_or_else(|| CircleOfConfusion::usual(sensor));
        let subject = Subject::new(focus, circle, parts.map_err(of("depths"))?).map_err(of("depths"))?;
        let pixel = pixels.map(|pixels| pixels.pitch(sensor));
        Ok(Some(Lens { subject, sensor, pixel, series, usual_circle, usual_sensor }))
    }
}

/// Where the lens is focused.
fn focus(words: &LensWords) -> Result<Option<Focus>, LensFault> {
    let needs = |of, missing: &[(&'static str, &'static str)]| Err(LensFault::Needs { of, missing: missing.to_vec() });
    let (focal_length, distance) = match (&words.focal_length, &words.distance) {
        (Some(focal_length), Some(distance)) => (focal_length, distance),
        (Some(_), None) => return needs(FOCAL_LENGTH.0, &[DISTANCE]),
        (None, Some(_)) => return needs(DISTANCE.0, &[FOCAL_LENGTH]),
        (None, None) => {
            let only_with_a_lens = [
                ("sensor", &words.sensor),
                ("pixels", &words.pixels),
                ("depths", &words.depths),
                ("circle_of_confusion", &words.circle_of_confusion),
            ];
            return match only_with_a_lens.iter().find(|(_, given)| given.is_some()) {
                Some((name, _)) => needs(name, &[FOCAL_LENGTH, DISTANCE]),
                None => Ok(None),
            };
        }
    };
    let focal_length: FocalLength = focal_length.parse().map_err(of(FOCAL_LENGTH.0))?;
    let distance = read_distance(distance).map_err(of(DISTANCE.0))?;
    Focus::new(focal_length, distance).map(Some).map_err(of(DISTANCE.0))
}

/// Beyond the outermost parts, this share of the range between them is shown.
const MARGIN: f64 = 0.15;

/// All in one plane: a hand's breadth of it is shown, in metres.
const OF_A_PLANE: f64 = 0.05;

/// The depths that a drawing shows: all parts, the point in focus, and a margin on both sides, within a kilometre.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DepthRange {
    pub first: Depth,
    pub last: Depth,
}

impl DepthRange {
    pub fn of(lens: &Lens) -> DepthRange {
        let depths = lens.subject.parts().iter().map(|part| part.depth.metres());
        let (first, last) = depths.fold((0.0, 0.0), |(first, last): (f64, f64), d| (first.min(d), last.max(d)));
        let margin = if last - first > 1e-6 { (last - first) * MARGIN } else { OF_A_PLANE };
        DepthRange { first: Depth::nearest(first - margin), last: Depth::nearest(last + margin) }
    }

    /// Where a depth lies in the range, from 0 to 1; beyond its ends, there.
    pub fn place(self, depth: Depth) -> f64 {
        let from_first = |depth: Depth| depth.metres() - self.first.metres();
        (from_first(depth) / from_first(self.last)).clamp(0.0, 1.0)
    }

    /// The depth at a place from 0 to 1.
    pub fn at(self, place: f64) -> Depth {
        let [first, last] = [self.first, self.last].map(Depth::metres);
        Depth::nearest(first + (last - first) * place)
    }

    /// From where to where of the range is sharp.
    pub fn sharp(self, sharp: &Sharpness) -> [f64; 2] {
        [self.place(sharp.near), sharp.far.map_or(1.0, |far| self.place(far))]
    }
}

/// Apertures from which something else holds, as the camera marks them. `None` where there is none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LensMarks {
    /// The widest at which all parts are sharp.
    pub widest: Option<FNumber>,
    /// From which diffraction alone blurs more than the circle of confusion.
    pub passes_circle: Option<FNumber>,
    /// From which its disk is wider than a pixel.
    pub passes_pixel: Option<FNumber>,
}

impl Lens {
    pub fn marks(&self) -> LensMarks {
        let passes = |limit| self.subject.diffraction_passes(limit, self.series);
        LensMarks {
            widest: self.subject.widest(self.series),
            passes_circle: passes(self.subject.circle().diameter()),
            passes_pixel: self.pixel.and_then(passes),
        }
    }
}
