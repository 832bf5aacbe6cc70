//! Response curves on the disk: the stock curve, and those that cameras were calibrated to.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::time::SystemTime;

use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::ConfigError;
use super::reading::text_of;
use crate::files;
use crate::frame::HeifRange;
use crate::photometry::Stops;
use crate::response::{Curve, Response, ResponseChoice};
use crate::wording;

const STOCK: &str = include_str!("../../config/responses/stock-camera.yaml");
const EARLIER_STOCK: &str = include_str!("../../config/responses/earlier-stock-cameras.yaml");
const VERSION: u32 = 1;

/// A camera's own curve, as its file holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibrated {
    pub version: u32,
    pub camera: String,
    /// Colour space of its pictures.
    pub colour: String,
    /// The user's name for the picture profile.
    #[serde(alias = "look")]
    pub profile: String,
    pub made: Made,
    pub luminance: Curve,
    pub red: Curve,
    pub green: Curve,
    pub blue: Curve,
}

/// How a curve came to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Made {
    pub program: String,
    pub at: String,
    pub frames: usize,
    /// Median difference of the frames' tones from the curve.
    pub residual: Stops,
    /// How far an exposure is off its settings, standard deviation.
    pub scatter: Stops,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Stock {
    name: String,
    #[serde(rename = "provenance")]
    _provenance: String,
    luminance: Curve,
}

/// A stock curve of an earlier day.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EarlierStock {
    name: String,
    light: Vec<f64>,
}

/// The curves that readings of a log up to format 4 may name and that every program knows.
#[allow(clippy::expect_used, reason = "the curves are part of the program, and a test reads them")]
static OF_EARLIER_LOGS: LazyLock<Vec<Response>> = LazyLock::new(|| {
    let stock: Vec<EarlierStock> = serde_yaml::from_str(EARLIER_STOCK).expect("the built-in curves are sound");
    let stock = stock.into_iter().map(|s| {
        let table = s.light.try_into().expect("a built-in curve has 256 values");
        Response::of_table(&s.name, table)
    });
    [Response::raw(), Response::srgb()].into_iter().chain(stock).collect()
});

/// A curve that readings of a log up to format 4 went through, by its name. A calibrated camera's is not among them.
pub fn curve_of_earlier_logs(name: &str) -> Option<Response> {
    OF_EARLIER_LOGS.iter().find(|r| r.name == name).cloned()
}

/// A curve's file can't be used.
#[derive(Debug, Error)]
pub enum CurveError {
    #[error("the response curve {0}")]
    Unreadable(ConfigError),
    #[error("the response curve {file} is not sound ({fault}): calibrate anew, or take it away")]
    Unsound { file: PathBuf, fault: String },
    #[error("the response curve {file} can't be written: {cause}")]
    Unwritable { file: PathBuf, cause: std::io::Error },
}

/// All curves there are.
#[derive(Debug, Clone)]
pub struct Curves {
    stock: Response,
    /// In the stock curve's place for HEIF pictures, whose curves nobody measured: the same, held unsurely.
    heif: Response,
    /// And for those that show more than a screen's white.
    heif_high: Response,
    own: Vec<(Calibrated, Response)>,
}

/// Where calibrated curves are kept unless the configuration says otherwise.
pub fn usual_folder() -> Option<PathBuf> {
    directories::ProjectDirs::from("", "", "greyhold").map(|d| d.data_dir().join("curves"))
}

impl Calibrated {
    pub fn new(camera: String, colour: String, profile: String, made: Made, curves: [Curve; 4]) -> Calibrated {
        let [luminance, red, green, blue] = curves;
        Calibrated { version: VERSION, camera, colour, profile, made, luminance, red, green, blue }
    }

    /// The file that this curve is kept in, beside older ones of the same camera, colour space and look.
    pub fn file_in(&self, folder: &Path) -> PathBuf {
        let plain = |text: &str| {
            let spelled: String =
                text.chars().map(|c| if c.is_alphanumeric() { c.to_ascii_lowercase() } else { '-' }).collect();
            spelled.trim_matches('-').to_owned()
        };
        let parts = [&self.camera, &self.colour, &self.profile, &self.made.at].map(|part| plain(part));
        folder.join(format!("{}.yaml", parts.join("_")))
    }

