//! Which aperture keeps what.

use crate::photometry::{FNumber, SAME_SETTING};
use crate::sharpness::{KeptAt, kept};
use crate::wording::listed;

/// What the apertures keep, and of which nothing could be told.
#[derive(Debug, Clone, PartialEq)]
pub struct WhichAperture {
    pub kept: Vec<KeptAt>,
    /// The narrowest first.
    untold: Vec<String>,
}

impl WhichAperture {
    /// Of each measured frame the share that it keeps of each of the spots.
    pub fn of(spots: &[String], frames: &[(FNumber, Vec<Option<f64>>)]) -> WhichAperture {
        WhichAperture { kept: kept(spots, frames), untold: untold(frames) }
    }

    /// 'f/5.6 keeps eyes and lips; f/4 loses ear; of f/2.8 nothing could be told (kept: at least half of the finest detail).' `None`
    /// where nothing is known of any two.
    pub fn sentence(&self) -> Option<String> {
        let said = KeptAt::sentence(&self.kept)?;
        let untold = match self.untold.as_slice() {
            [] => String::new(),
            untold => format!("; of {} nothing could be told", listed(untold)),
        };
        Some(format!("{said}{untold} (kept: at least half of the finest detail)."))
    }
}

/// The apertures at which no frame told anything of any spot, the narrowest first.
fn untold(frames: &[(FNumber, Vec<Option<f64>>)]) -> Vec<String> {
    let is_told = |n: FNumber| {
        let same = |of: &FNumber| (of.av() - n.av()).abs() < SAME_SETTING;
        frames.iter().any(|(of, shares)| same(of) && shares.iter().any(Option::is_some))
    };
    let mut untold: Vec<FNumber> = frames.iter().map(|(n, _)| *n).filter(|n| !is_told(*n)).collect();
    untold.sort_by(|a, b| b.av().0.total_cmp(&a.av().0));
    untold.dedup_by(|a, b| (a.av() - b.av()).abs() < SAME_SETTING);
    untold.iter().map(FNumber::to_string).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::Series;

    fn f(n: f64) -> FNumber {
        FNumber::new(n, None, Series::Thirds).unwrap()
    }

    #[test]
    fn an_aperture_of_which_nothing_is_known_is_named() {
        let spots = ["eyes", "ear"].map(str::to_owned);
        let two = [(f(11.0), vec![Some(1.0), Some(1.0)]), (f(5.6), vec![Some(0.9), Some(0.3)])];
        let said =
            |more: &[(FNumber, Vec<Option<f64>>)]| WhichAperture::of(&spots, &[&two[..], more].concat()).sentence();
        let known = said(&[]).unwrap();
        let loses = "f/5.6 loses ear (kept: at least half of the finest detail).";
        assert!(known.starts_with("f/") && known.ends_with(loses), "{known}");
        let more = [(f(2.8), vec![None, None]), (f(4.0), vec![None, None]), (f(5.6), vec![None, None])];
        assert_eq!(said(&more).unwrap(), known.replace("ear (", "ear; of f/4 and f/2.8 nothing could be told ("));
        assert_eq!(WhichAperture::of(&spots, &more).sentence(), None);
    }
}
