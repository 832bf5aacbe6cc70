//! Sharpness for tools: one JSON object a photograph, a line each, and one for what follows from all.

use serde_json::{Value, json};

use super::measured::Measured;
use crate::sharpness::{KeptAt, Softness, Untold};

pub fn lines(measured: &Measured) -> Vec<String> {
    let mut lines: Vec<String> = (0..measured.shots.len()).map(|shot| of_shot(measured, shot).to_string()).collect();
    let kept = measured.which_aperture.kept.iter().map(|kept| {
        json!({
            "spot": kept.spot,
            "widest_f_number": kept.widest.map(|n| n.marked()),
            "goes_at_f_number": kept.goes_at.map(|n| n.marked()),
        })
    });
    let kept: Vec<Value> = kept.collect();
    lines.push(json!({ "kept": kept, "sentence": KeptAt::sentence(&measured.which_aperture.kept) }).to_string());
    lines
}

fn of_shot(measured: &Measured, at: usize) -> Value {
    let shot = &measured.shots[at];
    let spot = |number: usize| {
        let sharpest = measured.sharpest[number];
        let against = sharpest.map(|sharpest| measured.shots[sharpest].file.display().to_string());
        of_spot(&measured.spots[number], against, &measured.against_sharpest[at][number], sharpest == Some(at))
    };
    let spots: Vec<Value> = match shot.fault {
        Some(_) => Vec::new(),
        None => (0..measured.spots.len()).map(spot).collect(),
    };
    let cause = measured.causes[at].as_ref();
    json!({
        "file": shot.file.display().to_string(),
        "f_number": shot.f_number.map(|n| n.marked()),
        "fault": shot.fault,
        "spots": spots,
        "cause": cause,
        "sentence": cause.map(|cause| cause.sentence()),
    })
}

/// Widths in pixels, shares of 1.
fn of_spot(
    name: &str,
    against: Option<String>,
    measured: &Option<Result<Softness, Untold>>,
    is_sharpest: bool,
) -> Value {
    match measured {
        Some(Ok(softness)) => json!({
            "spot": name, "against": against, "sharpest": is_sharpest, "softness": softness, "disc": softness.disc(),
        }),
        Some(Err(why)) => {
            json!({ "spot": name, "against": against, "sharpest": false, "untold": why, "sentence": why.to_string() })
        }
        None => json!({ "spot": name, "against": against, "sharpest": is_sharpest }),
    }
}