    /// Writes the curve whole or not at all.
    pub fn write(&self, file: &Path) -> Result<(), CurveError> {
        let unwritable = |cause| CurveError::Unwritable { file: file.to_owned(), cause };
        let text = serde_yaml::to_string(self)
            .map_err(|e| CurveError::Unsound { file: file.to_owned(), fault: e.to_string() })?;
        if let Some(folder) = file.parent() {
            std::fs::create_dir_all(folder).map_err(unwritable)?;
        }
        files::replace(file, text.as_bytes()).map_err(unwritable)
    }

    pub fn read(file: &Path) -> Result<Calibrated, CurveError> {
        let text = text_of(file).map_err(CurveError::Unreadable)?;
        let unsound = |fault: String| CurveError::Unsound { file: file.to_owned(), fault };
        let curve: Calibrated = serde_yaml::from_str(&text).map_err(|e| unsound(wording::of_fault(&e.to_string())))?;
        if curve.version == VERSION {
            Ok(curve)
        } else {
            Err(unsound(format!("its format is of version {}, this program knows {VERSION}", curve.version)))
        }
    }

    /// The curve under the name that verdicts tell: made anew, it is another curve.
    pub fn response(&self) -> Response {
        let name = format!("{} / {} / {} of {}", self.camera, self.colour, self.profile, self.made.at);
        let channels = [&self.red, &self.green, &self.blue].map(Clone::clone);
        Response::new(name, self.luminance.clone(), Some(channels), self.made.scatter)
    }
}

impl Curves {
    /// The stock curve alone.
    pub fn stock_only() -> Curves {
        let stock = built_in(STOCK);
        let unproved = |name: &str, curve: Curve| Response::new(name.to_owned(), curve, None, Stops::ZERO);
        let heif = stock.curve().map_or_else(Curve::vague, Curve::of_unsure_range);
        let heif_high = unproved("unproved-heif-high-range", Curve::vague());
        Curves { heif: unproved("unproved-heif", heif), heif_high, stock, own: Vec::new() }
    }

    /// With the calibrated ones of a folder; those that can't be used are told.
    pub fn of_folder(folder: Option<&Path>) -> (Curves, Vec<CurveError>) {
        let (mut curves, mut faults) = (Curves::stock_only(), Vec::new());
        let entries = folder.and_then(|f| std::fs::read_dir(f).ok()).into_iter().flatten().flatten();
        let mut files: Vec<PathBuf> = entries.map(|e| e.path()).collect();
        files.sort();
        for file in files.iter().filter(|f| f.extension().is_some_and(|e| e == "yaml")) {
            match Calibrated::read(file) {
                Ok(own) => {
                    let response = own.response();
                    curves.own.push((own, response));
                }
                Err(fault) => faults.push(fault),
            }
        }
        (curves, faults)
    }

    /// What lies in the folder, to notice a change by.
    pub fn stamp(folder: Option<&Path>) -> Vec<(PathBuf, Option<SystemTime>, u64)> {
        let entries = folder.and_then(|f| std::fs::read_dir(f).ok()).into_iter().flatten().flatten();
        let stamp = |e: std::fs::DirEntry| {
            let meta = e.metadata().ok();
            (e.path(), meta.as_ref().and_then(|m| m.modified().ok()), meta.map_or(0, |m| m.len()))
        };
        let mut stamps: Vec<_> = entries.map(stamp).collect();
        stamps.sort();
        stamps
    }

    pub fn stock(&self) -> &Response {
        &self.stock
    }

    /// The curve of a picture whose camera is not known: by the name of its colour space.
    pub fn of_no_camera(&self, colour: &str) -> &Response {
        match HeifRange::of(colour) {
            None => &self.stock,
            Some(HeifRange::Standard) => &self.heif,
            Some(HeifRange::High) => &self.heif_high,
        }
    }

