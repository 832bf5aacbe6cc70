//! Files made to harm whoever reads them, by code: each is small, and each would cost a trusting reader memory or
//! time without end.

use std::io::Write;

use flate2::Compression;
use flate2::write::ZlibEncoder;

/// One of them: a name with the extension of its kind, and its bytes.
pub struct Hostile {
    pub name: String,
    pub bytes: Vec<u8>,
}

/// All of them.
pub fn all() -> Vec<Hostile> {
    let mut all = boxes();
    all.extend(directories());
    all.extend(pictures());
    all.push(heaps());
    all
}

fn hostile(name: &str, bytes: Vec<u8>) -> Hostile {
    Hostile { name: name.to_owned(), bytes }
}

/// A box with its length in front.
pub fn boxed(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
    [&(body.len() as u32 + 8).to_be_bytes()[..], name, body].concat()
}

const CAMERA: [u8; 16] =
    [0x85, 0xC0, 0xB6, 0x87, 0x82, 0x0F, 0x11, 0xE0, 0x81, 0x11, 0xF4, 0xCE, 0x46, 0x2B, 0x6A, 0x48];

fn cr3(movie: &[u8]) -> Vec<u8> {
    [boxed(b"ftyp", b"crx \0\0\0\x01crx isom"), boxed(b"moov", movie), boxed(b"mdat", &[7; 1000])].concat()
}

/// Raw files of boxes whose lengths, counts or metadata lead in circles, at every depth that is followed.
fn boxes() -> Vec<Hostile> {
    let endless = |name: &[u8; 4]| [&[0; 4][..], name, &[0; 48]].concat();
    let short = |name: &[u8; 4]| [&[0, 0, 0, 7][..], name, &[0; 48]].concat();
    // A length that leads back by overflow.
    let back = |name: &[u8; 4]| [&[0, 0, 0, 1][..], name, &(u64::MAX - 16).to_be_bytes(), &[0; 48]].concat();
    let unexplained = |name: &[u8; 4]| [&[0x40, 0, 0, 0][..], name, &[0; 48]].concat();
    let camera = |inner: &[u8]| boxed(b"uuid", &[&CAMERA[..], inner].concat());
    let samples = |inner: &[u8]| boxed(b"trak", &boxed(b"mdia", &boxed(b"minf", &boxed(b"stbl", inner))));
    let described = |inner: &[u8]| samples(&boxed(b"stsd", &[&[0; 8], inner].concat()));
    let picture = |inner: &[u8]| described(&boxed(b"CRAW", &[&[0; 82], inner].concat()));
    let mut all = Vec::new();
    for (form, make) in [
        ("endless", &endless as &dyn Fn(&[u8; 4]) -> Vec<u8>),
        ("short", &short),
        ("back", &back),
        ("beyond", &unexplained),
    ] {
        for (place, movie) in [
            ("movie", make(b"free")),
            ("vendor", make(b"uuid")),
            ("unknown vendor", boxed(b"uuid", &[&[9; 16][..], &make(b"free")].concat())),
            ("camera", camera(&make(b"CCTP"))),
            ("codecs", camera(&boxed(b"CCTP", &[&[0; 12][..], &make(b"CCDT")].concat()))),
            ("track", boxed(b"trak", &make(b"free"))),
            ("media", boxed(b"trak", &boxed(b"mdia", &make(b"hdlr")))),
            ("information", boxed(b"trak", &boxed(b"mdia", &boxed(b"minf", &make(b"dinf"))))),
            ("samples", samples(&make(b"free"))),
            ("descriptions", described(&make(b"CTMD"))),
            ("picture", picture(&make(b"CMP1"))),
            ("sensor", picture(&boxed(b"CDI1", &[&[0; 4][..], &make(b"IAD1")].concat()))),
        ] {
            all.push(hostile(&format!("{form} box in {place}.cr3"), cr3(&movie)));
        }
    }
    for name in [b"stts", b"stsc", b"co64"] {
        let table = boxed(name, &[&[0; 4][..], &u32::MAX.to_be_bytes(), &[0; 64]].concat());
        all.push(hostile(&format!("table {}.cr3", String::from_utf8_lossy(name)), cr3(&samples(&table))));
    }
    let lengths = boxed(b"stsz", &[&[0, 0, 0, 0, 0, 0, 0, 1][..], &u32::MAX.to_be_bytes()].concat());
    all.push(hostile("table of lengths.cr3", cr3(&samples(&lengths))));
    let looped = b"II*\0\x08\0\0\0\x01\0\x01\x01\x03\0\x01\0\0\0\0\0\0\0\x08\0\0\0";
    all.push(hostile("metadata in a circle.cr3", cr3(&camera(&boxed(b"CMT3", looped)))));
    all.push(hostile("vendors without end.cr3", cr3(&boxed(b"uuid", &[3; 16]).repeat(2000))));
    let many = [boxed(b"ftyp", b"crx \0\0\0\x01"), boxed(b"moov", &[]), boxed(b"uuid", &[3; 16]).repeat(5000)].concat();
    all.push(hostile("vendors at the top.cr3", many));
    all
}

