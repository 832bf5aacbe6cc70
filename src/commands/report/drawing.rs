//! Drift and powers over the frames, as drawings.
//!
//! Their colours are those of the light page; the style sheet brings each to what a dark page has.

use jiff::tz::TimeZone;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::super::local_time::clock;
use crate::outlet::plain::printable;
use crate::photometry::Stops;
use crate::report::{Light, Mark, PowerStep, Report, ReportFrame};
use crate::statistics::median;

const INK: RGBColor = RGBColor(0x19, 0x1d, 0x18);
const SOFT: RGBColor = RGBColor(0x4d, 0x55, 0x4c);
const LINE: RGBColor = RGBColor(0x8a, 0x91, 0x87);
const BAND: RGBColor = RGBColor(0xdc, 0xf1, 0xe1);
const SAME: RGBColor = RGBColor(0x1f, 0x51, 0x30);
const BRIGHT: RGBColor = RGBColor(0x6b, 0x2c, 0x00);
const DARK: RGBColor = RGBColor(0x4a, 0x1d, 0x6b);
const FAILED: RGBColor = RGBColor(0x8c, 0x0f, 0x23);
const ONE: RGBColor = RGBColor(0x17, 0x3f, 0x7a);

const WIDTH: u32 = 1000;
const DRIFT_HEIGHT: u32 = 320;
const LIGHT_HEIGHT: u32 = 110;
const TIMES_HEIGHT: u32 = 30;
/// Room for letters above.
const LETTERS_HEIGHT: u32 = 16;
/// Room for the names at the left.
const LEFT: u32 = 92;
/// So many frames are drawn one by one; more are drawn together.
const ONE_BY_ONE: usize = 300;
/// Frames out of tolerance that are drawn among others that are not drawn one by one.
const MOST_OUT: usize = 600;
/// Words that would run into those before them are left out.
const ROOM_FOR_WORDS: i32 = 74;
const ROOM_FOR_LETTER: i32 = 12;

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;
type Drawn = Result<(), Box<dyn std::error::Error>>;

pub struct Drift {
    pub svg: String,
    /// So many frames stand together in one place.
    pub together: usize,
}

pub fn drift(report: &Report, zone: &TimeZone) -> Drift {
    let together = report.frames.len().div_ceil(ONE_BY_ONE).max(1);
    let svg = drawn(DRIFT_HEIGHT, |area| draw_drift(area, report, together, zone));
    Drift { svg, together }
}

pub fn powers(report: &Report, zone: &TimeZone) -> String {
    let height = LIGHT_HEIGHT * report.lights.len() as u32 + TIMES_HEIGHT + LETTERS_HEIGHT;
    drawn(height, |area| draw_powers(area, report, zone))
}

/// A drawing into memory has nothing to fail on but a bad scale, and all here are finite and wide.
fn drawn(height: u32, draw: impl FnOnce(Area) -> Drawn) -> String {
    let mut svg = String::new();
    if let Err(e) = draw(SVGBackend::with_string(&mut svg, (WIDTH, height)).into_drawing_area()) {
        tracing::warn!("a drawing is not complete: {e}");
    }
    svg
}

/// All frames, with half a place on either side.
fn across(report: &Report) -> std::ops::Range<f64> {
    let number = |frame: Option<&ReportFrame>| frame.map_or(1.0, |frame| frame.number.get() as f64);
    number(report.frames.first()) - 0.5..number(report.frames.last()) + 0.5
}

fn letters(size: i32, colour: RGBColor) -> TextStyle<'static> {
    ("sans-serif", size).into_font().color(&colour)
}

/// '120 · 14:05'.
fn frame_and_time(report: &Report, zone: &TimeZone, x: f64) -> String {
    let number = x.round() as u64;
    let at = report.frames.partition_point(|frame| frame.number.get() < number);
    report.frames.get(at).map_or_else(String::new, |frame| format!("{number} · {}", clock(frame.at, zone)))
}

/// The largest that is drawn: what is farther off stands at the edge.
fn range(report: &Report) -> f64 {
    let reach =
        |frame: &ReportFrame| Some(frame.drift()?.abs().0 + frame.verdict.as_ref()?.uncertainty.map_or(0.0, |u| u.0));
    let most = report.frames.iter().filter_map(reach).filter(|reach| reach.is_finite()).fold(0.0, f64::max);
    most.clamp(report.tolerance.0 * 3.0, 6.0).max(0.3) * 1.15
}

