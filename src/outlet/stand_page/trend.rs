//! The trend of the last frames as a chart.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::body::Bytes;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use serde::Deserialize;
use tokio::sync::Mutex;
use tokio::task::spawn_blocking;

use crate::outlet::screen::{Shown, compared, scale};
use crate::photometry::Stops;
use crate::session::TrendPoint;

/// What the chart is drawn on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Ink {
    OnDark,
    OnLight,
}

/// How wide the chart is to be: a wide one that is shrunk to a phone has letters that nobody reads.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Width {
    #[default]
    Wide,
    Narrow,
}

impl Width {
    fn size(self) -> (u32, u32) {
        match self {
            Width::Wide => (720, 220),
            Width::Narrow => (360, 200),
        }
    }
}

/// Frames of the trend, at most and at least: fewer would be drawn far apart.
const MOST_FRAMES: u64 = 60;
const LEAST_FRAMES: u64 = 10;

/// The charts that were drawn last, so that twenty pages cost one.
#[derive(Debug, Default)]
pub struct Charts(Mutex<BTreeMap<(Ink, Width), Drawn>>);

#[derive(Debug)]
struct Drawn {
    points: Vec<TrendPoint>,
    tolerance: Stops,
    svg: Bytes,
}

impl Charts {
    /// Drawn beside the tasks that serve; whoever asks meanwhile waits for the first one's. `None` when drawing failed.
    pub async fn chart(&self, shown: Arc<Shown>, ink: Ink, width: Width) -> Option<Bytes> {
        let mut kept = self.0.lock().await;
        let board = &shown.board;
        if let Some(drawn) =
            kept.get(&(ink, width)).filter(|d| d.points == board.trend && d.tolerance == board.tolerance)
        {
            return Some(drawn.svg.clone());
        }
        let draw = move || {
            let (points, tolerance) = (shown.board.trend.clone(), shown.board.tolerance);
            let svg = Bytes::from(chart(&points, tolerance, ink, width));
            Drawn { points, tolerance, svg }
        };
        let drawn = spawn_blocking(draw).await.ok()?;
        let svg = drawn.svg.clone();
        kept.insert((ink, width), drawn);
        Some(svg)
    }
}

/// Drift by frame: a dot each with its 95 % interval, the tolerance as a band, a cross for a frame to hold at.
fn chart(points: &[TrendPoint], tolerance: Stops, ink: Ink, width: Width) -> String {
    let mut svg = String::new();
    // Drawing into text fails for nothing but a bad scale, and this one is finite and wide.
    if let Err(e) = draw(&mut svg, points, tolerance, ink, width.size()) {
        tracing::warn!("the trend can't be drawn: {e}");
    }
    svg
}

fn draw(
    svg: &mut String,
    points: &[TrendPoint],
    tolerance: Stops,
    ink: Ink,
    size: (u32, u32),
) -> Result<(), Box<dyn std::error::Error>> {
    let (line, faint, band) = match ink {
        Ink::OnDark => (RGBColor(0xf2, 0xee, 0xe4), RGBColor(0x8f, 0x97, 0x8f), RGBColor(0x2c, 0x4a, 0x3c)),
        Ink::OnLight => (RGBColor(0x1d, 0x22, 0x1e), RGBColor(0x66, 0x6d, 0x66), RGBColor(0xcf, 0xe3, 0xd4)),
    };
    let told = compared(points);
    let range = scale(told.iter().map(|(_, drift, within)| drift.abs() + within));
    // To what there is: the frames of late, and no empty room for those that may come.
    let frame = |point: Option<&TrendPoint>| point.map_or(1, |p| p.frame.get());
    let last = frame(points.last()).max(LEAST_FRAMES);
    let first = frame(points.first()).max(last.saturating_sub(MOST_FRAMES - 1)).min(last - (LEAST_FRAMES - 1));
    let area = SVGBackend::with_string(svg, size).into_drawing_area();
    let mut chart = ChartBuilder::on(&area)
        .margin(6)
        .x_label_area_size(26)
        .y_label_area_size(58)
        .build_cartesian_2d(first as f64 - 0.7..last as f64 + 0.7, -range..range)?;
    let edge = chart.x_range();
    chart.draw_series([Rectangle::new([(edge.start, -tolerance.0), (edge.end, tolerance.0)], band.filled())])?;
    let text = |size: i32| ("sans-serif", size).into_font().color(&line);
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(faint.mix(0.35))
        .axis_style(faint)
        .x_labels(7)
        .y_labels(5)
        .x_label_formatter(&|x| format!("{x:.0}"))
        .y_label_formatter(&|y| Stops(*y).to_string())
        .label_style(text(15))
        .draw()?;
    chart.draw_series([PathElement::new(vec![(edge.start, 0.0), (edge.end, 0.0)], line.mix(0.8))])?;
    for (x, drift, within) in told.iter().copied() {
        chart.draw_series([PathElement::new(vec![(x, drift - within), (x, drift + within)], faint.stroke_width(2))])?;
        chart.draw_series([Circle::new((x, drift), 4, line.filled())])?;
    }
    for held in points.iter().filter(|p| p.finding.is_hold()) {
        chart.draw_series([Cross::new((held.frame.get() as f64, -range * 0.9), 5, line.stroke_width(2))])?;
    }
    if told.is_empty() {
        let middle = text(17).pos(Pos::new(HPos::Center, VPos::Center));
        area.draw_text("no frame was compared yet", &middle, (size.0 as i32 / 2, size.1 as i32 / 2 - 24))?;
    }
    area.present()?;
    drop(chart);
    drop(area);
    Ok(())
}