/// A directory's entry, the lowest byte first.
pub fn entry(tag: u16, kind: u16, count: u32, value: u32) -> Vec<u8> {
    [&tag.to_le_bytes()[..], &kind.to_le_bytes(), &count.to_le_bytes(), &value.to_le_bytes()].concat()
}

/// A TIFF of one directory with so many bytes behind it.
pub fn tiff(entries: &[Vec<u8>], next: u32, behind: usize) -> Vec<u8> {
    let count = (entries.len() as u16).to_le_bytes();
    [b"II*\0\x08\0\0\0", &count[..], &entries.concat(), &next.to_le_bytes(), &vec![0x11; behind]].concat()
}

fn directories() -> Vec<Hostile> {
    let mut all = Vec::new();
    for extension in ["tif", "nef", "dng", "arw"] {
        let below: Vec<Vec<u8>> = (0..4000).map(|_| entry(330, 4, 65_535, 8)).collect();
        all.push(hostile(&format!("directories below directories.{extension}"), tiff(&below, 0, 262_140)));
        all.push(hostile(&format!("the next is the first.{extension}"), tiff(&[entry(256, 3, 1, 9)], 8, 0)));
        let values: Vec<Vec<u8>> = (0..4000).map(|n| entry(40_000 + n, 7, 1_000_000, 8)).collect();
        all.push(hostile(&format!("every value is the whole file.{extension}"), tiff(&values, 0, 1_000_000)));
        let huge: Vec<Vec<u8>> = (0..100).map(|n| entry(40_000 + n, 12, u32::MAX, 8)).collect();
        all.push(hostile(&format!("values larger than the machine.{extension}"), tiff(&huge, 0, 100)));
        let overlapping: Vec<u8> = (0..2000_u16).flat_map(|n| [0x6A, (n % 251) as u8]).collect();
        let list: Vec<u8> = (0..60_u32).flat_map(|n| (400 + n * 2).to_le_bytes()).collect();
        let mut file = tiff(&[entry(330, 4, 60, 26)], 0, 0);
        file.extend(list);
        file.resize(400, 0);
        file.extend(overlapping);
        all.push(hostile(&format!("directories over each other.{extension}"), file));
    }
    all.push(hostile("big.tif", b"II+\0\x08\0\0\0\x10\0\0\0\0\0\0\0".to_vec()));
    all
}

/// A heap as CIFF has them: values, then their directory, each value's place counted from the beginning.
pub fn heap(values: &[(u16, &[u8])]) -> Vec<u8> {
    let mut bytes = values.iter().flat_map(|(_, value)| value.to_vec()).collect::<Vec<u8>>();
    let (directory, mut at) = (bytes.len() as u32, 0_u32);
    bytes.extend((values.len() as u16).to_le_bytes());
    for (tag, value) in values {
        bytes.extend(tag.to_le_bytes());
        bytes.extend((value.len() as u32).to_le_bytes());
        bytes.extend(at.to_le_bytes());
        at += value.len() as u32;
    }
    bytes.extend(directory.to_le_bytes());
    bytes
}

/// The head of a CIFF file.
pub const CIFF_HEAD: &[u8] = b"II\x1a\0\0\0HEAPCCDR\0\0\0\0\0\0\0\0\0\0\0\0";

/// A heap with more entries than it has room for: they lie in the samples behind it, and each is that heap again.
fn heaps() -> Hostile {
    let inner = [0xFF, 0xFF, 0, 0, 0, 0];
    let itself = [&0x3000_u16.to_le_bytes()[..], &6_u32.to_le_bytes(), &0_u32.to_le_bytes()].concat();
    let samples = [&[0; 6][..], &itself.repeat(65_535)].concat();
    hostile("a heap within itself.crw", [CIFF_HEAD, &heap(&[(0x300A, &inner), (0x2005, &samples)])].concat())
}

/// A JPEG segment.
pub fn segment(marker: u8, body: &[u8]) -> Vec<u8> {
    [&[0xFF, marker][..], &(body.len() as u16 + 2).to_be_bytes(), body].concat()
}