fn draw_drift(area: Area, report: &Report, together: usize, zone: &TimeZone) -> Drawn {
    let range = range(report);
    let mut chart = ChartBuilder::on(&area)
        .margin(8)
        .margin_top(LETTERS_HEIGHT + 2)
        .x_label_area_size(TIMES_HEIGHT)
        .y_label_area_size(LEFT - 8)
        .build_cartesian_2d(across(report), -range..range)?;
    let ends = chart.x_range();
    let tolerance = report.tolerance.0.min(range);
    chart.draw_series([Rectangle::new([(ends.start, -tolerance), (ends.end, tolerance)], BAND.filled())])?;
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(LINE.mix(0.4))
        .axis_style(LINE)
        .x_labels(8)
        .y_labels(7)
        .y_desc("stops; brighter is up")
        .x_label_formatter(&|x| frame_and_time(report, zone, *x))
        .y_label_formatter(&|y| Stops(*y).to_string())
        .label_style(letters(15, INK))
        .draw()?;
    chart.draw_series([PathElement::new(vec![(ends.start, 0.0), (ends.end, 0.0)], INK.stroke_width(1))])?;
    let placed = draw_events(&mut chart, report)?;
    write_letters(&area, &placed, chart.backend_coord(&(ends.start, range)).1 - 1)?;
    if together == 1 {
        draw_frames(&area, &mut chart, report, range)?
    } else {
        draw_together(&area, &mut chart, report, together, range)?
    }
    drop(chart);
    area.present()?;
    Ok(())
}

/// Thin lines where something began. Gives where each stands across, with its letter.
fn draw_events(chart: &mut Chart, report: &Report) -> Result<Vec<(i32, char)>, Box<dyn std::error::Error>> {
    let (across, down) = (chart.x_range(), chart.y_range());
    let mut letters = Vec::new();
    for (x, letter) in report.happened.iter().filter_map(|h| Some((h.after.get() as f64 + 0.5, h.what.letter()?))) {
        let x = x.clamp(across.start, across.end);
        chart.draw_series([PathElement::new(vec![(x, down.start), (x, down.end)], LINE.mix(0.6))])?;
        letters.push((chart.backend_coord(&(x, down.end)).0, letter));
    }
    Ok(letters)
}

/// Letters over their lines; one that would run into another stands beside that.
fn write_letters(area: &Area, placed: &[(i32, char)], bottom: i32) -> Drawn {
    let mut free = 0;
    for (across, letter) in placed {
        let across = (*across).max(free);
        let style = letters(14, SOFT).pos(Pos::new(HPos::Center, VPos::Bottom));
        area.draw_text(&letter.to_string(), &style, (across, bottom))?;
        free = across + ROOM_FOR_LETTER;
    }
    Ok(())
}

fn draw_frames(area: &Area, chart: &mut Chart, report: &Report, range: f64) -> Drawn {
    for frame in &report.frames {
        let x = frame.number.get() as f64;
        if let (Some(drift), Some(within)) = (frame.drift(), frame.verdict.as_ref().and_then(|v| v.uncertainty)) {
            let [low, high] = [drift - within, drift + within].map(|end| end.0.clamp(-range, range));
            chart.draw_series([PathElement::new(vec![(x, low), (x, high)], SOFT.stroke_width(2))])?;
        }
        draw_mark(area, chart, frame, range)?;
    }
    Ok(())
}

/// From the darkest to the brightest of frames that follow each other, with their median; those out of tolerance by themselves.
fn draw_together(area: &Area, chart: &mut Chart, report: &Report, together: usize, range: f64) -> Drawn {
    for frames in report.frames.chunks(together) {
        let mut drifts: Vec<f64> =
            frames.iter().filter(|frame| !frame.is_out()).filter_map(|f| f.drift()).map(|d| d.0).collect();
        let numbers = frames.first().zip(frames.last()).map(|(a, b)| (a.number.get() + b.number.get()) as f64 / 2.0);
        let Some((x, middle)) = numbers.zip(median(&mut drifts)) else { continue };
        let ends = drifts.first().zip(drifts.last()).map_or((middle, middle), |(low, high)| (*low, *high));
        let [low, middle, high] = [ends.0, middle, ends.1].map(|end| end.clamp(-range, range));
        chart.draw_series([PathElement::new(vec![(x, low), (x, high)], SOFT.stroke_width(2))])?;
        chart.draw_series([Circle::new((x, middle), 2, SAME.filled())])?;
    }
    let out: Vec<&ReportFrame> = report.frames.iter().filter(|frame| frame.is_out()).collect();
    for frame in out.iter().step_by(out.len().div_ceil(MOST_OUT).max(1)) {
        draw_mark(area, chart, frame, range)?;
    }
    Ok(())
}

