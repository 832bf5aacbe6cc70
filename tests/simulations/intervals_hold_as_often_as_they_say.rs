//! A stated 95 % interval holds the truth in about 95 of 100 cases: not in fewer, and not always, for an interval
//! that always holds is too wide. By simulation, where the truth is known.
//!
//! The simulation is invented data, drawn from what the code takes for granted of cameras, settings and frames. So it proves the
//! arithmetic that leads from there to an interval; whether real cameras are so is asked of real series elsewhere.
use crate::harness::random::Random;
use greyhold::config::Curves;
use greyhold::drift::observe;
use greyhold::meter::Reading;
use greyhold::photometry::Stops;
use greyhold::response::{Curve, Exposed, Response, fit};
use serde_json::json;

/// What a code of a frame is off, and its light, each by one standard deviation (as src/response/curve.rs takes it; the
/// light's is that of two frames).
const CODE_NOISE: f64 = 0.6;
const LIGHT_NOISE: f64 = 0.03;
/// How far exposures are off their settings, standard deviation.
const SCATTER: f64 = 0.04;
/// Errors of a frame hang together: this many are independent.
const INDEPENDENT: usize = 6;

/// A camera that a curve's uncertainty allows.
fn camera(likely: &Curve, random: &mut Random) -> Response {
    let factor = likely.covariance.clone().cholesky().unwrap().l();
    loop {
        let draw = nalgebra::DVector::from_fn(likely.mean.len(), |_, _| random.normal());
        let curve = Curve { mean: &likely.mean + &factor * draw, covariance: likely.covariance.clone() };
        let table = curve.table();
        let rises = (20..240).all(|c| table[c + 1] - table[c] > 2e-3);
        let response = Response::unnamed(&curve);
        let steep = response.light(250.0) - response.light(6.0);
        if rises && (Stops(4.0)..Stops(12.0)).contains(&steep) {
            return response;
        }
    }
}

/// Codes at a scene's quantiles under an exposure. Quantiles of one kind err together, and by `more` than usual.
fn codes(scene: &[f64], camera: &Response, light: f64, more: f64, random: &mut Random) -> Vec<f64> {
    let mut error = |size: f64| -> Vec<f64> { (0..INDEPENDENT).map(|_| size * more * random.normal()).collect() };
    let (of_code, of_light) = (error(CODE_NOISE), error(LIGHT_NOISE / std::f64::consts::SQRT_2));
    let code =
        |(at, s): (usize, &f64)| camera.code(Stops(s + light + of_light[at % INDEPENDENT])) + of_code[at % INDEPENDENT];
    scene.iter().enumerate().map(code).collect()
}

/// A frame that shows every place.
fn exposed(codes: &[f64], exposure: f64) -> Exposed {
    Exposed::new(codes.iter().copied().map(Some), Stops(exposure))
}

fn scene(count: usize, random: &mut Random) -> Vec<f64> {
    let mut scene: Vec<f64> = (0..count).map(|_| 1.2 * random.normal() - 0.3).collect();
    scene.sort_by(f64::total_cmp);
    scene
}

/// Root mean square of errors over their stated standard deviations: 1 when what is stated is so.
fn honesty(errors: &[f64]) -> f64 {
    (errors.iter().map(|e| e * e).sum::<f64>() / errors.len() as f64).sqrt()
}

/// However many frames a bracket has, its curve is off by about as much as it says.
#[test]
fn a_brackets_curve_is_as_sure_as_it_says() {
    let curves = Curves::stock_only();
    let prior = curves.stock().curve().unwrap().loosened(2.0);
    let mut random = Random(7);
    for (frames, step, more) in [(3, 1.0, 1.0), (5, 1.0, 1.0), (9, 0.5, 1.0), (18, 0.25, 1.0), (9, 0.5, 3.0)] {
        let (mut errors, mut stated) = (Vec::new(), 0.0);
        for _ in 0..200 {
            let truth = camera(&prior, &mut random);
            let scene = scene(90, &mut random);
            let bracket: Vec<Exposed> = (0..frames)
                .map(|i| {
                    let exposure = (i as f64 - (frames - 1) as f64 / 2.0) * step;
                    let light = exposure + SCATTER * random.normal();
                    exposed(&codes(&scene, &truth, light, more, &mut random), exposure)
                })
                .collect();
            let found = fit(&bracket, &prior).unwrap();
            let (low, high) = (truth.code(Stops(-1.0)), truth.code(Stops(1.0)));
            let response = Response::unnamed(&found.curve);
            let deviation = found.curve.deviation([(low, high, 1.0)].into_iter());
            stated += deviation.0 / 200.0;
            errors.push(((response.light(high) - response.light(low)).0 - 2.0) / deviation.0);
        }
        let (honesty, inside) = (honesty(&errors), errors.iter().filter(|e| e.abs() <= 1.96).count());
        println!(
            "{frames} frames, {step} stop apart, noise times {more}: two stops stated to {stated:.4} (one deviation), off by {honesty:.2} \
             of it, {inside} of 200 within the interval"
        );
        assert!((0.65..1.35).contains(&honesty), "{frames} frames: {honesty}");
    }
}

