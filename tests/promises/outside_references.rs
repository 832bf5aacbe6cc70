//! What was read is held against programs and standards of others.

use std::io::Cursor;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::harness::exiftool::{compare_settings, exiftool};
use crate::harness::{Shot, real_frames, shot};
use greyhold::container::Kind;
use greyhold::frame::{self, ColourTag, Settings};
use greyhold::meter::{CENTRE, Spot, WHOLE, meter};
use greyhold::photometry::{Series, Stops};
use greyhold::response::{Response, srgb_encode};
use image::{DynamicImage, GenericImageView, ImageFormat, RgbImage};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/frames")
}

/// The committed frames are what the studio of numbers renders. `GREYHOLD_WRITE_FIXTURES=1` writes them.
#[test]
fn the_fixtures_are_rendered_from_known_light() {
    let frames = [
        ("reference_f8.jpg", shot(8.0, 0.0, 1)),
        ("open_two_thirds_f6.3.jpg", Shot { number: 2, ..shot(6.3, 0.0, 2) }),
        ("lights_down_one_f8.jpg", shot(8.0, -1.0, 3)),
        ("misfire_f8.jpg", shot(8.0, -30.0, 4)),
        ("ambiguous_f13.jpg", shot(13.0, 1.0, 5)),
    ];
    for (name, shot) in frames {
        let jpeg = Shot { size: (240, 160), ..shot }.jpeg();
        let path = fixtures().join(name);
        if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
            std::fs::write(&path, &jpeg).unwrap();
        }
        // Encoders may differ in a bit from version to version; the light may not.
        let light = |bytes: &[u8]| mean_code(&image::load_from_memory_with_format(bytes, ImageFormat::Jpeg).unwrap());
        let (kept, made) = (light(&std::fs::read(&path).unwrap()), light(&jpeg));
        assert!((kept - made).abs() < 0.2, "{name}: {kept} and {made}");
    }
}

fn mean_code(picture: &DynamicImage) -> f64 {
    let rgb = picture.to_rgb8();
    rgb.as_raw().iter().map(|v| f64::from(*v)).sum::<f64>() / rgb.as_raw().len() as f64
}

/// CHECK: Exif 2.32 as read by exiftool (Debian package libimage-exiftool-perl), on the fixtures and, where
/// they are, on real photographs of some forty cameras.
#[test]
fn metadata_are_what_exiftool_reads() {
    if Command::new("exiftool").arg("-ver").output().is_err() {
        println!("skipped: exiftool is not installed (Debian package libimage-exiftool-perl)");
        return;
    }
    let mut folders = vec![fixtures()];
    let mut fewest = 5;
    if let Some(real) = real_frames() {
        folders.extend(["cameras", "flash", "third-stops", "series-b", "phone"].map(|f| real.join(f)));
        fewest = 100;
    }
    let (mut compared, mut refused) = (0, Vec::new());
    for folder in folders {
        for theirs in exiftool(&folder) {
            let path = PathBuf::from(theirs["SourceFile"].as_str().unwrap());
            let Some(kind) = Kind::of(&path) else { continue };
            let Ok(read) = frame::read(kind, &path, Series::Thirds) else {
                refused.push(path);
                continue;
            };
            compare_settings(&path, &read.settings, &theirs);
            compared += 1;
        }
    }
    println!("{compared} files compared with exiftool; refused: {refused:?}");
    assert!(compared >= fewest, "{compared}");
    assert!(refused.len() * 20 < compared, "{refused:?}");
}

