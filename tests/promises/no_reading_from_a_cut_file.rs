//! No reading ever from an incomplete file, at any cut; and a bomb or a tangle costs nothing.

use std::fs::File;
use std::io::{Cursor, Write};
use std::path::Path;

use crate::harness::hostile::entry;
use crate::harness::{real_frames, shot};
use greyhold::container::{Fault, Kind, examine};
use greyhold::frame::{self, Settings};
use greyhold::photometry::Series;
use image::{ImageFormat, RgbImage};

fn picture() -> RgbImage {
    RgbImage::from_fn(160, 120, |x, y| image::Rgb([(x * 3 % 251) as u8, (y * 5 % 241) as u8, ((x * y) % 239) as u8]))
}

fn encoded(format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    picture().write_to(&mut bytes, format).unwrap();
    bytes.into_inner()
}

fn verdict(kind: Kind, bytes: &[u8]) -> Result<(), Fault> {
    let mut file = tempfile::tempfile().unwrap();
    file.write_all(bytes).unwrap();
    examine(kind, &mut file).map(|_| ())
}

/// Every hundredth of the file, and every one of its last and first 40 bytes.
fn cuts(length: usize) -> impl Iterator<Item = usize> {
    let hundredths = (0..100).map(move |n| length * n / 100);
    hundredths.chain(0..40.min(length)).chain(length.saturating_sub(40)..length)
}

fn assert_no_cut_is_whole(kind: Kind, whole: &[u8], name: &str) {
    assert!(verdict(kind, whole).is_ok(), "{name} is whole");
    for cut in cuts(whole.len()) {
        let said = verdict(kind, &whole[..cut]);
        assert!(matches!(said, Err(Fault::Incomplete(_))), "{name} cut to {cut} of {}: {said:?}", whole.len());
        // The same length from the start, the rest not written yet.
        let mut filled = whole[..cut].to_vec();
        filled.resize(whole.len(), 0);
        if whole.len() - cut > 4096 {
            let said = verdict(kind, &filled);
            assert!(
                kind != Kind::Jpeg || matches!(said, Err(Fault::Incomplete(_))),
                "{name} filled from {cut}: {said:?}"
            );
        }
    }
}

#[test]
fn a_jpeg_is_whole_only_with_its_last_byte() {
    assert_no_cut_is_whole(Kind::Jpeg, &shot(8.0, 0.0, 1).jpeg(), "our own JPEG");
}

#[test]
fn png_webp_and_tiff_are_whole_only_with_their_last_byte() {
    for (kind, format) in
        [(Kind::Png, ImageFormat::Png), (Kind::WebP, ImageFormat::WebP), (Kind::Tiff, ImageFormat::Tiff)]
    {
        assert_no_cut_is_whole(kind, &encoded(format), &format!("{format:?}"));
    }
}

#[test]
fn a_hole_in_the_middle_is_seen() {
    let mut jpeg = crate::harness::Shot { size: (1200, 800), ..shot(8.0, 0.0, 2) }.jpeg();
    let middle = jpeg.len() / 2;
    assert!(jpeg.len() > 20_000);
    jpeg[middle..middle + 8192].fill(0);
    assert!(matches!(verdict(Kind::Jpeg, &jpeg), Err(Fault::Incomplete(_))));
}

#[test]
fn real_photographs_are_whole_and_no_cut_of_them_is() {
    let Some(frames) = real_frames() else { return };
    for name in ["third-stops/0012.jpg", "series-b/DSCF6014.jpg", "series-c/DSC04061.JPG", "series-d/img05.jpg"] {
        assert_no_cut_is_whole(Kind::Jpeg, &std::fs::read(frames.join(name)).unwrap(), name);
    }
}