    /// What is likely of a camera's pictures in a colour space before it is calibrated.
    pub fn prior(&self, colour: &str) -> Curve {
        self.of_no_camera(colour).curve().cloned().unwrap_or_else(Curve::vague)
    }

    /// The curve to read a picture by. Of several looks of one camera it is the named one, and
    /// without a name the one calibrated last.
    pub fn pick(&self, choice: ResponseChoice, camera: Option<&str>, colour: &str, profile: Option<&str>) -> Response {
        let fits = |c: &Calibrated| {
            Some(c.camera.as_str()) == camera && c.colour == colour && profile.is_none_or(|p| p == c.profile)
        };
        match choice {
            ResponseChoice::Srgb => Response::srgb(),
            ResponseChoice::Stock => self.of_no_camera(colour).clone(),
            ResponseChoice::Camera => {
                let own = self.own.iter().filter(|(c, _)| fits(c)).max_by(|a, b| a.0.made.at.cmp(&b.0.made.at));
                own.map_or(self.of_no_camera(colour), |(_, response)| response).clone()
            }
        }
    }
}

#[allow(clippy::expect_used, reason = "the curves are part of the program, and a test reads them")]
fn built_in(text: &str) -> Response {
    let stock: Stock = serde_yaml::from_str(text).expect("the built-in curve is sound");
    Response::new(stock.name, stock.luminance, None, Stops::ZERO)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stock_curve_is_sound_and_zero_at_mid_grey() {
        let curves = Curves::stock_only();
        assert!(curves.stock().light(118.0).abs() < Stops(1e-9));
    }

    #[test]
    fn every_curve_that_an_earlier_log_may_name_rises_and_none_is_the_present_one() {
        for name in ["raw", "srgb", "stock-camera-1", "stock-camera-2"] {
            let curve = curve_of_earlier_logs(name).unwrap();
            assert!((0..255).all(|code| curve.light(f64::from(code)) < curve.light(f64::from(code + 1))), "{name}");
            assert_ne!(name, Curves::stock_only().stock().name);
        }
        assert!(curve_of_earlier_logs("somebody's own").is_none());
    }

    #[test]
    fn a_cameras_own_curve_is_picked_by_camera_colour_and_look() {
        let folder = tempfile::tempdir().unwrap();
        let made = |at: &str| Made {
            program: "greyhold 0".into(),
            at: at.into(),
            frames: 9,
            residual: Stops(0.01),
            scatter: Stops(0.02),
        };
        let curve = || [(); 4].map(|()| Curve::vague());
        let old = ("plain", "2026-01-01T00:00:00Z");
        for (profile, at) in [old, ("plain", "2026-01-02T00:00:00Z"), ("punchy", "2026-01-03T00:00:00Z")] {
            let own = Calibrated::new("Our One".into(), "sRGB".into(), profile.into(), made(at), curve());
            own.write(&own.file_in(folder.path())).unwrap();
        }
        std::fs::write(folder.path().join("torn.yaml"), "version: 1\ncamera").unwrap();
        let (curves, faults) = Curves::of_folder(Some(folder.path()));
        assert_eq!(faults.len(), 1);
        assert!(faults[0].to_string().contains("torn.yaml"), "{}", faults[0]);
        let pick = |camera, colour, profile| curves.pick(ResponseChoice::Camera, camera, colour, profile).name;
        let newest = pick(Some("Our One"), "sRGB", Some("plain"));
        assert!(newest.contains("plain of 2026-01-02"), "{newest}");
        assert!(pick(Some("Our One"), "sRGB", None).contains("punchy"), "the one calibrated last");
        for (camera, colour, profile) in [
            (Some("Our One"), "Adobe RGB", None),
            (Some("Other"), "sRGB", None),
            (None, "sRGB", None),
            (Some("Our One"), "sRGB", Some("flat")),
        ] {
            assert_eq!(pick(camera, colour, profile), curves.stock().name);
        }
    }
}
