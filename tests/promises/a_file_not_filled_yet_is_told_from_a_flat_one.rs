//! Space that a copy set aside and has not filled yet is never read as a picture, and a picture with flat or clipped
//! areas is not taken for such.

use std::io::Cursor;
use std::path::Path;

use crate::harness::random::Random;
use crate::harness::{real_frames, shot};
use greyhold::container::{Fault, Kind, Layout, examine, load};
use greyhold::frame;
use greyhold::photometry::Series;
use image::{ImageFormat, RgbImage};
use proptest::prelude::*;

const PAGE: usize = 4096;

fn examined(kind: Kind, bytes: &[u8]) -> Result<Layout, Fault> {
    examine(kind, &mut Cursor::new(bytes))
}

/// How a JPEG is written.
#[derive(Debug, Clone, Copy)]
enum Writing {
    Plain,
    Optimised,
    Progressive,
    /// Progressive, each colour at half size.
    ProgressiveSmall,
    Restarting,
}

const WRITINGS: [Writing; 5] =
    [Writing::Plain, Writing::Optimised, Writing::Progressive, Writing::ProgressiveSmall, Writing::Restarting];

fn jpeg(pixels: &RgbImage, writing: Writing) -> Vec<u8> {
    let (width, height) = pixels.dimensions();
    if let Writing::Restarting = writing {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
        encoder.set_restart_interval(64);
        encoder.encode(pixels.as_raw(), width as u16, height as u16, jpeg_encoder::ColorType::Rgb).unwrap();
        return bytes;
    }
    let mut encoder = mozjpeg::Compress::new(mozjpeg::ColorSpace::JCS_RGB);
    encoder.set_size(width as usize, height as usize);
    encoder.set_fastest_defaults();
    encoder.set_quality(90.0);
    match writing {
        Writing::Optimised => encoder.set_optimize_coding(true),
        Writing::Progressive => encoder.set_progressive_mode(),
        Writing::ProgressiveSmall => {
            encoder.set_chroma_sampling_pixel_sizes((2, 2), (2, 2));
            encoder.set_progressive_mode();
        }
        _ => {}
    }
    let mut started = encoder.start_compress(Vec::new()).unwrap();
    started.write_scanlines(pixels.as_raw()).unwrap();
    started.finish().unwrap()
}

/// What is in the picture: a flat part of a code at the top, noise below.
fn pixels(width: u32, height: u32, flat: f64, code: u8, seed: u64) -> RgbImage {
    let mut random = Random(seed);
    let flat_rows = (f64::from(height) * flat) as u32;
    RgbImage::from_fn(width, height, |x, y| {
        if y < flat_rows {
            return image::Rgb([code; 3]);
        }
        let wave = 60.0 * (f64::from(x) / 90.0).sin() + 110.0;
        image::Rgb([wave, wave * 0.9, wave * 0.8].map(|v| (v + 40.0 * random.next()) as u8))
    })
}

#[test]
fn flat_clipped_and_noisy_jpegs_are_whole() {
    for writing in WRITINGS {
        for (flat, code) in [(0.0, 0), (0.1, 255), (0.35, 255), (0.6, 0), (0.9, 128), (1.0, 255), (1.0, 0)] {
            let bytes = jpeg(&pixels(2400, 1600, flat, code, 5), writing);
            let layout = examined(Kind::Jpeg, &bytes).unwrap_or_else(|e| panic!("{writing:?} {flat} {code}: {e}"));
            assert!(!layout.tail_missing);
        }
    }
}

#[test]
fn every_sound_photograph_is_whole() {
    let Some(frames) = real_frames() else { return };
    let folders = ["cameras", "flash", "phone", "series-b", "series-c", "series-d", "third-stops", "aperture-grid"];
    let mut seen = 0;
    for folder in folders {
        for entry in std::fs::read_dir(frames.join(folder)).unwrap().flatten() {
            let path = entry.path();
            if Kind::of(&path) != Some(Kind::Jpeg) {
                continue;
            }
            let bytes = std::fs::read(&path).unwrap();
            // The picture's own end marker is what a sound file has; some of these were cut for publication.
            if has_no_end(&bytes) {
                continue;
            }
            let layout = examined(Kind::Jpeg, &bytes).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
            assert_eq!(layout.perhaps_unfinished, None, "{}", path.display());
            seen += 1;
        }
    }
    println!("{seen} photographs are whole");
    assert!(seen > 100);
}

fn has_no_end(bytes: &[u8]) -> bool {
    !bytes.windows(2).any(|w| w == [0xFF, 0xD9])
}