/// CHECK: CIPA DC-007 (from memory): the index tells the second picture's size and place, from its own start.
#[test]
fn a_second_picture_announced_behind_the_first_is_missed_when_it_is_not_there() {
    let jpeg = shot(8.0, 0.0, 5).jpeg();
    let preview = [0xAB_u8; 300];
    let entry =
        |size: u32, place: u32| [&0_u32.to_be_bytes()[..], &size.to_be_bytes(), &place.to_be_bytes(), &[0; 4]].concat();
    // The index begins behind the marker, length and heading, at byte 10 of the file.
    let segment_length = 2 + 4 + 8 + 2 + 12 + 4 + 32;
    let second = (jpeg.len() + 2 + segment_length - 10) as u32;
    let index = [
        &b"MPF\0MM\0*\0\0\0\x08\0\x01\xb0\x02\0\x07\0\0\0\x20\0\0\0\x1a\0\0\0\0"[..],
        &entry(jpeg.len() as u32, 0),
        &entry(preview.len() as u32, second),
    ]
    .concat();
    assert_eq!(index.len() + 2, segment_length);
    let length = (segment_length as u16).to_be_bytes();
    let first = [&jpeg[..2], &[0xFF, 0xE2], &length, &index, &jpeg[2..]].concat();
    let whole = [&first[..], &preview].concat();
    let missing = |bytes: &[u8]| {
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(bytes).unwrap();
        examine(Kind::Jpeg, &mut file).unwrap().tail_missing
    };
    assert!(!missing(&whole));
    assert!(missing(&whole[..whole.len() - 1]) && missing(&first));
    assert!(verdict(Kind::Jpeg, &first[..first.len() - 1]).is_err());
}

/// A JPEG of a few hundred bytes that claims 12000 x 12000 pixels, and one that claims 65000 x 65000.
#[test]
fn a_picture_that_claims_more_than_it_can_hold_is_refused_from_its_header() {
    let small = shot(8.0, 0.0, 3).jpeg();
    let frame_header = small.windows(2).position(|w| w == [0xFF, 0xC0]).unwrap();
    for (side, part) in [(12_000_u16, "can't hold"), (65_000, "megapixels")] {
        let mut bomb = small.clone();
        bomb[frame_header + 5..frame_header + 7].copy_from_slice(&side.to_be_bytes());
        bomb[frame_header + 7..frame_header + 9].copy_from_slice(&side.to_be_bytes());
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("bomb.jpg");
        std::fs::write(&path, &bomb).unwrap();
        let read = frame::read(Kind::Jpeg, &path, Series::Thirds).unwrap();
        assert!(read.picture.is_none());
        assert!(read.notes.iter().any(|n| n.contains(part)), "{:?}", read.notes);
        assert!(read.settings.f_number.is_some(), "the settings are read all the same");
    }
}

/// Directories that lie over each other make a plain parser multiply them.
#[test]
fn metadata_that_refer_to_themselves_are_refused() {
    let mut block = b"MM\0*\0\0\0\x08".to_vec();
    for n in 0..400_u16 {
        // One entry each, pointing at the next sub-directory, two bytes on.
        block.extend_from_slice(&[0, 1, 0x87, 0x69, 0, 4, 0, 0, 0, 1, 0, 0]);
        block.extend_from_slice(&(10 + n * 2).to_be_bytes());
    }
    assert!(Settings::from_exif(&block, Series::Thirds).is_err());
    let looped = b"MM\0*\0\0\0\x08\0\0\0\0\0\x08";
    assert!(Settings::from_exif(looped, Series::Thirds).is_err());
}

/// Every prefix and many flipped bytes of a real block: settings or a sentence, never a panic.
#[test]
fn damaged_metadata_cost_no_more_than_themselves() {
    let block = greyhold::studio::exif_block(&shot(5.6, 0.0, 4).exposure()).unwrap();
    let whole = Settings::from_exif(&block, Series::Thirds).unwrap();
    assert_eq!(whole.f_number.unwrap().to_string(), "f/5.6");
    for cut in 0..block.len() {
        let _ = Settings::from_exif(&block[..cut], Series::Thirds);
    }
    for at in 0..block.len() {
        for bit in [0x01, 0x80] {
            let mut flipped = block.clone();
            flipped[at] ^= bit;
            let _ = Settings::from_exif(&flipped, Series::Thirds);
        }
    }
}

