//! Real faces and things under real single strobes, whose sitters move about before a still backdrop: how far the light changed
//! is read in true stops, and stated with an interval that holds as often as it says.
//!
//! CHECK: sittings of known light that `.ci/strobe-sittings` makes of the Extended Yale Face Database B (Georghiades, Belhumeur
//! and Kriegman, PAMI 2001; Lee, Ho and Kriegman, PAMI 2005) and of the photometric-stereo course data of the University of
//! Washington. Light adds, so that the pictures of single lights make frames of known light. Each sitting has a camera curve of
//! its own, drawn from what the stock curve says of cameras. `GREYHOLD_SITTINGS` names their folder.
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::harness::random::Random;
use greyhold::advice::{Evidence, Finding, Laid, Verdict, judge};
use greyhold::align::{Overlay, Prepared};
use greyhold::config::{Config, Curves};
use greyhold::container::Kind;
use greyhold::drift::Lighting;
use greyhold::frame;
use greyhold::photometry::{Series, Stops};
use greyhold::response::Response;
use greyhold::session::{MeteredFrame, MeteringPlan};
use serde_json::Value;

/// One frame of known light, judged by the curve that nobody knows better, and by the true one.
struct Judged {
    sitting: usize,
    name: String,
    is_unchanged: bool,
    truth: f64,
    stock: Verdict,
    own: Verdict,
}

#[test]
fn the_light_of_sitters_who_move_is_read_in_true_stops() {
    let Some(folder) = sittings() else { return };
    let judged: Vec<Judged> =
        folder.iter().enumerate().flat_map(|(number, sitting)| judge_sitting(number, sitting)).collect();
    let unchanged: Vec<&Judged> = judged.iter().filter(|j| j.is_unchanged).collect();
    let alike: Vec<&Judged> = judged.iter().filter(|j| !j.is_unchanged).collect();
    println!(
        "{} sittings: {} frames of unchanged light, {} in which all lights changed alike",
        folder.len(),
        unchanged.len(),
        alike.len()
    );

    let alarms: Vec<&&Judged> = unchanged.iter().filter(|j| j.stock.finding != Finding::Matched).collect();
    println!("unchanged: {} false alarms", alarms.len());
    for j in &alarms {
        println!("  {} ({:+.3}): {}", j.name, j.truth, j.stock.sentence);
    }
    crate::assert_share(unchanged.len() - alarms.len(), unchanged.len(), 0.99, "unchanged frames told as such");

    let mut errors: Vec<f64> = alike.iter().filter_map(|j| Some((j.own.observed?.0 - j.truth).abs())).collect();
    errors.sort_by(f64::total_cmp);
    let at = |share: f64| errors[((errors.len() - 1) as f64 * share) as usize];
    println!(
        "alike, by the true curve: {} told, error {:.3} (median), {:.3} (95 %), {:.3} (worst)",
        errors.len(),
        at(0.5),
        at(0.95),
        at(1.0)
    );
    assert!(errors.len() * 100 >= alike.len() * 95, "told of {} of {}", errors.len(), alike.len());
    assert!(at(0.5) <= 0.03, "{}", at(0.5));

    assert_intervals(&alike, folder.len(), "alike, by the stock curve");
}

/// Told by their settings, or clipped too hard: these have no interval of their own.
fn assert_intervals(frames: &[&Judged], sittings: usize, what: &str) {
    let told: Vec<(usize, f64, f64)> = frames
        .iter()
        .filter_map(|j| Some((j.sitting, (j.stock.observed?.0 - j.truth).abs(), j.stock.observed_uncertainty?.0)))
        .collect();
    let holds = |(_, error, half): &(usize, f64, f64)| error <= half;
    let held = told.iter().filter(|t| holds(t)).count() as f64 / told.len() as f64;
    // The mean interval score (Gneiting and Raftery, JASA 2007): width, and forty times what lies outside.
    let score = told.iter().map(|(_, error, half)| 2.0 * half + 40.0 * (error - half).max(0.0)).sum::<f64>()
        / told.len() as f64;
    let width = told.iter().map(|(.., half)| half).sum::<f64>() / told.len() as f64;
    let [low, high] = bootstrap(sittings, |drawn| {
        let (mut count, mut all) = (0.0, 0.0);
        for (t, times) in told.iter().map(|t| (t, drawn[t.0])) {
            all += times;
            count += if holds(t) { times } else { 0.0 };
        }
        count / all
    });
    println!(
        "{what}: {} told, held {:.1} % (by sitting {:.1} to {:.1} %), mean half-width {width:.3}, mean interval score {score:.3}",
        told.len(),
        held * 100.0,
        low * 100.0,
        high * 100.0
    );
    assert!(low <= 0.95 && high >= 0.95, "{what}: a stated 95 % holds in {:.1} to {:.1} %", low * 100.0, high * 100.0);
}

/// A figure's 95 % interval when whole sittings are drawn anew (Efron 1979).
fn bootstrap(sittings: usize, figure: impl Fn(&[f64]) -> f64) -> [f64; 2] {
    let mut random = Random(5);
    let mut figures: Vec<f64> = (0..1000)
        .map(|_| {
            let mut drawn = vec![0.0; sittings];
            (0..sittings).for_each(|_| drawn[(random.next() * sittings as f64) as usize] += 1.0);
            figure(&drawn)
        })
        .collect();
    figures.sort_by(f64::total_cmp);
    [figures[25], figures[974]]
}

/// The folders of the sittings, or of a sample of them.
fn sittings() -> Option<Vec<PathBuf>> {
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/outside/sittings");
    let folder = std::env::var_os("GREYHOLD_SITTINGS").map_or(own, PathBuf::from);
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
    let truth: Value = serde_json::from_slice(&fs::read(folder.join("truth.json")).unwrap()).unwrap();
    let curve: Vec<f64> = truth["curve"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
    let own = Response::of_table("true", curve.try_into().unwrap());
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
                is_unchanged: told["kind"] == "unchanged",
                truth: told["change"].as_f64().unwrap(),
                stock: verdict(&reference, &frame, &overlay, &stock),
                own: verdict(&reference, &frame, &overlay, &own),
            }
        })
        .collect()
}

fn metered(path: &Path) -> Arc<MeteredFrame> {
    let frame = frame::read(Kind::of(path).unwrap(), path, Series::Thirds).unwrap();
    Arc::new(MeteringPlan::of(&Config::default()).meter(frame))
}

fn verdict(reference: &MeteredFrame, frame: &MeteredFrame, overlay: &Overlay, response: &Response) -> Verdict {
    let config = Config::default();
    judge(&Evidence {
        reference: Some(&reference.observation),
        frame: &frame.observation,
        previous: None,
        response,
        judged_spot: &config.judged_spot,
        lighting: Lighting::Flash,
        tolerance: config.tolerance,
        recycle_seconds: config.recycle_time.as_secs_f64(),
        moved: Some(Stops::ZERO),
        followed: None,
        is_ahead: false,
        light_alone: false,
        lights: None,
        colour_limit: config.colour_limit,
        laid: Some(Laid { overlay, anchor: None }),
    })
}
