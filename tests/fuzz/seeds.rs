//! Sound inputs to begin from, made here or kept in the repository.

use std::fs;
use std::io::Cursor;
use std::path::Path;

use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series};
use greyhold::studio::{CameraSettings, exif_block, with_exif};
use image::{ImageFormat, RgbImage};
use jiff::civil::date;

use super::KINDS;
use super::harness::hostile::{self, CIFF_HEAD, boxed, entry, heap, tiff};

fn here(path: &str) -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn exposure() -> CameraSettings {
    CameraSettings {
        f_number: FNumber::new(5.6, None, Series::Thirds).unwrap(),
        time: ExposureTime::new(1.0 / 160.0, None, Series::Thirds).unwrap(),
        iso: IsoSpeed::new(100.0).unwrap(),
        at: date(2026, 3, 2).at(10, 0, 0, 0),
    }
}

/// A file of a kind, which its first byte tells.
fn of_kind(name: &str, bytes: &[u8]) -> Vec<u8> {
    let kind = greyhold::container::Kind::of(Path::new(name)).unwrap();
    let number = KINDS.iter().position(|k| *k == kind).unwrap();
    [&[number as u8][..], bytes].concat()
}

pub fn containers() -> Vec<Vec<u8>> {
    let pixels = RgbImage::from_fn(64, 48, |x, y| image::Rgb([(x * 4) as u8, (y * 5) as u8, (x * y) as u8]));
    let mut all = vec![of_kind("a.jpg", &with_exif(pixels.as_raw(), 64, 48, &exposure(), 80).unwrap())];
    for (name, format) in [("a.tif", ImageFormat::Tiff), ("a.png", ImageFormat::Png), ("a.webp", ImageFormat::WebP)] {
        let mut bytes = Cursor::new(Vec::new());
        pixels.write_to(&mut bytes, format).unwrap();
        all.push(of_kind(name, &bytes.into_inner()));
    }
    for progressive in [false, true] {
        let mut bytes = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut bytes, 90);
        encoder.set_progressive(progressive);
        encoder.set_restart_interval(3);
        // Flat, so that runs of zeros are looked into.
        encoder.encode(&[255; 600 * 400 * 3], 600, 400, jpeg_encoder::ColorType::Rgb).unwrap();
        all.push(of_kind("a.jpg", &bytes));
    }
    let exif = exif_block(&exposure()).unwrap();
    all.push(of_kind("a.heic", &heif(&exif)));
    all.push(of_kind("a.cr3", &cr3(&exif)));
    all.push(of_kind("a.raf", &raf(&all[0][1..])));
    all.push(of_kind("a.crw", &crw()));
    let maker: Vec<u8> = [&b"Nikon\0\x02\x10\0\0II*\0\x08\0\0\0\x01\0"[..], &entry(1, 7, 4, 0), &[0; 4]].concat();
    let raw = tiff(&[entry(256, 3, 1, 20), entry(273, 4, 1, 100), entry(279, 4, 1, 400), entry(330, 4, 1, 62)], 0, 0);
    let raw =
        [raw, 1_u16.to_le_bytes().to_vec(), entry(0x927C, 7, maker.len() as u32, 80), vec![0; 4], maker, vec![5; 500]];
    all.push(of_kind("a.nef", &raw.concat()));
    all.extend(hostile::all().iter().filter(|h| h.bytes.len() < 300_000).map(|h| of_kind(&h.name, &h.bytes)));
    all
}

fn heif(exif: &[u8]) -> Vec<u8> {
    let block = [&[0; 4][..], exif].concat();
    let item = boxed(b"infe", &[&[2, 0, 0, 0, 0, 1, 0, 0][..], b"Exif\0"].concat());
    let items = boxed(b"iinf", &[&[0, 0, 0, 0, 0, 1][..], &item].concat());
    let place = |at: u32| {
        let (at, length) = (at.to_be_bytes(), (block.len() as u32).to_be_bytes());
        boxed(b"iloc", &[&[0, 0, 0, 0, 0x44, 0, 0, 1, 0, 1, 0, 0, 0, 1][..], &at, &length].concat())
    };
    let head = |at: u32| {
        let index = boxed(b"meta", &[&[0; 4][..], &items, &place(at)].concat());
        [boxed(b"ftyp", b"heic\0\0\0\0mif1heic"), index].concat()
    };
    let at = head(0).len() as u32 + 8;
    [head(at), boxed(b"mdat", &[&block[..], &[9; 300]].concat())].concat()
}

fn cr3(exif: &[u8]) -> Vec<u8> {
    let camera = [0x85, 0xC0, 0xB6, 0x87, 0x82, 0x0F, 0x11, 0xE0, 0x81, 0x11, 0xF4, 0xCE, 0x46, 0x2B, 0x6A, 0x48];
    let uuid = boxed(b"uuid", &[&camera[..], &boxed(b"CMT1", exif), &boxed(b"CMT2", exif)].concat());
    let sizes = boxed(b"stsz", &[&[0; 4][..], &[0, 0, 0, 0, 0, 0, 0, 1], &[0, 0, 1, 0]].concat());
    let craw = boxed(b"CRAW", &[&[0; 82][..], &boxed(b"CMP1", &[0; 52])].concat());
    let described = boxed(b"stsd", &[&[0, 0, 0, 0, 0, 0, 0, 1][..], &craw].concat());
    let table = boxed(b"stbl", &[described, sizes].concat());
    let track = boxed(b"trak", &boxed(b"mdia", &boxed(b"minf", &table)));
    let movie = boxed(b"moov", &[uuid, boxed(b"mvhd", &[0; 100]), track].concat());
    [boxed(b"ftyp", b"crx \0\0\0\x01crx isom"), movie, boxed(b"mdat", &[7; 400])].concat()
}

