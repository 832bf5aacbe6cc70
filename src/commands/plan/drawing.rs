//! What is sharp at each aperture, as a drawing.

use plotters::prelude::*;

use crate::optics::{Depth, distance_in_words};
use crate::outlet::plain::printable;
use crate::photometry::FNumber;
use crate::session::plan::{DepthRange, Lens};

const WIDTH: u32 = 900;
/// Of each aperture's bar with its distance to the next.
const ROW: u32 = 34;
const REST: u32 = 170;
/// Of a row's height.
const BAR: f64 = 0.7;
const CENTIMETRES: f64 = 100.0;

pub fn svg(lens: &Lens, apertures: &[FNumber]) -> String {
    let mut text = String::new();
    let size = (WIDTH, REST + ROW * apertures.len() as u32);
    // A drawing into memory has nothing to fail on.
    if let Err(e) = draw(SVGBackend::with_string(&mut text, size).into_drawing_area(), lens, apertures) {
        tracing::warn!("the drawing is not complete: {e}");
    }
    text
}

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;

fn draw(area: Area, lens: &Lens, apertures: &[FNumber]) -> Result<(), Box<dyn std::error::Error>> {
    area.fill(&WHITE)?;
    let focus = lens.subject.focus();
    let title = format!(
        "Sharp with {} at {}, to a blur of {}",
        focus.focal_length(),
        distance_in_words(focus.distance()),
        lens.subject.circle()
    );
    let range = DepthRange::of(lens);
    let (first, last) = (range.first.metres() * CENTIMETRES, range.last.metres() * CENTIMETRES);
    let rows = apertures.len() as f64;
    let mut chart = ChartBuilder::on(&area)
        .caption(title, ("sans-serif", 20))
        .margin(14)
        .x_label_area_size(42)
        .y_label_area_size(64)
        // The last row of numbers is for the parts' names.
        .build_cartesian_2d(first..last, (rows + 1.0)..0.0)?;
    chart
        .configure_mesh()
        .disable_y_mesh()
        .y_labels(0)
        .x_desc("centimetres behind the eyes (the camera stands on the left)")
        .label_style(("sans-serif", 14))
        .draw()?;
    let name = ("sans-serif", 14).into_font();
    for (row, n) in apertures.iter().enumerate() {
        let sharp = lens.subject.at(*n);
        let end = sharp.far.map_or(last, |far| (far.metres() * CENTIMETRES).min(last));
        let begin = (sharp.near.metres() * CENTIMETRES).max(first);
        let top = row as f64 + (1.0 - BAR) / 2.0 + 1.0;
        chart
            .draw_series(std::iter::once(Rectangle::new([(begin, top), (end, top + BAR)], BLACK.mix(0.55).filled())))?;
        let at = chart.backend_coord(&(first, top));
        area.draw_text(&n.to_string(), &name.clone().into_text_style(&area), (at.0 - 48, at.1 + 4))?;
    }
    let parts = lens.subject.parts().iter().map(|part| (part.name.as_str(), part.depth));
    for (part, depth) in parts.chain([("eyes", Depth::ZERO)]) {
        let x = depth.metres() * CENTIMETRES;
        chart.draw_series(LineSeries::new([(x, 0.5), (x, rows + 1.0)], BLACK.stroke_width(1)))?;
        let at = chart.backend_coord(&(x, 0.0));
        area.draw_text(&printable(part), &name.clone().into_text_style(&area), (at.0 + 3, at.1 + 2))?;
    }
    area.present()?;
    Ok(())
}
