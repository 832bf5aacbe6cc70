//! At which codes a picture's scale ends: what is clipped stands there.

use super::Picture;

/// At reduced size a clipped pixel is pulled off the very end of the scale by so many codes.
const PULLED: u8 = 4;
/// Brightness of a video signal of limited range, in 8 bits. Source: ITU-R BT.709, table 4 (quantized levels).
const LIMITED: std::ops::RangeInclusive<u32> = 16..=235;

/// From which code on a channel is burnt out, and up to which it is black.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ends {
    burnt_out: u8,
    black: u8,
}

impl Ends {
    /// Of a HEIF picture nobody can be sure whether its codes go from 0 to 255 or from 16 to 235, as files tell it wrongly: where no
    /// pixel is brighter or darker than the latter, these are taken for the ends.
    pub fn of(picture: &Picture) -> Ends {
        // Weights of ITU-R BT.601, by which phones and cameras code them; rounding takes a code at each end.
        let brightness = |[r, g, b]: &[u8; 3]| (u32::from(*r) * 299 + u32::from(*g) * 587 + u32::from(*b) * 114) / 1000;
        let within = (*LIMITED.start() - 1)..=(*LIMITED.end() + 1);
        let is_limited =
            picture.colour.space.is_heif() && picture.proxy.rgb.iter().all(|rgb| within.contains(&brightness(rgb)));
        let [lowest, highest] = if is_limited { [16, 235] } else { [0, u8::MAX] };
        Ends { burnt_out: highest - PULLED, black: lowest + PULLED - 1 }
    }

    pub fn is_burnt_out(self, code: u8) -> bool {
        code >= self.burnt_out
    }

    pub fn is_black(self, code: u8) -> bool {
        code <= self.black
    }

    /// Whether a pixel is burnt out: of warm skin one channel often stands at the end, and the light is told by the others.
    pub fn burn_out(self, rgb: &[u8; 3]) -> bool {
        rgb.iter().filter(|code| self.is_burnt_out(**code)).count() > 1
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Proxy, Space};

    fn ends(space: Space, grey: &[u8]) -> Ends {
        let rgb: Vec<[u8; 3]> = grey.iter().map(|code| [*code; 3]).collect();
        let proxy = Proxy { width: rgb.len(), height: 1, rgb };
        Ends::of(&Picture { proxy, colour: Colour { space, ..Colour::of(None, None) }, linear: None })
    }

    /// CHECK: ITU-R BT.709, table 4: black is 16 and white 235 of 8 bits.
    #[test]
    fn white_of_a_limited_range_is_burnt_out_in_a_heif_picture() {
        let limited = ends(Space::Heif, &[16, 120, 235, 235]);
        assert!(limited.is_burnt_out(235) && limited.is_black(16));
        assert!(!limited.is_burnt_out(225) && !limited.is_black(24));
        for whole in [ends(Space::Heif, &[0, 120, 235]), ends(Space::Heif, &[16, 250]), ends(Space::Srgb, &[16, 235])] {
            assert!(!whole.is_burnt_out(250) && whole.is_burnt_out(251) && whole.is_black(3) && !whole.is_black(4));
        }
    }
}
