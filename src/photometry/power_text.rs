//! Powers as lights write them, in stops from full power; where a dial has no such click, as they stand.

use super::step::Step;
use super::stops::Stops;

pub(super) fn read_number(text: &str) -> Option<f64> {
    let lower = text.trim().to_ascii_lowercase();
    let digits = lower.trim_end_matches("ws").trim_end_matches('j').trim();
    digits.parse().ok().filter(|n: &f64| n.is_finite())
}

/// A share of full power.
pub(super) fn read_share(share: f64) -> Option<f64> {
    Stops::from_ratio(share).map(|stops| stops.0)
}

/// `50 %`, `12.5`.
pub(super) fn read_percent(text: &str) -> Option<f64> {
    let body = text.trim();
    let percent: f64 = body.strip_suffix('%').unwrap_or(body).trim_end().parse().ok()?;
    read_share(percent / 100.0)
}

/// `1/8`, `1/8 +0.3`, `1/2 -1/3`, `full`.
pub(super) fn read_fraction(text: &str) -> Option<f64> {
    let body = text.trim();
    if body.eq_ignore_ascii_case("full") || body == "1" {
        return Some(0.0);
    }
    let (base, part) = match body.find(['+', '-']) {
        Some(at) => (body[..at].trim(), Some(&body[at..])),
        None => (body, None),
    };
    let n: u32 = base.strip_prefix("1/")?.trim().parse().ok()?;
    if !n.is_power_of_two() || n > 4096 {
        return None;
    }
    let above = match part {
        None => 0.0,
        Some(written) => read_part(written)?,
    };
    Some(above - f64::from(n.ilog2()))
}

fn read_part(written: &str) -> Option<f64> {
    let negative = written.starts_with('-');
    let digits = written[1..].trim();
    let size = match digits.split_once('/') {
        Some((num, den)) => num.parse::<f64>().ok()? / den.parse::<f64>().ok()?,
        None => digits.parse().ok()?,
    };
    (0.0..1.0).contains(&size).then_some(if negative { -size } else { size })
}

pub(super) fn print_fraction(stops: f64) -> String {
    let whole = (-stops - 1e-9).ceil();
    let above = stops + whole;
    if whole < 0.0 {
        // Above full power: no light shows it, but a wanted setting must still be sayable.
        return format!("1/1 {:+.1}", stops);
    }
    let base = format!("1/{}", whole.exp2());
    if above < 0.05 { base } else { format!("{base} +{above:.1}") }
}

/// Whole per cent, with a decimal below 10; one more where rounding would be off by half of the smallest click, as of 12.5 %.
pub(super) fn print_percent(stops: f64) -> String {
    let percent = 100.0 * stops.exp2();
    let usual: usize = if percent < 9.95 { 1 } else { 0 };
    let rounded = |decimals: usize| {
        let scale = 10_f64.powi(decimals as i32);
        (percent * scale).round() / scale
    };
    let is_near = |decimals: &usize| (rounded(*decimals) / percent).log2().abs() < Step::Tenth.stops().0 / 2.0;
    let decimals = (usual..usual + 3).find(is_near).unwrap_or(usual + 3);
    format!("{:.decimals$} %", rounded(decimals))
}

pub(super) fn three_digits(value: f64) -> String {
    let decimals = (2 - value.log10().floor() as i32).max(0) as usize;
    format!("{value:.decimals$}")
}
