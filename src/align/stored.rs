//! A code picture as bytes, and the name that its contents give it.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use xxhash_rust::xxh3::xxh3_64;

use super::code_picture::{CodePicture, LONG_SIDE, colour_side};

/// A code picture's name: the checksum of its bytes. Two pictures that are the same have the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct PictureId(u64);

impl fmt::Display for PictureId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:016x}", self.0)
    }
}

impl FromStr for PictureId {
    type Err = &'static str;

    fn from_str(text: &str) -> Result<PictureId, &'static str> {
        let is_one = text.len() == 16 && text.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        let number = u64::from_str_radix(text, 16).ok().filter(|_| is_one);
        number.map(PictureId).ok_or("a picture is named by 16 hexadecimal digits")
    }
}

impl TryFrom<String> for PictureId {
    type Error = &'static str;

    fn try_from(text: String) -> Result<PictureId, &'static str> {
        text.parse()
    }
}

impl From<PictureId> for String {
    fn from(id: PictureId) -> String {
        id.to_string()
    }
}

/// What the bytes begin with: width and height, two bytes each with the low one first, and one that is 1 for a raw file.
const HEAD: usize = 5;

impl CodePicture {
    pub fn id(&self) -> PictureId {
        PictureId(xxh3_64(&self.to_bytes()))
    }

    /// The head, then the luminance of each pixel in two bytes with the low one first, then the colours.
    pub fn to_bytes(&self) -> Vec<u8> {
        // No side is longer than `LONG_SIDE`.
        let sides = [self.width as u16, self.height as u16];
        let mut bytes: Vec<u8> = sides.iter().flat_map(|side| side.to_le_bytes()).collect();
        bytes.push(u8::from(self.is_raw));
        bytes.extend(self.luminance.iter().flat_map(|steps| steps.to_le_bytes()));
        bytes.extend(self.colour.iter().flatten());
        bytes
    }

    /// The picture of this name; `None` when the bytes are not its.
    pub fn from_bytes(id: PictureId, bytes: &[u8]) -> Option<CodePicture> {
        if xxh3_64(bytes) != id.0 {
            return None;
        }
        let (head, rest) = bytes.split_at_checked(HEAD)?;
        let side = |at: usize| Some(usize::from(u16::from_le_bytes(head.get(at..at + 2)?.try_into().ok()?)));
        let (width, height) = (side(0)?, side(2)?);
        if !(1..=LONG_SIDE).contains(&width) || !(1..=LONG_SIDE).contains(&height) {
            return None;
        }
        let (luminance, colour) = rest.split_at_checked(width * height * 2)?;
        let luminance = luminance.chunks_exact(2).map(|pair| u16::from_le_bytes([pair[0], pair[1]])).collect();
        let is_whole = colour.len() == colour_side(width) * colour_side(height) * 3;
        let colour = colour.chunks_exact(3).map(|rgb| [rgb[0], rgb[1], rgb[2]]).collect();
        let is_raw = head[4] == 1;
        is_whole.then_some(CodePicture { width, height, is_raw, luminance, colour })
    }

    /// Bytes of the largest.
    pub const MOST_BYTES: usize = HEAD + LONG_SIDE * LONG_SIDE * 2 + LONG_SIDE * LONG_SIDE / 16 * 3;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy};

    fn picture() -> CodePicture {
        let rgb = (0..90 * 61).map(|i| [(i % 251) as u8, (i % 13) as u8, 200]).collect();
        let proxy = Proxy { width: 90, height: 61, rgb };
        CodePicture::of(&Picture { proxy, colour: Colour::of(None, None), linear: None })
    }

    #[test]
    fn a_picture_is_the_same_after_writing_and_every_damage_is_noticed() {
        let (picture, id) = (picture(), picture().id());
        let bytes = picture.to_bytes();
        assert_eq!(CodePicture::from_bytes(id, &bytes), Some(picture));
        assert_eq!(id.to_string().parse(), Ok(id));
        for at in (0..bytes.len()).step_by(97) {
            let mut damaged = bytes.clone();
            damaged[at] ^= 1;
            assert_eq!(CodePicture::from_bytes(id, &damaged), None, "{at}");
            assert_eq!(CodePicture::from_bytes(id, &bytes[..at]), None);
        }
    }

    /// Whoever writes a checksum of his own is still held to the sizes that he claims.
    #[test]
    fn a_claim_that_the_bytes_do_not_bear_out_is_refused() {
        for (width, height) in [(0_u16, 5_u16), (5, 0), (65535, 65535), (384, 384), (91, 61)] {
            let mut bytes = picture().to_bytes();
            bytes[..2].copy_from_slice(&width.to_le_bytes());
            bytes[2..4].copy_from_slice(&height.to_le_bytes());
            assert_eq!(CodePicture::from_bytes(PictureId(xxh3_64(&bytes)), &bytes), None);
        }
        assert!("00".parse::<PictureId>().is_err() && "000000000000000G".parse::<PictureId>().is_err());
    }
}
