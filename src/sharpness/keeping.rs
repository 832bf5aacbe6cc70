//! Which aperture keeps what: from the detail that was measured at each.

use crate::photometry::{FNumber, SAME_SETTING};
use crate::wording::listed;

/// A spot is kept while half of its finest detail's contrast is: where lenses are compared at half their contrast, too (common
/// practice, no source).
const KEPT: f64 = 0.5;

/// What holds of one spot over the apertures.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptAt {
    pub spot: String,
    /// The measured apertures that keep it, from the narrowest that does up to the first that loses it. Still narrower ones may lose it
    /// to diffraction, or missed the focus.
    pub keeps: Vec<FNumber>,
    /// The widest of them. `None` where none keeps it.
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
    known.dedup_by(|later, first| (later.0.av() - first.0.av()).abs() < SAME_SETTING);
    if known.len() < 2 {
        return None;
    }
    // The sharpest aperture need not be the narrowest: diffraction softens that.
    let best = known.iter().position(|(_, share)| *share >= KEPT).unwrap_or(known.len());
    let goes = known[best..].iter().position(|(_, share)| *share < KEPT).map(|far| best + far);
    let keeps: Vec<FNumber> = known[best..goes.unwrap_or(known.len())].iter().map(|(n, _)| *n).collect();
    Some(KeptAt { spot: spot.to_owned(), widest: keeps.last().copied(), keeps, goes_at: goes.map(|at| known[at].0) })
}

impl KeptAt {
    /// 'f/5.6 keeps eyes, lips and ear; f/4 loses ear', as one sentence; `None` where nothing is known.
    pub fn sentence(all: &[KeptAt]) -> Option<String> {
        let common = all.iter().filter_map(|kept| kept.widest).max_by(|a, b| a.av().0.total_cmp(&b.av().0))?;
        // What that aperture itself loses, or wasn't measured at, is told with its own.
        let keeps = |kept: &&KeptAt| kept.keeps.iter().any(|n| (n.av() - common.av()).abs() < SAME_SETTING);
        let mut kept: Vec<(FNumber, &str)> = all
            .iter()
            .filter_map(|spot| Some((if keeps(&spot) { common } else { spot.widest? }, spot.spot.as_str())))
            .collect();
        kept.sort_by(|a, b| b.0.av().0.total_cmp(&a.0.av().0));
        let mut losses: Vec<(FNumber, &str)> =
            all.iter().filter_map(|kept| Some((kept.goes_at?, kept.spot.as_str()))).collect();
        losses.sort_by(|a, b| b.0.av().0.total_cmp(&a.0.av().0));
        Some([by_aperture(&kept, "keeps"), by_aperture(&losses, "loses")].concat().join("; "))
    }
}

/// 'f/4 loses ear', one for each aperture.
fn by_aperture(spots: &[(FNumber, &str)], does: &str) -> Vec<String> {
    let part = |at: &[(FNumber, &str)]| {
        let names: Vec<&str> = at.iter().map(|(_, spot)| *spot).collect();
        format!("{} {does} {}", at[0].0, listed(&names))
    };
    spots.chunk_by(|a, b| a.0 == b.0).map(part).collect()
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
        assert_eq!(
            kept[2],
            KeptAt {
                spot: "ear".to_owned(),
                keeps: vec![f(14.0), f(5.6)],
                widest: Some(f(5.6)),
                goes_at: Some(f(4.0)),
            }
        );
        let sentence = "f/5.6 keeps eyes, lips and ear; f/4 loses ear; f/2.8 loses lips";
        assert_eq!(KeptAt::sentence(&kept).unwrap(), sentence);
    }

    #[test]
    fn a_frame_out_of_focus_does_not_speak_for_its_aperture() {
        let frames =
            [(f(8.0), vec![Some(1.0)]), (f(5.6), vec![Some(0.1)]), (f(5.6), vec![Some(0.9)]), (f(4.0), vec![None])];
        let kept = kept(&["eyes".to_owned()], &frames);
        assert_eq!((kept[0].widest, kept[0].goes_at), (Some(f(5.6)), None));
        assert_eq!(KeptAt::sentence(&kept).unwrap(), "f/5.6 keeps eyes");
    }

    #[test]
    fn an_aperture_that_loses_a_spot_to_diffraction_is_not_said_to_keep_it() {
        let frames = [(f(11.0), vec![Some(0.3), Some(1.0)]), (f(8.0), vec![Some(1.0), Some(0.4)])];
        let kept = kept(&["eyes".to_owned(), "ear".to_owned()], &frames);
        assert_eq!(KeptAt::sentence(&kept).unwrap(), "f/11 keeps ear; f/8 keeps eyes; f/8 loses ear");
    }

    #[test]
    fn an_aperture_at_which_a_spot_was_not_measured_is_not_said_to_keep_it() {
        let frames = [
            (f(11.0), vec![Some(1.0), Some(1.0)]),
            (f(8.0), vec![None, Some(0.8)]),
            (f(4.0), vec![Some(0.9), Some(0.1)]),
        ];
        let kept = kept(&["eyes".to_owned(), "ear".to_owned()], &frames);
        assert_eq!(KeptAt::sentence(&kept).unwrap(), "f/8 keeps ear; f/4 keeps eyes; f/4 loses ear");
    }

    #[test]
    fn of_one_aperture_nothing_is_suggested() {
        assert!(kept(&spots(), &[(f(8.0), vec![Some(1.0), None, None])]).is_empty());
        assert_eq!(KeptAt::sentence(&[]), None);
    }
}
