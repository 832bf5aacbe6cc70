//! Real faces and things under real single strobes, whose sitters move about before a still backdrop: how far the light changed
//! is read in true stops, and stated with an interval that holds as often as it says.
//!
//! CHECK: the sittings of `strobe_sittings`; `GREYHOLD_SITTINGS` names their folder.

use crate::harness::random::Random;
use crate::strobe_sittings::{Judged, alike};
use greyhold::advice::Finding;

#[test]
fn the_light_of_sitters_who_move_is_read_in_true_stops() {
    let Some(frames) = alike() else { return };
    let sittings = 1 + frames.iter().map(|j| j.sitting).max().unwrap_or(0);
    let of_kind = |kind: &str| frames.iter().filter(|j| j.kind == kind).collect::<Vec<&Judged>>();
    let (unchanged, all_alike) = (of_kind("unchanged"), of_kind("alike"));
    println!(
        "{sittings} sittings: {} frames of unchanged light, {} in which all lights changed alike",
        unchanged.len(),
        all_alike.len()
    );

    let alarms: Vec<&&Judged> = unchanged.iter().filter(|j| j.stock.finding != Finding::Matched).collect();
    println!("unchanged: {} false alarms", alarms.len());
    for j in &alarms {
        println!("  {} ({:+.3}): {}", j.name, j.truth, j.stock.sentence);
    }
    crate::assert_share(unchanged.len() - alarms.len(), unchanged.len(), 0.99, "unchanged frames told as such");

    let mut errors: Vec<f64> = all_alike.iter().filter_map(|j| Some((j.own.observed?.0 - j.truth).abs())).collect();
    errors.sort_by(f64::total_cmp);
    let at = |share: f64| errors[((errors.len() - 1) as f64 * share) as usize];
    println!(
        "alike, by the true curve: {} told, error {:.3} (median), {:.3} (95 %), {:.3} (worst)",
        errors.len(),
        at(0.5),
        at(0.95),
        at(1.0)
    );
    assert!(errors.len() * 100 >= all_alike.len() * 95, "told of {} of {}", errors.len(), all_alike.len());
    assert!(at(0.5) <= 0.03, "{}", at(0.5));

    assert_intervals(&all_alike, sittings, "alike, by the stock curve");
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
