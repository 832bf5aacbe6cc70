//! The stock curve is made of real cameras' curves, and serves a camera that is not among them.
//!
//! CHECK: bracketed series that were published with their settings; the true difference of two
//! frames is that of their settings. Skipped, with a line, where the photographs are not.
//! `GREYHOLD_WRITE_FIXTURES=1` makes the stock curve anew.

use std::path::Path;
use std::sync::Arc;

use crate::harness::real_frames;
use greyhold::align::CodePicture;
use greyhold::calibration::{Column, SeriesFrame, accuracy};
use greyhold::config::Curves;
use greyhold::container::Kind;
use greyhold::drift::Lighting;
use greyhold::frame::{self, Picture};
use greyhold::meter::{Spot, meter};
use greyhold::photometry::{Series, Stops};
use greyhold::response::{Curve, Exposed, Response, Tones, fit};
use greyhold::statistics::Z95;

/// Cameras of fixed rendering: the folder, and the f-number left out for being out of focus.
const SERIES: [(&str, Option<&str>); 5] =
    [("third-stops", None), ("series-b", None), ("series-c", None), ("series-d", None), ("aperture-grid", Some("1.4"))];
/// Differences between cameras that a sample of five can't show.
const SMOOTH: f64 = 1.2;

/// Parts along each side of the frame, and quantiles of each.
const PARTS: usize = 3;
const QUANTILES: usize = 10;

/// Quantiles of the luminance codes of a picture's parts. The series are from tripods: the n-th quantile of a part is the same
/// patch of the scene in every frame, in frames three stops apart and out of focus, too.
fn quantiles(picture: &Picture) -> Vec<f64> {
    let codes = Tones::new(|code| code);
    let codes: Vec<f32> = picture.luminance().map(|y| codes.of(y)).collect();
    let (width, height) = (picture.proxy.width, picture.proxy.height);
    let part = |part: usize| {
        let (row, column) = (part / PARTS, part % PARTS);
        let columns = column * width / PARTS..(column + 1) * width / PARTS;
        let lines = row * height / PARTS..(row + 1) * height / PARTS;
        let mut part: Vec<f32> = lines.flat_map(|y| codes[y * width..][columns.clone()].iter().copied()).collect();
        part.sort_unstable_by(f32::total_cmp);
        (0..QUANTILES).map(move |quantile| f64::from(part[(2 * quantile + 1) * part.len() / (2 * QUANTILES)]))
    };
    (0..PARTS * PARTS).flat_map(part).collect()
}

fn series(frames: &Path, name: &str, without: Option<&str>) -> Vec<(SeriesFrame, Exposed)> {
    let table = std::fs::read_to_string(frames.join("EXPOSURE.csv")).unwrap();
    let rows = table.lines().skip(1).map(|l| l.split(',').collect::<Vec<_>>());
    rows.filter(|r| r[0].starts_with(&format!("{name}/")) && Some(r[1]) != without)
        .map(|r| {
            let read = frame::read(Kind::Jpeg, &frames.join(r[0]), Series::Thirds).unwrap();
            let picture = read.picture.unwrap();
            let exposure = Stops(r[4].parse().unwrap());
            let frame = SeriesFrame {
                file: r[0].to_owned(),
                settings: read.settings,
                exposure: Some(exposure),
                is_raw: false,
                codes: Arc::new(CodePicture::of(&picture)),
                metered: meter(&picture, &Spot::ready()),
            };
            (frame, Exposed::new(quantiles(&picture).into_iter().map(Some), exposure))
        })
        .collect()
}

