//! The looks' reference pictures, small, as they stand on a sheet: out of the small pictures that are kept beside a log, or as
//! somebody has read them out of the photographs.

use std::collections::BTreeMap;

use image::RgbImage;
use image::codecs::jpeg::JpegEncoder;

use crate::align::CodePicture;
use crate::outlet::html::jpeg_address;
use crate::outlet::scene_pictures::ScenePictures;
use crate::session::sheet::{LookOnSheet, Sheet};

const QUALITY: u8 = 82;

/// By the looks' names.
#[derive(Debug, Default)]
pub struct PicturesOfLooks(BTreeMap<String, Vec<u8>>);

impl PicturesOfLooks {
    /// Those that are kept beside the log.
    pub fn of(sheet: &Sheet, kept: &ScenePictures) -> PicturesOfLooks {
        let picture = |look: &LookOnSheet| {
            let mut pictures: Vec<CodePicture> = look.pictures.iter().filter_map(|id| kept.read(*id)).collect();
            // A raw file's has no tones before it is developed.
            pictures.sort_by_key(CodePicture::is_raw);
            Some((look.name.clone(), jpeg(pictures.first()?)?))
        };
        PicturesOfLooks(sheet.looks.iter().filter_map(picture).collect())
    }

    pub fn has(&self, look: &str) -> bool {
        self.0.contains_key(look)
    }

    pub fn add(&mut self, look: &str, jpeg: Vec<u8>) {
        self.0.insert(look.to_owned(), jpeg);
    }

    /// The picture's address, which is the picture.
    pub fn address(&self, look: &str) -> Option<String> {
        self.0.get(look).map(|jpeg| jpeg_address(jpeg))
    }
}

/// `None` when it can't be encoded.
fn jpeg(picture: &CodePicture) -> Option<Vec<u8>> {
    let image = RgbImage::from_raw(picture.width() as u32, picture.height() as u32, picture.srgb())?;
    let mut jpeg = Vec::new();
    JpegEncoder::new_with_quality(&mut jpeg, QUALITY).encode_image(&image).ok()?;
    Some(jpeg)
}