/// CHECK: exiftool reads the same where the link is there or isn't. TIFF 6.0 has four bytes behind each directory's entries, the place of the next one; where a
/// block ends without them, or within them, the entries are there nevertheless.
#[test]
fn a_directory_without_its_link_to_the_next_one_tells_its_settings() {
    use crate::harness::hostile::{entry, segment, tiff};
    let home = tempfile::tempdir().unwrap();
    let jpeg = encode(&RgbImage::new(64, 48), (1, 1), false);
    let has_exiftool = Command::new("exiftool").arg("-ver").output().is_ok();
    for link in 0..=4 {
        // Values longer than an entry stand between the first directory and the one below it, which ends the block.
        let rationals = [[1_u32, 160], [56, 10]].concat().into_iter().flat_map(u32::to_le_bytes).collect::<Vec<u8>>();
        let below = [entry(0x829A, 5, 1, 26), entry(0x829D, 5, 1, 34), entry(0x8827, 3, 1, 200)].concat();
        let block = [tiff(&[entry(0x8769, 4, 1, 42)], 0, 0), rationals, 3_u16.to_le_bytes().to_vec(), below].concat();
        let block = [block, vec![0; link]].concat();
        let bytes = [&jpeg[..2], &segment(0xE1, &[&b"Exif\0\0"[..], &block].concat()), &jpeg[2..]].concat();
        let path = home.path().join(format!("{link}.jpg"));
        std::fs::write(&path, &bytes).unwrap();
        let settings = Settings::from_exif(&block, Series::Thirds).unwrap();
        assert_eq!(settings.in_short(), "f/5.6  1/160 s  ISO 200", "{link} bytes of the link");
        let of_heif = Settings::from_heif(&[&b"box Exif\0\0"[..], &block].concat(), Series::Thirds).unwrap();
        assert_eq!(of_heif, settings);
    }
    if !has_exiftool {
        println!("skipped: exiftool is not installed (Debian package libimage-exiftool-perl)");
        return;
    }
    let read = exiftool(home.path());
    let of =
        |link: usize| read.iter().find(|theirs| theirs["SourceFile"].to_string().contains(&format!("/{link}.jpg")));
    // Of a link that is begun and not ended it reads no settings.
    for theirs in [0, 4].map(|link| of(link).unwrap()) {
        assert_eq!((theirs["FNumber"].as_f64(), theirs["ISO"].as_f64()), (Some(5.6), Some(200.0)), "{theirs}");
    }
}

fn read_bytes(name: &str, bytes: &[u8]) -> frame::Frame {
    let home = tempfile::tempdir().unwrap();
    let path = home.path().join(name);
    std::fs::write(&path, bytes).unwrap();
    frame::read(Kind::of(&path).unwrap(), &path, Series::Thirds).unwrap()
}

/// CHECK: ITU-T T.81: decoding at reduced size in the DCT domain is the box average of the full decode.
#[test]
fn the_reduced_picture_is_the_average_of_the_full_one() {
    let jpeg = Shot { size: (3000, 2000), ..shot(8.0, 0.0, 6) }.jpeg();
    let small = read_bytes("a.jpg", &jpeg).picture.unwrap().proxy;
    assert_eq!((small.width, small.height), (750, 500), "6 megapixels are read at a quarter of their size");
    let full = image::load_from_memory_with_format(&jpeg, ImageFormat::Jpeg).unwrap();
    let mut worst = 0.0_f64;
    let mut sum = 0.0_f64;
    for y in (0..small.height).step_by(7) {
        for x in (0..small.width).step_by(7) {
            for channel in 0..3 {
                let block = (0..16).map(|i| full.get_pixel((x * 4 + i % 4) as u32, (y * 4 + i / 4) as u32)[channel]);
                let average = block.map(f64::from).sum::<f64>() / 16.0;
                let off = f64::from(small.rgb[y * small.width + x][channel]) - average;
                worst = worst.max(off.abs());
                sum += off;
            }
        }
    }
    let mean = sum / (small.width.div_ceil(7) * small.height.div_ceil(7) * 3) as f64;
    println!("reduced decode against box average: mean {mean:.3}, worst {worst:.1} codes");
    assert!(mean.abs() < 0.5 && worst < 24.0, "mean {mean}, worst {worst}");
}