fn written(curve: &Curve) -> String {
    let plain = serde_json::to_value(curve).unwrap();
    let numbers = |key: &str| {
        let rounded: Vec<String> = plain[key].as_array().unwrap().iter().map(ToString::to_string).collect();
        rounded.chunks(8).map(|c| format!("    {},\n", c.join(", "))).collect::<String>()
    };
    format!(
        "# The stock camera response: what greyhold reads camera JPEGs by until it knows the camera better.\n\
         name: stock-camera-3\n\
         provenance: >\n  \
         Curves of five cameras of four makers (default looks, 8-bit sRGB JPEGs), each fitted on a still scene of known\n  \
         exposure steps, made into the curve of a camera that is not among them: their mean, their covariance widened for\n  \
         being so few, smooth differences besides, and flatter looks than theirs. Made by\n  \
         GREYHOLD_WRITE_FIXTURES=1 cargo test --test promises the_stock_curve_is_what_real_cameras_give\n\
         # Coefficients of 24 uniform cubic B-splines over the codes 0 to 255, in stops from mid-grey (code 118), and\n\
         # their covariance, row by row up to the diagonal.\n\
         luminance:\n  values: [\n{}  ]\n  covariance: [\n{}  ]\n",
        numbers("values"),
        numbers("covariance")
    )
}

#[test]
fn the_stock_curve_serves_a_camera_that_is_not_in_it() {
    let Some(folder) = real_frames() else { return };
    let (mut all, mut own) = (Vec::new(), Vec::new());
    for (name, without) in SERIES {
        let (frames, exposed): (Vec<SeriesFrame>, Vec<Exposed>) = series(&folder, name, without).into_iter().unzip();
        own.push(fit(&exposed, &Curve::vague()).unwrap().curve.mean);
        all.push((name, frames));
    }
    let made = Curve::of_sample(&own, SMOOTH);
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/responses/stock-camera.yaml");
    if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
        std::fs::write(&file, written(&made)).unwrap();
    }
    let stock = Curves::stock_only().stock().clone();
    let table = made.table();
    let apart = |code: &usize| (stock.light(*code as f64).0 - table[*code]).abs();
    let worst = (0..256).max_by(|a, b| apart(a).total_cmp(&apart(b))).unwrap();
    assert!(
        apart(&worst) < 0.01,
        "the stock curve is not what the series give: {:.3} off at code {worst}",
        apart(&worst)
    );

    // Mean square of each camera's errors over their stated deviations. All pairs of one camera are read by one curve, and are right
    // or wrong together: a camera is one case.
    let mut squares = Vec::new();
    for (at, (name, frames)) in all.iter().enumerate() {
        let others: Vec<_> = own.iter().enumerate().filter(|(i, _)| *i != at).map(|(_, c)| c.clone()).collect();
        let curve = Curve::of_sample(&others, SMOOTH);
        let stranger = Response::new("without this camera".into(), curve.clone(), None, Stops::ZERO);
        let result = accuracy(frames, &stranger, &curve, Lighting::Continuous);
        let Some(errors) = result.errors(Column::Stock) else {
            // Equal exposures by other apertures: it is there for its curve, and is the only one without a pair to be read.
            assert_eq!(*name, "aperture-grid", "{name}: no pair of it is told");
            continue;
        };
        let over_stated =
            result.pairs.iter().filter_map(|p| p.stock).map(|(error, half)| (error.0 / half.0 * Z95).powi(2));
        squares.push(over_stated.sum::<f64>() / errors.told as f64);
        println!(
            "{name}, by the other cameras' mean: {} pairs, median error {:.3}, worst {:.3}, {:.1} % inside the interval",
            errors.told,
            errors.median.0,
            errors.worst.0,
            errors.inside * 100.0
        );
        assert!(errors.median <= Stops(0.1), "{name}: {}", errors.median);
        assert!(errors.inside >= 0.9, "{name}: {}", errors.inside);
    }
    assert_eq!(squares.len(), 4, "the aperture grid has no pairs of different exposure");
    let honesty = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
    println!("four cameras that are not in their curve are off by {honesty:.2} of the stated deviation");
    // CHECK: chi-square with four degrees of freedom lies between 0.484 and 11.14 in 95 of 100 cases (any table, from memory): so
    // far may four cameras' root mean square be from 1 by chance, and an interval that is far too wide fails as well.
    assert!((0.35..1.67).contains(&honesty), "{honesty}");
}