/// A frame that is given several times over says no more than once.
#[test]
fn frames_count_once_each() {
    let curves = Curves::stock_only();
    let prior = curves.stock().curve().unwrap().loosened(2.0);
    let mut random = Random(11);
    let truth = camera(&prior, &mut random);
    let scene = scene(90, &mut random);
    let uncertainty = |frames: usize, random: &mut Random| {
        let bracket: Vec<Exposed> = (0..frames)
            .map(|i| {
                let exposure = (i % 3) as f64;
                exposed(&codes(&scene, &truth, exposure - 1.0, 1.0, random), exposure)
            })
            .collect();
        fit(&bracket, &prior).unwrap().curve.deviation([(80.0, 160.0, 1.0)].into_iter()).0
    };
    let (few, many) = (uncertainty(6, &mut random), uncertainty(24, &mut random));
    println!("6 frames leave {few:.4} in doubt, 24 leave {many:.4}");
    // Four times the frames halve a deviation at the best; they'd quarter it if every pair counted as news.
    assert!(many > 0.45 * few && many < few, "{few} {many}");
}

/// Where frames speak against any curve that rises, the uncertainty says so.
#[test]
fn frames_that_contradict_every_curve_leave_it_in_doubt() {
    let curves = Curves::stock_only();
    let prior = curves.stock().curve().unwrap().loosened(2.0);
    let mut random = Random(3);
    let scene = scene(90, &mut random);
    let stock = curves.stock();
    // A camera whose codes fall again where light rises from a stop under mid-grey to one above it.
    let folded = |light: f64| if light.abs() < 1.0 { -light } else { light };
    let frames = |is_folded: bool| -> Vec<Exposed> {
        (0..9)
            .map(|i| {
                let exposure = f64::from(i) * 0.5 - 2.0;
                let code = |s: &f64| {
                    let light = s + exposure;
                    stock.code(Stops(if is_folded { folded(light) } else { light }))
                };
                exposed(&scene.iter().map(code).collect::<Vec<f64>>(), exposure)
            })
            .collect()
    };
    let (low, high) = (stock.code(Stops(-0.6)), stock.code(Stops(0.6)));
    let uncertainty =
        |is_folded| fit(&frames(is_folded), &prior).unwrap().curve.deviation([(low, high, 1.0)].into_iter()).0;
    let (sound, contradicted) = (uncertainty(false), uncertainty(true));
    println!("sound frames leave {sound:.4} in doubt, contradictory ones {contradicted:.4}");
    assert!(contradicted > 2.0 * sound, "{sound} {contradicted}");
    let table = Response::unnamed(&fit(&frames(true), &prior).unwrap().curve);
    assert!((0..255).all(|c| table.light(f64::from(c + 1)) > table.light(f64::from(c))), "it rises all the same");
}

/// A reading as a frame's record holds it.
fn reading(quantiles: &[f64]) -> Reading {
    let area = json!({"left": 0.0, "top": 0.0, "right": 1.0, "bottom": 1.0});
    let none = [0.0; 3];
    serde_json::from_value(json!({
        "spot": "whole", "area": area, "level": 0.0, "quantiles": quantiles, "histogram": [], "clipped_high": none,
        "clipped_low": none, "rgb": none, "pixels": 1
    }))
    .unwrap()
}

/// The picture's own interval, for all distances of two frames: by the stock curve and by one that is well known.
#[test]
fn an_observed_change_is_as_sure_as_it_says() {
    let curves = Curves::stock_only();
    let stock = curves.stock().curve().unwrap();
    let known = Curve { mean: stock.mean.clone(), covariance: &stock.covariance * 0.01 };
    let mut random = Random(19);
    // Noise, framing and rounding that no curve accounts for (src/drift/observed.rs), standard deviation.
    let framing = 0.03;
    for (name, likely, spread) in
        [("stock", stock, 0.02), ("known", &known, 0.02), ("known, a sitter who moves", &known, 0.15)]
    {
        for apart in [0.0, 0.7, 1.5] {
            let response = Response::unnamed(likely);
            let (mut errors, mut inside, mut width) = (Vec::new(), 0.0, 0.0);
            for _ in 0..600 {
                let truth = camera(likely, &mut random);
                let scene = scene(64, &mut random);
                let level = -apart / 2.0;
                let moved: Vec<f64> = (0..INDEPENDENT).map(|_| spread * random.normal()).collect();
                let common = framing * random.normal();
                let codes = |with: bool| -> Vec<f64> {
                    let seen = scene.iter().enumerate().map(|(at, s)| {
                        let more = if with { apart + common + moved[at % INDEPENDENT] } else { 0.0 };
                        truth.code(Stops(s + level + more))
                    });
                    seen.collect()
                };
                let Some(seen) = observe(&reading(&codes(false)), &reading(&codes(true)), &response) else { continue };
                let error = (seen.drift - Stops(apart)).0;
                inside += f64::from(u8::from(error.abs() <= seen.half_width.0));
                width += seen.half_width.0;
                errors.push(error / seen.half_width.0 * 1.96);
            }
            let count = errors.len() as f64;
            println!(
                "{name}, {apart} stop: half-width {:.3}, off by {:.2} of the stated deviation, {:.1} % of {count} inside",
                width / count,
                honesty(&errors),
                inside / count * 100.0
            );
            assert!((0.90..=0.99).contains(&(inside / count)), "{name}, {apart} stop: {}", inside / count);
        }
    }
}