/// CHECK: mozjpeg (libjpeg) at 1/8, on every sampling that cameras write, with and without restart markers,
/// in colour and in grey.
#[test]
fn the_picture_of_dc_coefficients_is_libjpegs_at_an_eighth() {
    let (width, height) = (4211_usize, 3105_usize);
    let pixels = RgbImage::from_fn(width as u32, height as u32, |x, y| {
        let wave = |a: f64, b: f64| (127.0 + 90.0 * ((f64::from(x) / a).sin() + (f64::from(y) / b).cos()) / 2.0) as u8;
        image::Rgb([
            wave(97.0, 131.0),
            wave(53.0, 211.0),
            wave(171.0, 67.0).saturating_add((x * 7 + y * 13) as u8 % 32),
        ])
    });
    let mut files: Vec<(String, Vec<u8>)> =
        [((1, 1), false), ((2, 1), false), ((2, 2), false), ((1, 2), false), ((1, 1), true)]
            .map(|(sampling, grey)| (format!("sampling {sampling:?}, grey {grey}"), encode(&pixels, sampling, grey)))
            .into();
    files.push(("sampling (2, 1), with restart markers".to_owned(), with_restarts(&pixels)));
    for (name, jpeg) in files {
        let ours = read_bytes("a.jpg", &jpeg).picture.unwrap().proxy;
        let mut theirs = mozjpeg::Decompress::new_mem(&jpeg).unwrap();
        theirs.scale(1);
        theirs.do_fancy_upsampling(false);
        let mut lines = theirs.rgb().unwrap();
        assert_eq!((ours.width, ours.height), (lines.width(), lines.height()));
        let theirs: Vec<[u8; 3]> = lines.read_scanlines().unwrap();
        let off = |a: &[u8; 3], b: &[u8; 3]| a.iter().zip(b).map(|(a, b)| a.abs_diff(*b)).max().unwrap();
        let worst = ours.rgb.iter().zip(&theirs).map(|(a, b)| off(a, b)).max().unwrap();
        let luma = |p: &[u8; 3]| 0.299 * f64::from(p[0]) + 0.587 * f64::from(p[1]) + 0.114 * f64::from(p[2]);
        let light = ours.rgb.iter().zip(&theirs).map(|(a, b)| luma(a) - luma(b)).sum::<f64>() / ours.rgb.len() as f64;
        println!("{name}: worst channel {worst} codes, mean luma {light:.4}");
        assert!(light.abs() < 0.05, "{name}: {light}");
        // At 4:2:0 libjpeg takes chroma at a quarter where this takes it at an eighth.
        assert!(worst <= if name.contains("(2, 2)") { 12 } else { 1 }, "{name}: {worst}");
        // Broken in its coded data, it is refused; the structure around it is whole.
        let mut broken = jpeg.clone();
        let middle = broken.len() / 2;
        broken[middle..middle + 400].fill(0xAA);
        let read = read_bytes("a.jpg", &broken);
        assert!(read.picture.is_none() || read.picture.unwrap().proxy != ours);
    }
}

fn with_restarts(pixels: &RgbImage) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
    encoder.set_sampling_factor(jpeg_encoder::SamplingFactor::F_2_1);
    encoder.set_restart_interval(37);
    encoder
        .encode(pixels.as_raw(), pixels.width() as u16, pixels.height() as u16, jpeg_encoder::ColorType::Rgb)
        .unwrap();
    assert!(bytes.windows(2).any(|w| matches!(w, [0xFF, 0xD0..=0xD7])));
    bytes
}

fn encode(pixels: &RgbImage, sampling: (u8, u8), grey: bool) -> Vec<u8> {
    let space = if grey { mozjpeg::ColorSpace::JCS_GRAYSCALE } else { mozjpeg::ColorSpace::JCS_RGB };
    let mut encoder = mozjpeg::Compress::new(space);
    encoder.set_size(pixels.width() as usize, pixels.height() as usize);
    encoder.set_fastest_defaults();
    encoder.set_quality(90.0);
    if !grey {
        encoder.set_chroma_sampling_pixel_sizes(sampling, sampling);
    }
    let bytes = if grey { DynamicImage::from(pixels.clone()).to_luma8().into_raw() } else { pixels.as_raw().clone() };
    let mut started = encoder.start_compress(Vec::new()).unwrap();
    started.write_scanlines(&bytes).unwrap();
    started.finish().unwrap()
}

/// CHECK: patches of known linear light, encoded by IEC 61966-2-1, through every container that is metered.
#[test]
fn one_light_reads_alike_from_every_container() {
    let response = Response::srgb();
    for (format, name) in [
        (ImageFormat::Jpeg, "a.jpg"),
        (ImageFormat::Png, "a.png"),
        (ImageFormat::Tiff, "a.tif"),
        (ImageFormat::WebP, "a.webp"),
    ] {
        for stops in [-2.0, -1.0, 0.0, 1.0, 2.0] {
            let code = (srgb_encode(0.18 * f64::exp2(stops)) * 255.0).round() as u8;
            let mut bytes = Cursor::new(Vec::new());
            RgbImage::from_pixel(640, 400, image::Rgb([code; 3])).write_to(&mut bytes, format).unwrap();
            let picture = read_bytes(name, &bytes.into_inner()).picture.unwrap();
            let level = meter(&picture, &Spot::ready()).reading(WHOLE).unwrap().level_by(&response);
            assert!((level - Stops(stops)).abs() < Stops(0.04), "{name} at {stops}: {level}");
        }
    }
}

