//! The small picture that a camera puts into a photograph's metadata: for people to look at, never metered.

use exif::{In, Tag};

use super::colour::Colour;
use super::embedded::sound_jpeg;
use super::settings::{Settings, leniently};
use super::{Picture, Proxy, pixels};
use crate::container::{Coding, Kind};

/// Pixels along its long side; the usual 160 x 120 (DCF 2.0, JEITA CP-3461B; from memory) are enough to know a frame by.
const LEAST: usize = 160;
/// A shape that differs by less than this share is the photograph's own.
const SAME_SHAPE: f64 = 0.01;

/// Decodes it, upright, without the bars beside a photograph of another shape. `None` where there is none that is sound.
pub(super) fn decode(exif: &[u8], photograph: &Coding, settings: &Settings) -> Option<Picture> {
    let read = leniently(exif.to_vec())?;
    let number = |tag| read.get_field(tag, In::THUMBNAIL)?.value.get_uint(0);
    let from = number(Tag::JPEGInterchangeFormat)? as usize;
    let to = from.checked_add(number(Tag::JPEGInterchangeFormatLength)? as usize)?;
    let (layout, jpeg) = sound_jpeg(exif.get(from..to)?)?;
    let coding = layout.coding.filter(|coding| coding.width.max(coding.height) >= LEAST)?;
    let stored = pixels::decode(Kind::Jpeg, &jpeg, Some(&coding), 1).ok()?;
    let proxy = stored.without_bars(photograph.width, photograph.height).turned(settings.orientation);
    Some(Picture { proxy, colour: Colour::of(None, None), linear: None })
}

impl Proxy {
    /// The middle of it that has the shape of a picture of this size.
    fn without_bars(self, width: usize, height: usize) -> Proxy {
        let wider = self.width as f64 * height as f64 / (self.height as f64 * width as f64);
        let [across, down] = [(self.width as f64 / wider.max(1.0)), (self.height as f64 * wider.min(1.0))];
        let [across, down] = [across, down].map(|side| (side.round() as usize).max(1));
        if !wider.is_finite() || (wider - 1.0).abs() < SAME_SHAPE {
            return self;
        }
        let [left, top] = [(self.width - across) / 2, (self.height - down) / 2];
        let rows = self.rgb.chunks(self.width).skip(top).take(down);
        let rgb = rows.flat_map(|row| row.iter().skip(left).take(across).copied()).collect();
        Proxy { width: across, height: down, rgb }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Columns of three bars' codes: 0 and 2 are the bars.
    fn with_bars(width: usize, height: usize, is_bar: impl Fn(usize, usize) -> bool) -> Proxy {
        let places = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
        Proxy { width, height, rgb: places.map(|(x, y)| if is_bar(x, y) { [0; 3] } else { [200; 3] }).collect() }
    }

    #[test]
    fn bars_above_and_beside_a_picture_are_left_out() {
        let wide = with_bars(160, 120, |_, y| !(7..113).contains(&y)).without_bars(6000, 4000);
        assert_eq!((wide.width, wide.height), (160, 107));
        let bars = wide.rgb.iter().filter(|rgb| **rgb == [0; 3]).count();
        assert!(bars <= 160, "{bars} of the bars' pixels are left");
        let upright = with_bars(160, 120, |x, _| !(40..120).contains(&x)).without_bars(4000, 6000);
        assert_eq!((upright.width, upright.height), (80, 120));
        assert!(upright.rgb.iter().all(|rgb| *rgb == [200; 3]));
        let same = with_bars(160, 120, |_, _| false);
        assert_eq!(same.clone().without_bars(4000, 3000), same);
    }
}