/// An Exif block of one setting in the first directory and three below, in either byte order; the one below may lie in
/// front, and either may lack what follows its entries.
fn small_exif(little: bool, exif_first: bool, cut: usize) -> Vec<u8> {
    let n16 = |v: u16| if little { v.to_le_bytes() } else { v.to_be_bytes() };
    let n32 = |v: u32| if little { v.to_le_bytes() } else { v.to_be_bytes() };
    let entry = |tag: u16, kind: u16, value: [u8; 4]| [&n16(tag)[..], &n16(kind), &n32(1), &value].concat();
    let short = |v: u16| [n16(v), [0; 2]].concat().try_into().unwrap();
    let heading = |first: u32| [if little { b"II" } else { b"MM" }, &n16(42)[..], &n32(first)].concat();
    let rationals = [n32(56), n32(10), n32(1), n32(160)].concat();
    // Heading, 16 bytes of values, then two directories side by side without a link between them.
    let (main_length, exif_length) = (2 + 2 * 12, 2 + 3 * 12);
    let (main_at, exif_at) = if exif_first { (24 + exif_length, 24) } else { (24, 24 + main_length) };
    let main = [&n16(2)[..], &entry(0x0112, 3, short(1)), &entry(0x8769, 4, n32(exif_at as u32))].concat();
    let exif =
        [&n16(3)[..], &entry(0x829A, 5, n32(16)), &entry(0x829D, 5, n32(8)), &entry(0x8827, 3, short(200))].concat();
    let (one, two) = if exif_first { (exif, main) } else { (main, exif) };
    let block = [heading(main_at as u32), rationals, one, two].concat();
    block[..block.len() - cut].to_vec()
}

/// CHECK: TIFF 6.0, section 2: a directory is a count, entries of 12 bytes, and a link of 4. Other readers do without the
/// link, and so without what is cut of the last entries.
#[test]
fn a_directory_at_the_end_of_its_block_gives_its_settings_without_a_link() {
    for little in [true, false] {
        for exif_first in [true, false] {
            let settings = Settings::from_exif(&small_exif(little, exif_first, 0), Series::Thirds).unwrap();
            assert_eq!(settings.f_number.unwrap().to_string(), "f/5.6");
            assert_eq!(settings.exposure_time.unwrap().to_string(), "1/160 s");
            assert_eq!(settings.iso.unwrap().to_string(), "ISO 200");
        }
        // The sensitivity is cut off, the aperture is kept.
        for cut in 1..12 {
            let settings = Settings::from_exif(&small_exif(little, false, cut), Series::Thirds).unwrap();
            assert_eq!(settings.f_number.unwrap().to_string(), "f/5.6");
            assert!(settings.iso.is_none());
        }
    }
}

fn settings_in(kind: Kind, bytes: &[u8]) -> Settings {
    let read = frame::read_from(kind, Path::new("a"), &mut Cursor::new(bytes), Series::Thirds).unwrap();
    read.frame.unwrap().settings
}

