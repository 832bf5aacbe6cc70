//! Shares of light: how much of the light of a place comes from one source.

use serde::{Deserialize, Serialize};

/// A part of the light of a place, from 0 (nothing of it) to 1 (all of it); never anything that is no number.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct LightShare(f64);

/// What sums of rounded numbers may be beyond an end.
const ROUNDING: f64 = 1e-9;

impl LightShare {
    /// `None` for what is no share: nothing of nothing, which is where no light can be read, and what lies beyond 0 and 1.
    pub fn new(share: f64) -> Option<LightShare> {
        (-ROUNDING..=1.0 + ROUNDING).contains(&share).then(|| LightShare(share.clamp(0.0, 1.0)))
    }

    /// So many hundredths; what is more than all is all.
    pub const fn of_per_cent(hundredths: u8) -> LightShare {
        LightShare(if hundredths < 100 { hundredths as f64 / 100.0 } else { 1.0 })
    }

    /// The parts that make up a whole; `None` when they come to nothing, for then nobody can tell their shares.
    pub fn of_parts(parts: &[f64]) -> Option<Vec<LightShare>> {
        let all: f64 = parts.iter().sum();
        parts.iter().map(|part| LightShare::new(part / all)).collect()
    }

    pub fn get(self) -> f64 {
        self.0
    }
}

impl TryFrom<f64> for LightShare {
    type Error = &'static str;

    fn try_from(share: f64) -> Result<LightShare, &'static str> {
        LightShare::new(share).ok_or("a share of light lies between 0 and 1")
    }
}

impl From<LightShare> for f64 {
    fn from(share: LightShare) -> f64 {
        share.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn nothing_of_nothing_is_no_share() {
        for none in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, -0.1, 1.1] {
            assert_eq!(LightShare::new(none), None, "{none}");
        }
        assert_eq!(LightShare::of_parts(&[0.0, 0.0]), None);
        assert!(serde_json::from_str::<LightShare>("1.5").is_err());
    }

    proptest! {
        #[test]
        fn shares_of_anything_come_back_from_text_as_they_were(parts in proptest::collection::vec(any::<f64>(), 1..5)) {
            if let Some(shares) = LightShare::of_parts(&parts) {
                let text = serde_json::to_string(&shares).unwrap();
                prop_assert_eq!(serde_json::from_str::<Vec<LightShare>>(&text).unwrap(), shares);
            }
        }

        #[test]
        fn shares_of_light_make_up_all_of_it(parts in proptest::collection::vec(0.0_f64..1e6, 1..6)) {
            prop_assume!(parts.iter().sum::<f64>() > 0.0);
            let shares = LightShare::of_parts(&parts).unwrap();
            prop_assert!((shares.iter().map(|s| s.get()).sum::<f64>() - 1.0).abs() < 1e-9);
        }
    }
}