/// Files whose holes are tried, made once.
fn tried() -> &'static [(Writing, Vec<u8>)] {
    static TRIED: std::sync::OnceLock<Vec<(Writing, Vec<u8>)>> = std::sync::OnceLock::new();
    TRIED.get_or_init(|| {
        let mut all = Vec::new();
        for writing in WRITINGS {
            for (flat, code) in [(0.0, 0), (0.35, 255), (0.7, 0), (0.98, 200)] {
                all.push((writing, jpeg(&pixels(2400, 1600, flat, code, 9), writing)));
            }
        }
        all
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whole pages of a file that was set aside are zero: at its end, or anywhere else.
    #[test]
    fn a_jpeg_with_pages_that_are_not_written_is_never_read_as_whole(
        file in any::<prop::sample::Index>(),
        from in any::<prop::sample::Index>(),
        pages in 1_usize..40,
        to_the_end in any::<bool>(),
    ) {
        let (writing, whole) = file.get(tried());
        let mut bytes = whole.clone();
        let first = from.index(bytes.len() / PAGE) * PAGE;
        let last = if to_the_end { bytes.len() } else { (first + pages * PAGE).min(bytes.len()) };
        bytes[first..last].fill(0);
        prop_assume!(bytes != *whole);
        match examined(Kind::Jpeg, &bytes) {
            Err(Fault::Incomplete(_)) => {}
            Ok(layout) if layout.perhaps_unfinished.is_some() => {}
            said => prop_assert!(false, "{writing:?} {first}..{last} of {}: {said:?}", bytes.len()),
        }
    }

    /// A copy that writes from the start has a beginning of any length, and zeros or nothing behind it.
    #[test]
    fn a_jpeg_that_is_being_copied_is_never_whole(
        file in any::<prop::sample::Index>(),
        at in any::<prop::sample::Index>(),
        set_aside in any::<bool>(),
    ) {
        let (writing, whole) = file.get(tried());
        let cut = at.index(whole.len() - 1);
        let mut bytes = whole[..cut].to_vec();
        if set_aside {
            bytes.resize(whole.len(), 0);
        }
        let said = examined(Kind::Jpeg, &bytes);
        prop_assert!(matches!(said, Err(Fault::Incomplete(_))), "{writing:?} cut at {cut}: {said:?}");
    }
}

fn encoded(format: ImageFormat, pixels: &RgbImage) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    pixels.write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

/// Their structure is whole as soon as their beginning, or their end, is there.
#[test]
fn tiff_webp_and_raw_of_full_length_say_that_they_may_be_empty() {
    let pixels = pixels(1200, 800, 0.0, 0, 3);
    let raw = crate::harness::Shot { size: (900, 600), ..shot(8.0, 0.0, 1) }.raw();
    for (kind, whole) in [
        (Kind::Tiff, encoded(ImageFormat::Tiff, &pixels)),
        (Kind::WebP, encoded(ImageFormat::WebP, &pixels)),
        (Kind::RawTiff, raw),
    ] {
        let layout = examined(kind, &whole).unwrap();
        assert_eq!(layout.perhaps_unfinished, None, "{kind:?} is written");
        let payload = layout.payload as usize;
        let end = layout.picture.iter().map(|p| (p.at + p.length) as usize).max().unwrap();
        // Nothing of the picture, its second half, its last page, a page in the middle.
        for hole in [payload + PAGE..end, (payload + end) / 2..end, end / PAGE * PAGE..end, 40 * PAGE..41 * PAGE] {
            let mut bytes = whole.clone();
            bytes[hole.clone()].fill(0);
            match load(kind, &mut Cursor::new(&bytes)) {
                Ok((layout, _)) => assert!(layout.perhaps_unfinished.is_some(), "{kind:?} {hole:?}"),
                Err(fault) => assert!(matches!(fault, Fault::Incomplete(_)), "{kind:?} {hole:?}: {fault}"),
            }
        }
        let read = frame::read_from(kind, Path::new("a.dng"), &mut Cursor::new(&whole), Series::Thirds).unwrap();
        assert!(read.perhaps_unfinished.is_none() && read.frame.unwrap().picture.is_some());
    }
}

/// Black is zeros in a plain TIFF: it is read all the same, and says why one may wait for it.
#[test]
fn a_black_tiff_is_whole_and_may_be_unfinished() {
    let bytes = encoded(ImageFormat::Tiff, &RgbImage::new(300, 200));
    let read = frame::read_from(Kind::Tiff, Path::new("a.tif"), &mut Cursor::new(&bytes), Series::Thirds).unwrap();
    assert!(read.perhaps_unfinished.is_some());
    assert!(read.frame.unwrap().picture.is_some());
}

/// A page that is missing inside one long chunk leaves the chunks' chain as it is.
#[test]
fn a_png_with_an_empty_page_is_not_whole() {
    let whole = encoded(ImageFormat::Png, &pixels(900, 600, 0.0, 0, 3));
    assert!(examined(Kind::Png, &whole).is_ok());
    for page in [2, whole.len() / PAGE / 2, whole.len() / PAGE - 1] {
        let mut bytes = whole.clone();
        bytes[page * PAGE..(page + 1) * PAGE].fill(0);
        assert!(matches!(examined(Kind::Png, &bytes), Err(Fault::Incomplete(_))), "page {page}");
    }
}
