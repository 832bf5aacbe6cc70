//! Which aperture keeps what: from the detail that was measured at each.

use crate::photometry::{FNumber, Stops};
use crate::wording::listed;

/// A spot is kept while half of its finest detail's contrast is: where lenses are compared at half their contrast, too (common
/// practice, no source).
const KEPT: f64 = 0.5;

/// What holds of one spot over the apertures.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptAt {
    pub spot: String,
    /// The widest aperture that keeps it, all measured narrower ones keeping it, too. `None` where none does.
    pub widest: Option<FNumber>,
    /// The next wider one that was measured, at which it goes. `None` where the widest of all keeps it.
    pub goes_at: Option<FNumber>,
}

/// For each spot, from the share of detail at each aperture; of several frames at one aperture the best counts, for the others may be
/// out of focus. Shares that aren't known are left out; so are spots that are known at fewer than two apertures.
pub fn kept(spots: &[String], frames: &[(FNumber, Vec<Option<f64>>)]) -> Vec<KeptAt> {
    spots.iter().enumerate().filter_map(|(at, spot)| of_spot(spot, at, frames)).collect()
}

fn of_spot(spot: &str, at: usize, frames: &[(FNumber, Vec<Option<f64>>)]) -> Option<KeptAt> {
    let mut known: Vec<(FNumber, f64)> =
        frames.iter().filter_map(|(n, shares)| Some((*n, shares.get(at).copied().flatten()?))).collect();
    // The narrowest first, the best of each aperture.
    known.sort_by(|a, b| b.0.av().0.total_cmp(&a.0.av().0).then(b.1.total_cmp(&a.1)));
    known.dedup_by(|later, first| (later.0.av() - first.0.av()).abs() < Stops(0.01));
    if known.len() < 2 {
        return None;
    }
    // The sharpest aperture need not be the narrowest: diffraction softens that.
    let best = known.iter().position(|(_, share)| *share >= KEPT)?;
    let goes = known[best..].iter().position(|(_, share)| *share < KEPT).map(|far| best + far);
    let widest = known[..goes.unwrap_or(known.len())].last().map(|(n, _)| *n);
    Some(KeptAt { spot: spot.to_owned(), widest, goes_at: goes.map(|at| known[at].0) })
}

impl KeptAt {
    /// 'f/5.6 keeps eyes, lips and ear; f/4 loses ear', as one sentence; `None` where nothing is known.
    pub fn sentence(all: &[KeptAt]) -> Option<String> {
        let keeps_all = all.iter().filter_map(|kept| kept.widest).max_by(|a, b| a.av().0.total_cmp(&b.av().0))?;
        let names: Vec<&str> = all.iter().filter(|kept| kept.widest.is_some()).map(|kept| kept.spot.as_str()).collect();
        let mut losses: Vec<(FNumber, &str)> =
            all.iter().filter_map(|kept| Some((kept.goes_at?, kept.spot.as_str()))).collect();
        losses.sort_by(|a, b| b.0.av().0.total_cmp(&a.0.av().0));
        let lost = losses.chunk_by(|a, b| a.0 == b.0).map(|at| {
            let spots: Vec<&str> = at.iter().map(|(_, spot)| *spot).collect();
            format!("{} loses {}", at[0].0, listed(&spots))
        });
        let parts: Vec<String> = std::iter::once(format!("{keeps_all} keeps {}", listed(&names))).chain(lost).collect();
        Some(parts.join("; "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::Series;

    fn f(n: f64) -> FNumber {
        FNumber::new(n, None, Series::Thirds).unwrap()
    }

    fn spots() -> Vec<String> {
        ["eyes", "lips", "ear"].map(str::to_owned).to_vec()
    }

    #[test]
    fn a_suggestion_names_what_each_aperture_keeps() {
        let frames = [
            (f(4.0), vec![Some(0.9), Some(0.8), Some(0.2)]),
            (f(14.0), vec![Some(1.0), Some(1.0), Some(1.0)]),
            (f(5.6), vec![Some(0.95), Some(0.9), Some(0.6)]),
            (f(2.8), vec![Some(0.8), Some(0.3), Some(0.0)]),
        ];
        let kept = kept(&spots(), &frames);
        assert_eq!(kept[2], KeptAt { spot: "ear".to_owned(), widest: Some(f(5.6)), goes_at: Some(f(4.0)) });
        let sentence = "f/5.6 keeps eyes, lips and ear; f/4 loses ear; f/2.8 loses lips";
        assert_eq!(KeptAt::sentence(&kept).unwrap(), sentence);
    }

    #[test]
    fn a_frame_out_of_focus_does_not_speak_for_its_aperture() {
        let frames =
            [(f(8.0), vec![Some(1.0)]), (f(5.6), vec![Some(0.1)]), (f(5.6), vec![Some(0.9)]), (f(4.0), vec![None])];
        let kept = kept(&["eyes".to_owned()], &frames);
        assert_eq!(kept, [KeptAt { spot: "eyes".to_owned(), widest: Some(f(5.6)), goes_at: None }]);
        assert_eq!(KeptAt::sentence(&kept).unwrap(), "f/5.6 keeps eyes");
    }

    #[test]
    fn of_one_aperture_nothing_is_suggested() {
        assert!(kept(&spots(), &[(f(8.0), vec![Some(1.0), None, None])]).is_empty());
        assert_eq!(KeptAt::sentence(&[]), None);
    }
}
