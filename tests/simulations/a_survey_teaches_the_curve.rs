//! The frames of a light survey make a camera's curve known, within what is stated; and a light that was turned between them, or a
//! sitter who moved, doesn't lead astray.
//!
//! CHECK: light adds, so the truth is known exactly. Invented lights and scenes, and cameras drawn from the stock curve's doubt.

use crate::assert_share;
use crate::harness::random::Random;
use crate::harness::whole;
use crate::learning_takes_no_frame_in_which_a_light_moved::camera;
use greyhold::calibration::teach_by_sum;
use greyhold::config::Curves;
use greyhold::numbers::FrameNumber;
use greyhold::photometry::Stops;
use greyhold::response::{Addend, Curve, Response, Superposition};

const COLUMNS: usize = 96;
const ROWS: usize = 64;

/// What goes wrong between the frames of a survey.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Slip {
    Nothing,
    /// One light was turned by a click between its own frame and the last.
    Turned,
    /// Features lie elsewhere in every frame.
    Moved,
}

/// A smooth field about nought, of a deviation of about one: a few waves.
fn smooth(random: &mut Random, finest: f64) -> Vec<f64> {
    let waves: Vec<[f64; 3]> = (0..8)
        .map(|_| [random.between(-finest, finest), random.between(-finest, finest), random.between(0.0, 6.3)])
        .collect();
    let value = |at: usize| {
        let (x, y) = ((at % COLUMNS) as f64 / COLUMNS as f64, (at / COLUMNS) as f64 / ROWS as f64);
        waves.iter().map(|[u, v, phase]| (6.3 * (u * x + v * y) + phase).sin()).sum::<f64>() / 2.0
    };
    (0..COLUMNS * ROWS).map(value).collect()
}

/// A survey of two to four lights and the room, through a camera.
fn survey(camera: &Response, slip: Slip, random: &mut Random) -> Superposition {
    let count = random.pick(&[2, 3, 3, 4]);
    let scene: Vec<f64> = smooth(random, 5.0).iter().map(|v| 0.8 * v - 0.6).collect();
    let lights: Vec<Vec<f64>> = (0..count)
        .map(|nth| {
            let level = if nth == 0 { 0.0 } else { random.between(-2.5, 0.3) };
            smooth(random, 1.2).iter().map(|v| level + 0.9 * v).collect()
        })
        .collect();
    let room = random.between(-8.5, -6.0);
    let turned = if slip == Slip::Turned { random.pick(&[-1.0 / 3.0, 1.0 / 3.0]) } else { 0.0 };
    let shot = |light: &dyn Fn(usize) -> f64, random: &mut Random| -> Vec<Option<f64>> {
        let moved = smooth(random, 9.0);
        (0..COLUMNS * ROWS)
            .map(|at| {
                let off = if slip == Slip::Moved { 0.12 * moved[at] * moved[at] } else { 0.012 * moved[at] };
                let code = camera.code(Stops((light(at).log2() + scene[at]) + off + 0.015 * random.normal()));
                (code < 250.0).then(|| (code + 0.3 * random.normal()).clamp(0.0, 255.0))
            })
            .collect()
    };
    let mut addends = Vec::new();
    for (nth, light) in lights.iter().enumerate() {
        let level = 0.015 * random.normal() + if nth == 0 { turned } else { 0.0 };
        let codes = shot(&|at| (light[at] + level).exp2() + room.exp2(), random);
        addends.push(Addend { codes, factor: 1.0 });
    }
    // The room alone was exposed ten times as long.
    let codes = shot(&|_| 10.0 * room.exp2(), random);
    addends.push(Addend { codes, factor: (1.0 - f64::from(count)) / 10.0 });
    let levels: Vec<f64> = (0..count).map(|_| 0.015 * random.normal()).collect();
    let together = |at: usize| lights.iter().zip(&levels).map(|(l, v)| (l[at] + v).exp2()).sum::<f64>() + room.exp2();
    Superposition { addends, all: shot(&together, random), columns: COLUMNS }
}

/// Two stops about mid-grey by a curve, less two.
fn two_stops(curve: &Curve, truth: &Response) -> f64 {
    let response = Response::unnamed(curve);
    let (low, high) = (truth.code(Stops(-1.0)), truth.code(Stops(1.0)));
    (response.light(high) - response.light(low)).0 - 2.0
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[test]
fn a_survey_makes_the_curve_known_within_what_is_stated() {
    let curves = Curves::stock_only();
    let stock = curves.stock().curve().unwrap();
    let mut random = Random(1207);
    let played = if whole() { 400 } else { 60 };
    for slip in [Slip::Nothing, Slip::Moved, Slip::Turned] {
        let (mut before, mut after, mut inside) = (Vec::new(), Vec::new(), 0);
        for _ in 0..played {
            let truth = camera(stock, &mut random);
            let light = survey(&truth, slip, &mut random);
            let frames = (1..4).map(FrameNumber::new).collect();
            let Some(lesson) = teach_by_sum(frames, &light, stock) else { continue };
            let off = two_stops(&lesson.curve, &truth).abs();
            before.push(two_stops(stock, &truth).abs());
            inside += usize::from(off <= lesson.uncertainty[1].0);
            after.push(off);
        }
        let lessons = after.len();
        println!("{slip:?}: {lessons} lessons of {played}, {inside} of them within what is stated");
        match slip {
            Slip::Nothing => {
                let [before, after] = [before, after].map(|mut off| median(&mut off));
                println!("  two stops are off by {before:.3} before and by {after:.3} after");
                assert_share(lessons, played, 0.85, "surveys that teach");
                assert_share(inside, lessons, 0.93, "curves within what is stated");
                assert!(after < 0.25 * before);
            }
            Slip::Moved | Slip::Turned => assert_share(
                played - lessons,
                played,
                0.98,
                "surveys in which something else changed, and which don't teach",
            ),
        }
    }
}