/// A JPEG's beginning: one flat quantiser, and a frame of a side and of colours without subsampling.
pub fn jpeg_head(marker: u8, side: u16, colours: u8) -> Vec<u8> {
    let [high, low] = side.to_be_bytes();
    let components: Vec<u8> = (1..=colours).flat_map(|id| [id, 0x11, 0]).collect();
    let frame = [&[8, high, low, high, low, colours][..], &components].concat();
    [&[0xFF, 0xD8][..], &segment(0xDB, &[&[0][..], &[1; 64]].concat()), &segment(marker, &frame)].concat()
}

/// A table whose only code, one zero bit, is symbol 0.
pub fn one_code(class: u8) -> Vec<u8> {
    segment(0xC4, &[&[class, 1][..], &[0; 15], &[0]].concat())
}

fn png_chunk(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let named = [&name[..], body].concat();
    [&(body.len() as u32).to_be_bytes()[..], &named, &crc32fast::hash(&named).to_be_bytes()].concat()
}

fn png(width: u32, height: u32, chunks: &[Vec<u8>]) -> Vec<u8> {
    let head = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, 2, 0, 0, 0]].concat();
    [b"\x89PNG\r\n\x1a\n", &png_chunk(b"IHDR", &head)[..], &chunks.concat(), &png_chunk(b"IEND", &[])].concat()
}

fn packed_zeros(mib: usize) -> Vec<u8> {
    let mut encoder = ZlibEncoder::new(Vec::new(), Compression::best());
    for _ in 0..mib {
        encoder.write_all(&vec![0; 1 << 20]).unwrap();
    }
    encoder.finish().unwrap()
}

fn pictures() -> Vec<Hostile> {
    let scan = |spec: &[u8], data: &[u8]| {
        [segment(0xDA, &[&[spec.len() as u8 / 2][..], spec, &[0, 0, 0]].concat()), data.to_vec()].concat()
    };
    let head = [jpeg_head(0xC2, 9000, 1), one_code(0), one_code(0x10)].concat();
    let scans = scan(&[1, 0], &[]).repeat(20_000);
    let many_scans = [&head[..], &scans, &[0xFF, 0xD9]].concat();
    let head = jpeg_head(0xC0, 64, 1);
    let tables = segment(0xC4, &one_code(0)[4..].repeat(3000)).repeat(4);
    let many_tables = [&head[..], &tables, &one_code(0x10), &scan(&[1, 0], &[0; 16]), &[0xFF, 0xD9]].concat();
    let colour = |id: u8| scan(&[id, 0], &vec![0; 800_000]);
    let a_scan_a_colour = [
        &jpeg_head(0xC0, 14_000, 3)[..],
        &one_code(0),
        &one_code(0x10),
        &colour(1),
        &colour(2),
        &colour(3),
        &[0xFF, 0xD9],
    ]
    .concat();
    let hidden = [
        &[0xFF, 0xD8][..],
        &segment(0xE5, &vec![1; 60_000]).repeat(4),
        &jpeg_head(0xC2, 14_000, 3)[2..],
        &one_code(0),
        &scan(&[1, 0, 2, 0, 3, 0], &vec![0; 800_000]),
        &[0xFF, 0xD9],
    ]
    .concat();
    let profile = [&b"profile\0\0"[..], &packed_zeros(64)].concat();
    let pixels = packed_zeros(1);
    let bomb = png(20, 20, &[png_chunk(b"iCCP", &profile), png_chunk(b"IDAT", &pixels)]);
    // One colour, of which a lossless picture tells only the size.
    let size: u32 = (13_999) | (13_999 << 14);
    let vp8l = [&[0x2F][..], &size.to_le_bytes(), &[0x88, 0x88, 8, 0, 0, 0, 0]].concat();
    let body = [&b"WEBPVP8L"[..], &(vp8l.len() as u32).to_le_bytes(), &vp8l].concat();
    let webp = [&b"RIFF"[..], &(body.len() as u32).to_le_bytes(), &body].concat();
    let deep = [
        entry(256, 3, 1, 9900),
        entry(257, 3, 1, 9900),
        entry(258, 3, 1, 16),
        entry(259, 3, 1, 8),
        entry(262, 3, 1, 1),
        entry(273, 4, 1, 200),
        entry(277, 3, 1, 1),
        entry(278, 3, 1, 9900),
        entry(279, 4, 1, 2000),
    ];
    vec![
        hostile("scans without end.jpg", many_scans),
        hostile("tables without end.jpg", many_tables),
        hostile("a scan a colour.jpg", a_scan_a_colour),
        hostile("a frame behind other things.jpg", hidden),
        hostile("a profile of zeros.png", bomb),
        hostile("more than it holds.png", png(14_000, 14_000, &[png_chunk(b"IDAT", &pixels)])),
        hostile("one colour.webp", webp),
        hostile("one strip.tif", tiff(&deep, 0, 2300)),
    ]
}
