//! A picture is known again by its own data: whatever is written beside them leaves it the same picture, and one byte of
//! them makes it another.

use std::io::Cursor;
use std::path::Path;
use std::process::Command;

use crate::harness::hostile::entry;
use crate::harness::{Shot, real_frames, shot};
use greyhold::container::{Extent, Fingerprints, Kind, examine};
use image::{ImageFormat, RgbImage};
use proptest::prelude::*;

fn picture(kind: Kind) -> Vec<u8> {
    let pixels = RgbImage::from_fn(300, 200, |x, y| image::Rgb([(x * 7 + y * 3) as u8, (x * y) as u8, (x ^ y) as u8]));
    let format = match kind {
        Kind::Tiff => ImageFormat::Tiff,
        Kind::Png => ImageFormat::Png,
        Kind::WebP => ImageFormat::WebP,
        Kind::RawTiff => return Shot { size: (200, 120), ..shot(8.0, 0.0, 1) }.raw(),
        _ => return shot(8.0, 0.0, 1).jpeg(),
    };
    let mut bytes = Cursor::new(Vec::new());
    pixels.write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

const KINDS: [(Kind, &str); 5] = [
    (Kind::Jpeg, "a.jpg"),
    (Kind::Tiff, "a.tif"),
    (Kind::Png, "a.png"),
    (Kind::WebP, "a.webp"),
    (Kind::RawTiff, "a.dng"),
];

fn fingerprints(kind: Kind, bytes: &[u8]) -> Fingerprints {
    let mut file = Cursor::new(bytes);
    let layout = examine(kind, &mut file).unwrap();
    Fingerprints::of(&mut file, &layout, Extent::Whole).unwrap()
}

/// Captions, keywords and a changed artist, by a general-purpose metadata editor.
#[test]
fn what_a_metadata_editor_writes_leaves_the_fingerprint() {
    let home = tempfile::tempdir().unwrap();
    let mut files: Vec<(Kind, String, Vec<u8>)> =
        KINDS.iter().map(|(kind, name)| (*kind, (*name).to_owned(), picture(*kind))).collect();
    if let Some(frames) = real_frames() {
        for (kind, name) in [
            (Kind::Tiff, "containers/tif.tif"),
            (Kind::Heif, "containers/exif-one-entry.heic"),
            (Kind::RawTiff, "raw/RAW_NIKON_D1.NEF"),
            (Kind::RawTiff, "raw/colorchart.dng"),
            (Kind::Jpeg, "phone/IMG_3870.jpeg"),
        ] {
            let name = Path::new(name);
            let bytes = std::fs::read(frames.join(name)).unwrap();
            files.push((kind, name.file_name().unwrap().to_string_lossy().into_owned(), bytes));
        }
    }
    let mut edited = 0;
    for (kind, name, before) in files {
        let path = home.path().join(&name);
        std::fs::write(&path, &before).unwrap();
        let caption = format!("-Description={}", "a long caption ".repeat(300));
        let done = Command::new("exiftool")
            .args(["-overwrite_original", "-q", "-m", "-Artist=nobody", "-XMP-dc:Subject=portrait", &caption])
            .arg(&path)
            .output();
        let Ok(done) = done else {
            println!("skipped: exiftool is not here");
            return;
        };
        let after = std::fs::read(&path).unwrap();
        if !done.status.success() || after == before {
            println!("{name}: not edited: {}", String::from_utf8_lossy(&done.stderr));
            continue;
        }
        let (before, after) = (fingerprints(kind, &before), fingerprints(kind, &after));
        assert_eq!(before.whole, after.whole, "{name}");
        assert_eq!(before.sampled, after.sampled, "{name}");
        edited += 1;
    }
    assert!(edited >= 4, "{edited}");
}

#[test]
fn bytes_behind_a_jpeg_are_none_of_its_picture() {
    let bytes = picture(Kind::Jpeg);
    let longer = [&bytes[..], b"a preview, or what an editor keeps"].concat();
    assert_eq!(fingerprints(Kind::Jpeg, &bytes).whole, fingerprints(Kind::Jpeg, &longer).whole);
}

/// Strips are counted in the order of the picture, wherever they lie.
#[test]
fn a_tiff_whose_directories_move_is_the_same_picture() {
    let entry = |tag, kind, value| entry(tag, kind, 1, value);
    let strip: Vec<u8> = (0..40_000_u32).map(|n| ((n * n) >> 5) as u8).collect();
    let directory = |strip_at: u32| {
        let entries = [
            entry(256, 3, 200),
            entry(257, 3, 200),
            entry(258, 3, 8),
            entry(259, 3, 1),
            entry(262, 3, 1),
            entry(273, 4, strip_at),
            entry(278, 3, 200),
            entry(279, 4, 40_000),
        ];
        [&8_u16.to_le_bytes()[..], &entries.concat(), &[0; 4]].concat()
    };
    let in_front = [&b"II*\0\x08\0\0\0"[..], &directory(110), &strip].concat();
    let behind = [&b"II*\0"[..], &40_108_u32.to_le_bytes(), &[5; 100], &strip, &directory(108), &[7; 5000]].concat();
    assert_eq!(fingerprints(Kind::Tiff, &in_front).whole, fingerprints(Kind::Tiff, &behind).whole);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn another_byte_of_the_picture_is_another_picture(
        which in 0..KINDS.len(),
        piece in any::<prop::sample::Index>(),
        at in any::<prop::sample::Index>(),
        change in 1_u8..=255,
    ) {
        let (kind, _) = KINDS[which];
        let bytes = picture(kind);
        let mut file = Cursor::new(&bytes);
        let layout = examine(kind, &mut file).unwrap();
        let before = Fingerprints::of(&mut file, &layout, Extent::Whole).unwrap();
        let piece = piece.get(&layout.picture);
        prop_assume!(piece.length > 0);
        let mut other = bytes.clone();
        other[piece.at as usize + at.index(piece.length as usize)] ^= change;
        // The same places: a change may make the structure another one, too, and then it is refused.
        let after = Fingerprints::of(&mut Cursor::new(&other), &layout, Extent::Whole).unwrap();
        prop_assert_ne!(before.whole, after.whole);
        prop_assert!(!after.are_of(before.best()));
    }
}
