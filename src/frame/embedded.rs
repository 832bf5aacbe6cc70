//! The picture that a camera rendered and put into a raw file: read much sooner than the sensor's light.

use std::io::Cursor;

use super::colour::Colour;
use super::settings::Settings;
use super::{Picture, pixels};
use crate::container::{self, Coding, Kind, Layout};

/// A picture of fewer pixels along its long side is an icon: it may have bars, and shows no texture to lay it over another by.
const LEAST: usize = 600;
/// Of those with so many the smallest is read.
const ENOUGH: usize = 1000;
/// So many of them are looked at.
const MOST: usize = 8;

/// Decodes the smallest one that is large enough. `None` where there is none, or none that is sound: the light is there.
pub(super) fn decode(bytes: &[u8], layout: &Layout, settings: &Settings) -> Option<Picture> {
    let jpegs = layout.embedded.iter().filter_map(|piece| {
        let from = usize::try_from(piece.at).ok()?;
        let to = from.checked_add(usize::try_from(piece.length).ok()?)?;
        bytes.get(from..to).filter(|jpeg| jpeg.starts_with(&[0xFF, 0xD8, 0xFF]))
    });
    let sound = jpegs.take(MOST).filter_map(sound_jpeg);
    let long = |coding: &Coding| coding.width.max(coding.height);
    let sized = sound.filter_map(|(layout, jpeg)| {
        let coding = layout.coding.clone()?;
        (long(&coding) >= LEAST).then_some((layout, jpeg, coding))
    });
    // Of those that are too small the largest, of those that are large enough the smallest.
    let (layout, jpeg, coding) = sized.min_by_key(|(.., coding)| {
        let long = long(coding);
        (long < ENOUGH, if long < ENOUGH { usize::MAX - long } else { long })
    })?;
    let proxy = pixels::decode(Kind::Jpeg, &jpeg, Some(&coding), settings.orientation).ok()?;
    Some(Picture { proxy, colour: Colour::of(layout.icc.as_deref(), settings.colour_space), linear: None })
}

/// A JPEG within a file, where it is whole.
pub(super) fn sound_jpeg(bytes: &[u8]) -> Option<(Layout, Vec<u8>)> {
    container::load(Kind::Jpeg, &mut Cursor::new(bytes)).ok()
}
