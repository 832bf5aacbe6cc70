//! A response curve as a drawing.

use plotters::prelude::*;

use crate::config::Calibrated;
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::response::{Curve, Response};
use crate::statistics::Z95;

const SIZE: (u32, u32) = (900, 600);
const CODES: std::ops::Range<f64> = 0.0..255.0;
const STOPS: std::ops::Range<f64> = -6.0..4.0;

/// Luminance with its 95 % interval, the three channels, and the stock curve to compare with.
pub fn svg(own: &Calibrated, stock: &Response) -> String {
    let mut text = String::new();
    let drawn = draw(SVGBackend::with_string(&mut text, SIZE).into_drawing_area(), own, stock);
    // A drawing into memory has nothing to fail on.
    if let Err(e) = drawn {
        tracing::warn!("the plot is not complete: {e}");
    }
    text
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

fn draw(area: Area, own: &Calibrated, stock: &Response) -> Result<(), Box<dyn std::error::Error>> {
    area.fill(&WHITE)?;
    let title = format!("{}, {}, profile '{}'", printable(&own.camera), own.colour, printable(&own.profile));
    let mut chart = ChartBuilder::on(&area)
        .caption(title, ("sans-serif", 20))
        .margin(14)
        .x_label_area_size(42)
        .y_label_area_size(54)
        .build_cartesian_2d(CODES, STOPS)?;
    chart
        .configure_mesh()
        .x_desc("code value")
        .y_desc("light, in stops from mid-grey")
        .x_labels(9)
        .y_labels(11)
        .label_style(("sans-serif", 14))
        .draw()?;
    let luminance = own.luminance.table();
    let uncertainty = |code: usize| Z95 * own.luminance.deviation([(118.0, code as f64, 1.0)].into_iter()).0;
    let edge = |sign: f64| (0..256).map(move |c| (c as f64, luminance[c] + sign * uncertainty(c)));
    let band: Vec<(f64, f64)> = edge(1.0).chain(edge(-1.0).collect::<Vec<_>>().into_iter().rev()).collect();
    chart.draw_series(std::iter::once(Polygon::new(band, BLACK.mix(0.15))))?;
    let stock: [f64; 256] = std::array::from_fn(|code| stock.light(code as f64).0);
    let table = |curve: &Curve| curve.table();
    let lines = [
        ("stock curve", stock, BLACK.mix(0.4).stroke_width(1)),
        ("red", table(&own.red), RED.stroke_width(1)),
        ("green", table(&own.green), GREEN.stroke_width(1)),
        ("blue", table(&own.blue), BLUE.stroke_width(1)),
        ("luminance, with its 95 % interval", luminance, BLACK.stroke_width(3)),
    ];
    for (name, values, style) in lines {
        let points = values.into_iter().enumerate().map(|(code, light)| (code as f64, light));
        chart
            .draw_series(LineSeries::new(points, style))?
            .label(name)
            .legend(move |(x, y)| PathElement::new([(x, y), (x + 24, y)], style));
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::LowerRight)
        .label_font(("sans-serif", 14))
        .background_style(WHITE)
        .border_style(BLACK.mix(0.3))
        .draw()?;
    let made = format!(
        "{} frames, residual {:.3} stop, frames scatter by {:.3} stop; {}",
        own.made.frames,
        Stops::abs(own.made.residual).0,
        own.made.scatter.0,
        own.made.at
    );
    area.draw_text(&made, &("sans-serif", 12).into_text_style(&area), (70, SIZE.1 as i32 - 16))?;
    area.present()?;
    Ok(())
}
