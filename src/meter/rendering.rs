//! What a reading's codes are by: light itself, or which of a camera's ways to render it.

use super::light_map::LightMap;
use super::reading::{FrameReadings, Scale};
use crate::frame::{EMBEDDED, HeifRange, apart};

impl FrameReadings {
    /// Whether this is the linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        self.scale == Scale::Linear
    }

    /// Whether this is of the picture embedded in a raw file.
    pub fn is_embedded(&self) -> bool {
        self.scale == Scale::Embedded
    }

    /// Whether this is of a picture that stands for the light of its raw file, which can't be read.
    pub fn stands_in(&self) -> bool {
        self.colour == EMBEDDED
    }

    /// Whether one curve can read both. A JPEG, a HEIF picture and one that a raw file holds are rendered each otherwise, and so is each
    /// transfer of HEIF pictures.
    pub fn shares_curve_with(&self, other: &FrameReadings) -> bool {
        self.is_embedded() == other.is_embedded() && apart(&self.colour) == apart(&other.colour)
    }

    /// Whether a map of light is of the picture, or raw file, that this reading is of.
    pub fn is_beside(&self, map: &LightMap) -> bool {
        self.is_raw() == map.is_raw() && !self.is_embedded() && apart(&self.colour) == map.rendering.as_deref()
    }

    /// What it is of, in words.
    pub fn kind(&self) -> String {
        match HeifRange::of(&self.colour) {
            _ if self.is_raw() => "a raw file's light".to_owned(),
            _ if self.is_embedded() || self.stands_in() => "the picture in a raw file".to_owned(),
            Some(HeifRange::Standard) => "a HEIF picture".to_owned(),
            Some(HeifRange::High) => format!("a HEIF picture of another transfer ({})", self.colour),
            None => "a picture as JPEG, TIFF, PNG or WebP files hold it".to_owned(),
        }
    }
}

impl LightMap {
    /// Whether one curve can read both.
    pub fn shares_curve_with(&self, other: &LightMap) -> bool {
        self.is_raw() == other.is_raw() && self.rendering == other.rendering
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy, Space};
    use crate::meter::light_map;

    fn of(scale: Scale, space: Space) -> FrameReadings {
        FrameReadings { scale, colour: space.to_string(), readings: vec![], cells: vec![], picture: None }
    }

    #[test]
    fn each_way_to_render_shares_a_curve_with_itself_alone() {
        let each = [
            of(Scale::Rendered, Space::Srgb),
            of(Scale::Embedded, Space::Srgb),
            of(Scale::Rendered, Space::Embedded),
            of(Scale::Rendered, Space::Heif),
            of(Scale::Rendered, Space::HeifHlg),
            of(Scale::Rendered, Space::HeifPq),
        ];
        for (n, one) in each.iter().enumerate() {
            for (m, other) in each.iter().enumerate() {
                assert_eq!(one.shares_curve_with(other), n == m, "{one:?} {other:?}");
            }
        }
        assert!(each[0].shares_curve_with(&of(Scale::Rendered, Space::AdobeRgb)), "one camera's curve reads both");
    }

    #[test]
    fn a_map_of_light_goes_with_the_reading_of_its_own_picture() {
        let map = |space: Space| {
            let proxy = Proxy { width: 40, height: 40, rgb: vec![[118; 3]; 1600] };
            light_map(&Picture { proxy, colour: Colour { space, ..Colour::of(None, None) }, linear: None })
        };
        let (plain, heif) = (map(Space::Srgb), map(Space::Heif));
        assert!(!plain.shares_curve_with(&heif) && plain.shares_curve_with(&map(Space::DisplayP3)));
        for (space, goes_with) in
            [(Space::Srgb, &plain), (Space::Heif, &heif), (Space::Embedded, &map(Space::Embedded))]
        {
            for other in [Space::Srgb, Space::Embedded, Space::Heif, Space::HeifHlg, Space::HeifPq] {
                assert_eq!(of(Scale::Rendered, other).is_beside(goes_with), other == space, "{other}");
            }
            assert!(!of(Scale::Linear, Space::Srgb).is_beside(goes_with));
            let text = serde_json::to_string(goes_with).unwrap();
            assert_eq!(&serde_json::from_str::<LightMap>(&text).unwrap(), goes_with);
        }
    }
}