/// Heaps as CIFF has them: the samples, the maker, what was set.
fn crw() -> Vec<u8> {
    let shot: Vec<u8> = (0..30_u16).flat_map(|n| (n * 13).to_le_bytes()).collect();
    let inner = heap(&[(0x102A, &shot), (0x180E, &[9; 12]), (0x1810, &[1; 28])]);
    let outer = heap(&[(0x2005, &[5; 400]), (0x080A, b"Maker\0A camera\0"), (0x300A, &inner)]);
    [CIFF_HEAD, &outer].concat()
}

/// Whole HEIF pictures: one alone, one of tiles, one with opacity.
#[cfg(feature = "heif")]
pub fn heif_pictures() -> Vec<Vec<u8>> {
    let options = heifer::EncodeOptions { quality: 60, max_threads: 1 };
    let pixels = |width: u32, height: u32, opacity: u8| -> Vec<u8> {
        (0..width * height).flat_map(|n| [n as u8, (n / width) as u8, (n * 7) as u8, opacity]).collect()
    };
    [(64, 48, 255), (600, 40, 255), (72, 40, 90)]
        .map(|(width, height, opacity)| heifer::encode_rgba8(width, height, &pixels(width, height, opacity), &options))
        .map(|encoded| encoded.unwrap())
        .to_vec()
}

fn raf(jpeg: &[u8]) -> Vec<u8> {
    let mut head = b"FUJIFILMCCD-RAW ".to_vec();
    head.resize(84, 0);
    let (jpeg_at, samples_at) = (120_u32, 120 + jpeg.len() as u32);
    for number in [jpeg_at, jpeg.len() as u32, samples_at, 0, samples_at, 500] {
        head.extend(number.to_be_bytes());
    }
    head.resize(120, 0);
    [&head[..], jpeg, &[3; 500]].concat()
}

pub fn metadata() -> Vec<Vec<u8>> {
    let mut all = vec![exif_block(&exposure()).unwrap()];
    all.push(tiff(&[entry(0x0112, 3, 1, 6), entry(0x8769, 4, 1, 38)], 0, 0));
    all.push([all[1].clone(), 1_u16.to_le_bytes().to_vec(), entry(0x8827, 3, 1, 200)].concat());
    all.extend(hostile::all().into_iter().filter(|h| h.name.ends_with("nef")).map(|h| {
        let mut bytes = h.bytes;
        bytes.truncate(20_000);
        bytes
    }));
    all
}

pub fn configuration() -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for folder in ["config", "fixtures"] {
        for entry in fs::read_dir(here(folder)).unwrap().flatten() {
            if entry.path().extension().is_some_and(|e| e == "yaml") {
                all.push(fs::read(entry.path()).unwrap());
            }
        }
    }
    all.push(b"groups:\n- name: key\n  dial: thirds\n  range: 1/256 to 1/1\ntolerance: 0.2\n".to_vec());
    all.push(b"a: &a [x]\nb: [*a, *a]\n".to_vec());
    all
}

/// Lines without their checksum.
pub fn log_lines() -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for entry in fs::read_dir(here("fixtures/golden")).unwrap().flatten() {
        if entry.path().extension().is_some_and(|e| e == "jsonl") {
            let text = fs::read_to_string(entry.path()).unwrap();
            let bodies = text.lines().filter_map(|line| line.rsplit_once(",\"crc\":\""));
            all.extend(bodies.map(|(body, _)| body.as_bytes().to_vec()).filter(|body| body.len() < 20_000));
        }
    }
    all
}

pub fn commands() -> Vec<Vec<u8>> {
    [
        r#"{"command":"status"}"#,
        r#"{"command": "wait"}"#,
        r#"{"command":"reference","file":"a.jpg","look":"day"}"#,
        r#"{"command":"look","look":"day"}"#,
        r#"{"command":"power","group":"key","setting":"1/8"}"#,
        r#"{"command":"confirm","group":"key","correction":7}"#,
        r#"{"command":"undo","group":"key"}"#,
        r#"{"command":"next","f_number":"5.6","iso":"100","exposure_time":"1/160","marks":"thirds"}"#,
        r#"{"command":"survey","what":"begin","groups":["key","fill"]}"#,
        r#"{"command":"spot","name":"cheek","area":{"left":0.1,"top":0.2,"width":0.3,"height":0.4}}"#,
        r#"{"command":"note","text":"a word"}"#,
        r#"{"command":"since","record":1}"#,
    ]
    .map(|text| text.as_bytes().to_vec())
    .to_vec()
}

pub fn actions() -> Vec<Vec<u8>> {
    [
        r#"{"action":"set","group":"key","correction":7}"#,
        r#"{"action":"set_at","group":"key","setting":"1/8"}"#,
        r#"{"action":"undo","group":"key"}"#,
        r#"{"action":"next","f_number":"5.6","iso":"100","exposure_time":null,"marks":"thirds"}"#,
        r#"{"action":"accept","frame":9}"#,
        r#"{"action":"look","look":"day"}"#,
        r#"{"action":"survey","what":"begin"}"#,
        r#"{"action":"spot","name":"cheek","area":{"left":0.1,"top":0.2,"width":0.3,"height":0.4}}"#,
    ]
    .map(|text| text.as_bytes().to_vec())
    .to_vec()
}
