//! Which colour space a picture's code values are in: how they are brought to the sRGB curve, and
//! how much each channel counts for luminance.
//!
//! The ICC profile counts before the Exif tag. Profiles are parsed by a library.

use std::fmt;

use moxcms::{ColorProfile, DataColorSpace};
use serde::{Deserialize, Serialize};

use super::settings::ColourTag;
use crate::response::{srgb_decode, srgb_encode};

/// Luminance weights of red, green and blue, adding up to one.
pub type Weights = [f32; 3];

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Space {
    Srgb,
    AdobeRgb,
    DisplayP3,
    /// Another RGB space, by its own profile.
    Profile,
    /// Nothing says which: taken as sRGB.
    Assumed,
    /// A picture embedded in a raw file, which stands for the light that can't be read.
    Embedded,
    /// A HEIF picture's codes, as they stand: what curve they have differs from the JPEG's of the same camera.
    Heif,
    /// The same with the hybrid log-gamma transfer (ITU-R BT.2100).
    HeifHlg,
    /// The same with the perceptual quantiser (ITU-R BT.2100).
    HeifPq,
    /// The same where neither index, stream nor profile tells the transfer.
    HeifUntold,
}

/// The name of the space of a picture that stands for a raw file's light: its curve is none of the JPEG's beside it.
pub const EMBEDDED: &str = "picture in the raw file";

/// What names of HEIF pictures' spaces begin with.
const HEIF: &str = "HEIF";

/// Which kind of HEIF picture a space's name is of, if any: readings keep the name alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HeifRange {
    Standard,
    /// Of a transfer that shows more than a screen's white, or may do so for all that the file tells.
    High,
}

/// The name of a space whose pictures have a curve of their own: HEIF pictures, each transfer by itself, and those that stand for a
/// raw file's light. `None` of all others, which one curve of their camera reads.
pub fn apart(colour: &str) -> Option<&str> {
    (colour == EMBEDDED || colour.starts_with(HEIF)).then_some(colour)
}

impl HeifRange {
    /// By the name of a space, as readings have it.
    pub fn of(colour: &str) -> Option<HeifRange> {
        let is = |space: Space| colour == space.to_string();
        if [Space::HeifHlg, Space::HeifPq, Space::HeifUntold].into_iter().any(is) {
            return Some(HeifRange::High);
        }
        colour.starts_with(HEIF).then_some(HeifRange::Standard)
    }
}

/// Colour as a HEIF file's index or its coded stream tells it, in code points of ITU-T H.273.
#[cfg(feature = "heif")]
#[derive(Debug, Clone, Copy)]
pub(super) struct HeifColour {
    pub primaries: u16,
    pub transfer: u16,
}

#[cfg(feature = "heif")]
impl HeifColour {
    /// Code point 2 is 'unspecified'.
    pub fn tells_transfer(&self) -> bool {
        self.transfer != 2
    }
}

impl fmt::Display for Space {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Space::Srgb => "sRGB",
            Space::AdobeRgb => "Adobe RGB",
            Space::DisplayP3 => "Display P3",
            Space::Profile => "its own profile",
            Space::Assumed => "sRGB (assumed)",
            Space::Embedded => EMBEDDED,
            Space::Heif => HEIF,
            Space::HeifHlg => "HEIF, HLG",
            Space::HeifPq => "HEIF, PQ",
            Space::HeifUntold => "HEIF, transfer not told",
        })
    }
}

impl Space {
    pub fn is_heif(self) -> bool {
        matches!(self, Space::Heif | Space::HeifHlg | Space::HeifPq | Space::HeifUntold)
    }
}

/// A colour space as metering needs it.
#[derive(Debug, Clone)]
pub struct Colour {
    pub space: Space,
    pub weights: Weights,
    /// For each 8-bit code, the sRGB code (fractional) of the same linear value.
    pub srgb_code: [f32; 256],
}

/// IEC 61966-2-1.
const SRGB_WEIGHTS: Weights = [0.2126, 0.7152, 0.0722];
/// Adobe RGB (1998) encoding specification.
const ADOBE_WEIGHTS: Weights = [0.29734, 0.62736, 0.07529];
/// Display P3: SMPTE EG 432-1 primaries with the D65 white point.
const P3_WEIGHTS: Weights = [0.22897, 0.69174, 0.07929];
/// ITU-R BT.2020.
#[cfg(feature = "heif")]
const BT2020_WEIGHTS: Weights = [0.2627, 0.678, 0.0593];
/// Adobe RGB (1998) encoding specification.
const ADOBE_GAMMA: f64 = 563.0 / 256.0;

impl Colour {
    /// From the ICC profile if it can be used, else the Exif tag, else sRGB assumed.
    pub fn of(icc: Option<&[u8]>, tag: Option<ColourTag>) -> Colour {
        icc.and_then(Colour::from_profile).unwrap_or_else(|| match tag {
            Some(ColourTag::AdobeRgb) => Colour::new(Space::AdobeRgb, ADOBE_WEIGHTS, |code| code.powf(ADOBE_GAMMA)),
            Some(ColourTag::Srgb) => Colour::new(Space::Srgb, SRGB_WEIGHTS, srgb_decode),
            Some(ColourTag::Uncalibrated) | None => Colour::new(Space::Assumed, SRGB_WEIGHTS, srgb_decode),
        })
    }

