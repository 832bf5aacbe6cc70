//! Sittings of known light: real faces and things under real single strobes, whose sitters move about before a still backdrop.
//!
//! CHECK: `.ci/strobe-sittings` makes them of the Extended Yale Face Database B (Georghiades, Belhumeur and Kriegman, PAMI 2001;
//! Lee, Ho and Kriegman, PAMI 2005) and of the photometric-stereo course data of the University of Washington. Light adds, so
//! that the pictures of single lights make frames of known light. Each sitting has a camera curve of its own, drawn from what the
//! stock curve says of cameras.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

use crate::harness::sittings::{Rig, config};
use greyhold::advice::{Evidence, Laid, Verdict, judge};
use greyhold::align::{Overlay, Prepared};
use greyhold::config::{Config, Curves};
use greyhold::container::Kind;
use greyhold::drift::{Lighting, change_map};
use greyhold::frame;
use greyhold::photometry::{Series, Stops};
use greyhold::response::Response;
use greyhold::session::{MeteredFrame, MeteringPlan};
use serde_json::Value;

/// One frame of known light, judged by the curve that nobody knows better, and by the true one.
pub struct Judged {
    pub sitting: usize,
    pub name: String,
    /// 'unchanged', 'alike' (all lights changed so), or 'single' (one of them did, or was out).
    pub kind: String,
    /// Its sitter's head turned, too.
    pub head_turned: bool,
    pub truth: f64,
    /// Share of the scene whose light changed by more than 0.15 stop, by the true curve.
    pub changed: f64,
    pub stock: Verdict,
    pub own: Verdict,
}

/// Frames in which all lights changed alike, or none; `None` where there are no sittings.
pub fn alike() -> Option<&'static [Judged]> {
    static ALIKE: OnceLock<Option<Vec<Judged>>> = OnceLock::new();
    ALIKE.get_or_init(|| judged("GREYHOLD_SITTINGS", "sittings")).as_deref()
}

/// All frames of the sittings that a variable names the folder of, else of those that CI makes.
pub fn judged(variable: &str, made: &str) -> Option<Vec<Judged>> {
    let folders = folders(variable, made)?;
    Some(folders.iter().enumerate().flat_map(|(number, sitting)| judge_sitting(number, sitting)).collect())
}

/// The folders of the sittings, or of a sample of them.
pub fn folders(variable: &str, made: &str) -> Option<Vec<PathBuf>> {
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/outside").join(made);
    let folder = std::env::var_os(variable).map_or(own, PathBuf::from);
    let Ok(entries) = fs::read_dir(&folder) else {
        println!("skipped: there are no sittings of known light in {}", folder.display());
        return None;
    };
    let mut found: Vec<PathBuf> =
        entries.flatten().map(|e| e.path()).filter(|p| p.join("truth.json").exists()).collect();
    found.sort();
    if !crate::harness::whole() {
        found.truncate(24);
    }
    Some(found)
}

fn judge_sitting(sitting: usize, folder: &Path) -> Vec<Judged> {
    let truth = truth_of(folder);
    let own = Response::of_table("true", curve_of(&truth));
    let stock = Curves::stock_only().stock().clone();
    let reference = metered(&folder.join("reference.jpg"));
    let prepared = Prepared::of(reference.picture.as_ref().unwrap());
    let frames = truth["frames"].as_array().unwrap().iter();
    frames
        .map(|told| {
            let file = told["file"].as_str().unwrap();
            let frame = metered(&folder.join(file));
            let overlay = Overlay::of(&prepared, &Prepared::of(frame.picture.as_ref().unwrap()));
            Judged {
                sitting,
                name: format!("{}/{file}", folder.file_name().unwrap().display()),
                kind: told["kind"].as_str().unwrap().to_owned(),
                head_turned: told["move"] == "walkhead",
                changed: overlay.alignment().map_or(0.0, |alignment| {
                    let map = change_map(alignment, &own);
                    map.iter().filter(|patch| patch.change.abs() > Stops(0.15)).count() as f64 / map.len().max(1) as f64
                }),
                truth: told["change"].as_f64().unwrap(),
                stock: verdict(&reference, &frame, &overlay, &stock),
                own: verdict(&reference, &frame, &overlay, &own),
            }
        })
        .collect()
}

pub fn truth_of(folder: &Path) -> Value {
    serde_json::from_slice(&fs::read(folder.join("truth.json")).unwrap()).unwrap()
}

/// The camera's true curve, in stops of each code.
pub fn curve_of(truth: &Value) -> [f64; 256] {
    let curve: Vec<f64> = truth["curve"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
    curve.try_into().unwrap()
}

/// A frame as it is metered where there are several lights.
pub fn metered(path: &Path) -> Arc<MeteredFrame> {
    let frame = frame::read(Kind::of(path).unwrap(), path, Series::Thirds).unwrap();
    let config = Config { groups: config(&Rig::portrait()).groups, ..Config::default() };
    Arc::new(MeteringPlan::of(&config).meter(frame))
}

fn verdict(reference: &MeteredFrame, frame: &MeteredFrame, overlay: &Overlay, response: &Response) -> Verdict {
    let config = Config::default();
    judge(&Evidence {
        reference: Some(&reference.observation),
        frame: &frame.observation,
        building: false,
        told: None,
        previous: None,
        response,
        judged_spot: &config.judged_spot,
        lighting: Lighting::Flash,
        tolerance: config.tolerance,
        recycle_seconds: config.recycle_time.as_secs_f64(),
        moved: Some(Stops::ZERO),
        followed: None,
        filter_before: None,
        light_alone: false,
        lights: None,
        passive: None,
        colour_limit: config.colour_limit,
        laid: Some(Laid { overlay, anchor: None }),
    })
}