/// CHECK: Exif 2.32, orientation 6: the stored picture is to be turned right by a quarter. A spot is meant in the
/// upright frame.
#[test]
fn spots_are_meant_in_the_upright_frame() {
    let bright_left = RgbImage::from_fn(600, 400, |x, _| image::Rgb([if x < 300 { 200 } else { 60 }; 3]));
    let mut bytes = Cursor::new(Vec::new());
    bright_left.write_to(&mut bytes, ImageFormat::Jpeg).unwrap();
    let plain = bytes.into_inner();
    // A minimal Exif block: big-endian, one entry, Orientation = 6.
    let exif = b"Exif\0\0MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x06\0\0\0\0\0\0";
    let length = ((exif.len() + 2) as u16).to_be_bytes();
    let turned = [&plain[..2], &[0xFF, 0xE1], &length, exif, &plain[2..]].concat();
    let picture = read_bytes("a.jpg", &turned).picture.unwrap();
    assert!(picture.proxy.height > picture.proxy.width);
    let response = Response::srgb();
    let metered = meter(&picture, &Spot::ready());
    // The left half of the stored picture is the upper half of the upright one.
    let (top, bottom) = (response.light(metered.cells[3]), response.light(metered.cells[8 * 5 + 3]));
    assert!(top - bottom > Stops(3.0), "{top} over {bottom}");
    assert!(metered.reading(CENTRE).is_some());
}

/// CHECK: Exif 2.32, interoperability index R03: Adobe RGB where the colour space says 'uncalibrated'.
#[test]
fn adobe_rgb_is_known_by_the_interoperability_tag_alone() {
    // Big-endian: IFD0 -> Exif IFD (ColorSpace 0xFFFF, interoperability pointer) -> 'R03'.
    let block = [
        &b"MM\0*\0\0\0\x08"[..],
        b"\0\x01\x87\x69\0\x04\0\0\0\x01\0\0\0\x1a\0\0\0\0",
        b"\0\x02\xa0\x01\0\x03\0\0\0\x01\xff\xff\0\0\xa0\x05\0\x04\0\0\0\x01\0\0\0\x38\0\0\0\0",
        b"\0\x01\0\x01\0\x02\0\0\0\x04R03\0\0\0\0\0",
    ]
    .concat();
    assert_eq!(Settings::from_exif(&block, Series::Thirds).unwrap().colour_space, Some(ColourTag::AdobeRgb));
}

/// CHECK: Exif 2.32: 65535 in PhotographicSensitivity means that the longer tags tell; 0 tells nothing.
#[test]
fn absurd_iso_numbers_tell_nothing_or_point_to_the_longer_tags() {
    let block = |iso: [u8; 2], longer: bool| {
        let entries: u8 = if longer { 3 } else { 1 };
        let mut exif = vec![0, entries];
        exif.extend_from_slice(b"\x88\x27\0\x03\0\0\0\x01");
        exif.extend_from_slice(&[iso[0], iso[1], 0, 0]);
        if longer {
            exif.extend_from_slice(b"\x88\x30\0\x03\0\0\0\x01\0\x02\0\0");
            exif.extend_from_slice(b"\x88\x32\0\x04\0\0\0\x01\0\x01\x90\0");
        }
        exif.extend_from_slice(&[0; 4]);
        [&b"MM\0*\0\0\0\x08\0\x01\x87\x69\0\x04\0\0\0\x01\0\0\0\x1a\0\0\0\0"[..], &exif].concat()
    };
    let iso = |block: &[u8]| Settings::from_exif(block, Series::Thirds).unwrap().iso.map(|s| s.marked());
    assert_eq!(iso(&block([0xFF, 0xFF], true)), Some(102_400.0));
    assert_eq!(iso(&block([0xFF, 0xFF], false)), None);
    assert_eq!(iso(&block([0, 0], false)), None);
    assert_eq!(iso(&block([0, 200], false)), Some(200.0));
}