#[test]
fn directories_without_a_link_are_read_in_jpeg_and_tiff() {
    let block = small_exif(true, false, 0);
    let mut jpeg = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new(&mut jpeg);
    image::ImageEncoder::set_exif_metadata(&mut encoder, block).unwrap();
    image::ImageEncoder::write_image(encoder, picture().as_raw(), 160, 120, image::ExtendedColorType::Rgb8).unwrap();
    assert_eq!(settings_in(Kind::Jpeg, &jpeg).f_number.unwrap().to_string(), "f/5.6");
    // A TIFF of one grey strip, whose directory of settings ends the file.
    let entry = |tag, kind, value| entry(tag, kind, 1, value);
    let (strip_at, exif_at) = (8 + 2 + 9 * 12 + 4, 8 + 2 + 9 * 12 + 4 + 400 + 8);
    let main = [
        entry(256, 3, 20),
        entry(257, 3, 20),
        entry(258, 3, 8),
        entry(259, 3, 1),
        entry(262, 3, 1),
        entry(273, 4, strip_at),
        entry(278, 3, 20),
        entry(279, 4, 400),
        entry(0x8769, 4, exif_at),
    ]
    .concat();
    let aperture = [56_u32.to_le_bytes(), 10_u32.to_le_bytes()].concat();
    let exif = [&2_u16.to_le_bytes()[..], &entry(0x829D, 5, strip_at + 400), &entry(0x8827, 3, 200)].concat();
    let tiff = [&b"II*\0\x08\0\0\0\x09\0"[..], &main, &[0; 4], &[99; 400], &aperture, &exif].concat();
    for cut in [0, 1, 11] {
        let bytes = &tiff[..tiff.len() - cut];
        let read = frame::read_from(Kind::Tiff, Path::new("a.tif"), &mut Cursor::new(bytes), Series::Thirds).unwrap();
        let frame = read.frame.unwrap();
        assert_eq!(frame.settings.f_number.unwrap().to_string(), "f/5.6", "cut {cut}");
        assert_eq!(frame.settings.iso.is_some(), cut == 0);
        assert_eq!(read.tail_missing, cut > 0, "what is cut may still be written");
        assert!(frame.picture.is_some());
    }
}

#[test]
fn a_huge_file_is_refused_before_it_is_read() {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join("huge.nef");
    File::create(&path).unwrap().set_len(8 << 30).unwrap();
    let said = frame::read(Kind::of(Path::new("huge.nef")).unwrap(), &path, Series::Thirds).unwrap_err().to_string();
    assert!(said.contains("8192 MiB"), "{said}");
}

/// Pictures as large as cameras make them are within every limit.
#[test]
fn the_largest_pictures_of_cameras_pass() {
    // 100 megapixels, progressive.
    let (width, height) = (11_648_usize, 8_736_usize);
    let mut encoder = mozjpeg::Compress::new(mozjpeg::ColorSpace::JCS_GRAYSCALE);
    encoder.set_size(width, height);
    encoder.set_fastest_defaults();
    encoder.set_progressive_mode();
    let mut started = encoder.start_compress(Vec::new()).unwrap();
    let line: Vec<u8> = (0..width).map(|x| 90 + (x * 7 % 60) as u8).collect();
    for _ in 0..height {
        started.write_scanlines(&line).unwrap();
    }
    let jpeg = started.finish().unwrap();
    let read = frame::read_from(Kind::Jpeg, Path::new("a.jpg"), &mut Cursor::new(&jpeg), Series::Thirds).unwrap();
    let frame = read.frame.unwrap();
    let picture = frame.picture.unwrap_or_else(|| panic!("{:?}", frame.notes));
    assert_eq!(picture.proxy.width, width.div_ceil(8));
}

/// Samples that are no whole numbers of 8 or 16 bits side by side take another way than most.
#[test]
fn a_tiff_of_floating_point_is_read_like_one_of_bytes() {
    let light = 0.5_f32;
    let mut bytes = Cursor::new(Vec::new());
    image::Rgb32FImage::from_pixel(60, 40, image::Rgb([light; 3])).write_to(&mut bytes, ImageFormat::Tiff).unwrap();
    bytes.set_position(0);
    let read = frame::read_from(Kind::Tiff, Path::new("a.tif"), &mut bytes, Series::Thirds).unwrap();
    let frame = read.frame.unwrap();
    let picture = frame.picture.unwrap_or_else(|| panic!("{:?}", frame.notes));
    assert!(picture.proxy.rgb.iter().flatten().all(|code| (127..=128).contains(code)), "{:?}", picture.proxy.rgb[0]);
}
