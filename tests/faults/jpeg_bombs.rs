//! JPEGs that cost a reader far more than their size: made here, as code, after ITU-T T.81.

/// Bits, first one highest, with the zero byte that follows each full byte of ones.
#[derive(Default)]
struct Bits {
    bytes: Vec<u8>,
    held: u32,
    count: u32,
}

impl Bits {
    fn push(&mut self, value: u32, bits: u32) {
        for k in (0..bits).rev() {
            self.held = (self.held << 1) | ((value >> k) & 1);
            self.count += 1;
            if self.count == 8 {
                self.bytes.push(self.held as u8);
                if self.held == 0xFF {
                    self.bytes.push(0);
                }
                (self.held, self.count) = (0, 0);
            }
        }
    }

    fn end(mut self) -> Vec<u8> {
        while self.count > 0 {
            self.push(1, 1);
        }
        self.bytes
    }
}

fn segment(marker: u8, content: &[u8]) -> Vec<u8> {
    let length = (content.len() as u16 + 2).to_be_bytes();
    [&[0xFF, marker], &length[..], content].concat()
}

fn start() -> Vec<u8> {
    let table = [&[0_u8][..], &[1; 64]].concat();
    [vec![0xFF, 0xD8], segment(0xDB, &table)].concat()
}

/// A picture of this size, of one colour or three; `marker` says which kind of coding.
fn frame(marker: u8, side: u16, colours: u8) -> Vec<u8> {
    let mut content = vec![8];
    content.extend(side.to_be_bytes());
    content.extend(side.to_be_bytes());
    content.push(colours);
    for colour in 1..=colours {
        content.extend([colour, 0x11, 0]);
    }
    segment(marker, &content)
}

/// Two codes: `0` for something unused, `10` for nothing at all. So coded zeros are no zero bytes.
fn plain_tables() -> Vec<u8> {
    let mut counts = [0_u8; 16];
    (counts[0], counts[1]) = (1, 1);
    let table = |class: u8, unused: u8| segment(0xC4, &[&[class][..], &counts, &[unused, 0]].concat());
    [table(0x00, 1), table(0x10, 0x11)].concat()
}

/// Codes of five bits for runs of empty blocks; the code is the power of two.
fn run_table() -> Vec<u8> {
    let mut counts = [0_u8; 16];
    counts[4] = 15;
    let symbols: Vec<u8> = (0..15).map(|power| power << 4).collect();
    segment(0xC4, &[&[0x10][..], &counts, &symbols].concat())
}

fn scan(colours: &[u8], band: [u8; 3], data: &[u8]) -> Vec<u8> {
    let mut head = vec![colours.len() as u8];
    colours.iter().for_each(|c| head.extend([*c, 0x00]));
    head.extend(band);
    [segment(0xDA, &head), data.to_vec()].concat()
}

fn blocks(side: u16) -> u32 {
    u32::from(side).div_ceil(8).pow(2)
}

/// `bits` of the pattern 1, 0, 1, 0.
fn empty(bits: u32) -> Vec<u8> {
    let mut data = vec![0xAA; (bits / 8) as usize];
    if !bits.is_multiple_of(8) {
        data.push(0xAA | (0xFF >> (bits % 8)) as u8);
    }
    data
}

/// Progressive, grey, with so many scans that say nothing, each of which walks the whole picture.
pub fn empty_scans(side: u16, scans: usize) -> Vec<u8> {
    let mut nothing = Bits::default();
    let mut left = blocks(side);
    while left > 0 {
        let power = left.ilog2().min(14);
        let run = left.min((1 << (power + 1)) - 1);
        nothing.push(power, 5);
        nothing.push(run - (1 << power), power);
        left -= run;
    }
    let nothing = scan(&[1], [1, 63, 0], &nothing.end());
    let mut jpeg = [start(), frame(0xC2, side, 1), plain_tables(), run_table()].concat();
    jpeg.extend(scan(&[1], [0, 0, 0], &empty(2 * blocks(side))));
    for _ in 0..scans {
        jpeg.extend_from_slice(&nothing);
    }
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}

/// So many tables before the picture, each of which a reader has to make.
pub fn many_tables(tables: usize) -> Vec<u8> {
    let mut jpeg = [start(), frame(0xC0, 64, 1)].concat();
    let table = plain_tables();
    for _ in 0..tables / 2 {
        jpeg.extend_from_slice(&table);
    }
    jpeg.extend(scan(&[1], [0, 63, 0], &empty(4 * blocks(64))));
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}

/// Baseline, each colour in a scan of its own: a reader has to hold all coefficients.
pub fn a_scan_a_colour(side: u16) -> Vec<u8> {
    let mut jpeg = [start(), frame(0xC0, side, 3), plain_tables()].concat();
    for colour in 1..=3 {
        jpeg.extend(scan(&[colour], [0, 63, 0], &empty(4 * blocks(side))));
    }
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}

/// Progressive, told as such only behind much that is no picture.
pub fn behind_much_else(side: u16) -> Vec<u8> {
    let mut jpeg = start();
    for _ in 0..4 {
        jpeg.extend(segment(0xE5, &[7; 60_000]));
    }
    jpeg.extend([frame(0xC2, side, 3), plain_tables()].concat());
    jpeg.extend(scan(&[1, 2, 3], [0, 0, 0], &empty(6 * blocks(side))));
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}

/// Claims to be huge, and has next to nothing.
pub fn a_claim(side: u16) -> Vec<u8> {
    let mut jpeg = [start(), frame(0xC0, side, 3), plain_tables()].concat();
    jpeg.extend(scan(&[1, 2, 3], [0, 63, 0], &empty(4_000)));
    jpeg.extend([0xFF, 0xD9]);
    jpeg
}