    /// Of a HEIF picture. Its codes are read as they stand, by a curve that is learned: only how much each channel counts is
    /// taken from the profile or the index, where they tell it.
    #[cfg(feature = "heif")]
    pub(super) fn of_heif(icc: Option<&[u8]>, coded: Option<HeifColour>) -> Colour {
        let by_profile = icc.and_then(Colour::from_profile).map(|colour| colour.weights);
        let by_index = coded.and_then(|coded| match coded.primaries {
            9 => Some(BT2020_WEIGHTS),
            11 | 12 => Some(P3_WEIGHTS),
            _ => None,
        });
        let space = match coded.filter(HeifColour::tells_transfer).map(|coded| coded.transfer) {
            // ITU-T H.273, table 3.
            Some(16) => Space::HeifPq,
            Some(18) => Space::HeifHlg,
            None if by_profile.is_none() => Space::HeifUntold,
            _ => Space::Heif,
        };
        Colour::new(space, by_profile.or(by_index).unwrap_or(SRGB_WEIGHTS), srgb_decode)
    }

    fn from_profile(icc: &[u8]) -> Option<Colour> {
        let profile = ColorProfile::new_from_slice(icc).ok()?;
        if profile.color_space != DataColorSpace::Rgb {
            return None;
        }
        let curve = profile.green_trc.as_ref()?.make_linear_evaluator().ok()?;
        let decode = |code: f64| f64::from(curve.evaluate_value(code as f32));
        let colorants = [profile.red_colorant, profile.green_colorant, profile.blue_colorant].map(|c| [c.x, c.y, c.z]);
        let known = [
            (Space::Srgb, SRGB_WEIGHTS, ColorProfile::new_srgb()),
            (Space::AdobeRgb, ADOBE_WEIGHTS, ColorProfile::new_adobe_rgb()),
            (Space::DisplayP3, P3_WEIGHTS, ColorProfile::new_display_p3()),
        ];
        for (space, weights, standard) in known {
            let theirs =
                [standard.red_colorant, standard.green_colorant, standard.blue_colorant].map(|c| [c.x, c.y, c.z]);
            let far = colorants.iter().flatten().zip(theirs.iter().flatten()).map(|(a, b)| (a - b).abs());
            if far.fold(0.0, f64::max) < 0.004 {
                return Some(Colour::new(space, weights, decode));
            }
        }
        let total: f64 = colorants.iter().map(|c| c[1]).sum();
        let usable = total.is_finite() && total > 0.5 && colorants.iter().all(|c| c[1] >= 0.0);
        usable.then(|| Colour::new(Space::Profile, colorants.map(|c| (c[1] / total) as f32), decode))
    }

    fn new(space: Space, weights: Weights, decode: impl Fn(f64) -> f64) -> Colour {
        let srgb_code = std::array::from_fn(|code| {
            let linear = decode(code as f64 / 255.0).clamp(0.0, 1.0);
            (srgb_encode(linear) * 255.0) as f32
        });
        Colour { space, weights, srgb_code }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: IEC 61966-2-1 and the Adobe RGB (1998) encoding specification: 8-bit codes of 18 %.
    #[test]
    fn eighteen_percent_has_the_published_codes() {
        let adobe = Colour::of(None, Some(ColourTag::AdobeRgb));
        // Adobe RGB 116.925 and sRGB 117.6458 are the same light.
        let at = |c: f32| adobe.srgb_code[116] + (adobe.srgb_code[117] - adobe.srgb_code[116]) * (c - 116.0);
        assert!((at(116.925) - 117.6458).abs() < 0.02, "{}", at(116.925));
    }

    #[test]
    fn profiles_are_known_by_their_primaries() {
        for (profile, space) in [
            (ColorProfile::new_srgb(), Space::Srgb),
            (ColorProfile::new_adobe_rgb(), Space::AdobeRgb),
            (ColorProfile::new_display_p3(), Space::DisplayP3),
        ] {
            let icc = profile.encode().unwrap();
            let colour = Colour::of(Some(&icc), Some(ColourTag::Srgb));
            assert_eq!(colour.space, space);
            assert!((colour.weights.iter().sum::<f32>() - 1.0).abs() < 1e-4);
        }
        assert_eq!(Colour::of(Some(b"not a profile"), None).space, Space::Assumed);
    }

    /// CHECK: code points of transfer characteristics by ITU-T H.273, table 3.
    #[test]
    #[cfg(feature = "heif")]
    fn a_transfer_that_nothing_tells_is_held_as_unsurely_as_one_of_high_range() {
        let icc = ColorProfile::new_display_p3().encode().unwrap();
        let space = |icc: Option<&[u8]>, transfer: Option<u16>| {
            Colour::of_heif(icc, transfer.map(|transfer| HeifColour { primaries: 9, transfer })).space
        };
        for (transfer, told) in [(Some(16), Space::HeifPq), (Some(18), Space::HeifHlg), (Some(13), Space::Heif)] {
            assert_eq!(space(None, transfer), told);
        }
        for nothing in [None, Some(2)] {
            assert_eq!(space(None, nothing), Space::HeifUntold);
            assert_eq!(space(Some(&icc), nothing), Space::Heif);
        }
        assert_eq!(HeifRange::of(&Space::HeifUntold.to_string()), Some(HeifRange::High));
    }
}