fn draw_mark(area: &Area, chart: &mut Chart, frame: &ReportFrame, range: f64) -> Drawn {
    let drift = frame.drift().map(|drift| drift.0.clamp(-range, range));
    let x = frame.number.get() as f64;
    let at = (x, drift.unwrap_or(-range * 0.93));
    let (across, down) = chart.backend_coord(&at);
    let shape = |corners: &[(i32, i32)], colour: RGBColor| {
        let corners: Vec<(i32, i32)> = corners.iter().map(|(right, below)| (across + right, down + below)).collect();
        area.draw(&Polygon::new(corners, colour.filled()))
    };
    match (frame.mark(), drift) {
        (Mark::Matches, Some(_)) => _ = chart.draw_series([Circle::new(at, 4, SAME.filled())])?,
        (Mark::TooBright, Some(_)) => shape(&[(0, -6), (-6, 5), (6, 5)], BRIGHT)?,
        (Mark::TooDark, Some(_)) => shape(&[(0, 6), (-6, -5), (6, -5)], DARK)?,
        (Mark::OneLight, Some(_)) => shape(&[(0, -7), (7, 0), (0, 7), (-7, 0)], ONE)?,
        (Mark::Failed, _) => _ = chart.draw_series([Cross::new(at, 5, FAILED.stroke_width(3))])?,
        (Mark::Unclear, Some(_)) => _ = chart.draw_series([Circle::new(at, 5, INK.stroke_width(2))])?,
        _ => {}
    }
    Ok(())
}

fn draw_powers(area: Area, report: &Report, zone: &TimeZone) -> Drawn {
    let (above, below) = area.split_vertically(LETTERS_HEIGHT);
    let rows = below.split_evenly((report.lights.len().max(1), 1));
    for (at, (light, row)) in report.lights.iter().zip(&rows).enumerate() {
        let placed = draw_light(row, report, light, at + 1 == report.lights.len(), zone)?;
        if at == 0 {
            write_letters(&above, &placed, LETTERS_HEIGHT as i32)?;
        }
    }
    area.present()?;
    Ok(())
}

/// One light's steps, with the power beside each that has room for it. Gives where letters belong.
fn draw_light(
    row: &Area,
    report: &Report,
    light: &Light,
    is_last: bool,
    zone: &TimeZone,
) -> Result<Vec<(i32, char)>, Box<dyn std::error::Error>> {
    let level = |step: &PowerStep| step.power.map_or(step.mark.0, |power| power.below_full().0);
    let levels: Vec<f64> = light.steps.iter().map(level).collect();
    let (low, high) = levels.iter().fold((f64::MAX, f64::MIN), |(low, high), l| (low.min(*l), high.max(*l)));
    let (low, high) = if low > high { (0.0, 0.0) } else { (low, high) };
    let mut chart = ChartBuilder::on(row)
        .margin_right(8)
        .margin_top(6)
        .x_label_area_size(if is_last { TIMES_HEIGHT } else { 6 })
        .y_label_area_size(LEFT)
        .build_cartesian_2d(across(report), low - 0.6..high + 1.2)?;
    let ends = chart.x_range();
    chart
        .configure_mesh()
        .disable_x_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(LINE.mix(0.4))
        .axis_style(LINE)
        .x_labels(if is_last { 8 } else { 0 })
        .y_labels(0)
        .x_label_formatter(&|x| frame_and_time(report, zone, *x))
        .label_style(letters(15, INK))
        .draw()?;
    let placed = draw_events(&mut chart, report)?;
    let name: String = printable(light.group.as_str()).chars().take(11).collect();
    let middle = chart.backend_coord(&(ends.start, (low + high) / 2.0)).1;
    row.draw_text(&name, &letters(16, INK).pos(Pos::new(HPos::Left, VPos::Center)), (8, middle - row_top(row)))?;
    let mut line = Vec::new();
    let mut last: Option<i32> = None;
    for (step, level) in light.steps.iter().zip(&levels) {
        let x = (step.from.get() as f64 - 0.5).clamp(ends.start, ends.end);
        line.extend(line.last().map(|(_, before)| (x, *before)));
        line.push((x, *level));
        let (across, up) = chart.backend_coord(&(x, *level));
        if last.is_none_or(|last| across - last >= ROOM_FOR_WORDS) && across < WIDTH as i32 - 30 {
            let words = step
                .shown
                .clone()
                .unwrap_or_else(|| step.power.map_or_else(|| Stops(*level).to_string(), |_| format!("{level:.1}")));
            let words: String = printable(&words).chars().take(12).collect();
            row.draw_text(
                &words,
                &letters(14, INK).pos(Pos::new(HPos::Left, VPos::Bottom)),
                (across + 3, up - row_top(row) - 3),
            )?;
            last = Some(across);
        }
    }
    line.extend(line.last().map(|(_, level)| (ends.end, *level)));
    chart.draw_series([PathElement::new(line, SAME.stroke_width(3))])?;
    Ok(placed)
}

/// Where a row lies in the whole drawing, for what is drawn by its own places.
fn row_top(row: &Area) -> i32 {
    row.get_pixel_range().1.start
}
