//! Damage to seeds: what breaks readers is a number that is off, a part that is missing, doubled or of another file.

/// SplitMix64 (Steele, Lea and Flood 2014, from memory).
struct Random(u64);

impl Random {
    fn number(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        (self.number() % end.max(1) as u64) as usize
    }
}

/// Damaged seeds without end.
pub struct Mutations {
    random: Random,
    seeds: Vec<Vec<u8>>,
    longest: usize,
}

/// Numbers at which readers go wrong.
const EDGES: [u64; 12] = [0, 1, 7, 8, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x1_0000, 0x7FFF_FFFF, 0xFFFF_FFFF, u64::MAX];

impl Mutations {
    pub fn new(seed: u64, seeds: Vec<Vec<u8>>, longest: usize) -> Mutations {
        assert!(!seeds.is_empty());
        Mutations { random: Random(seed), seeds, longest }
    }

    pub fn next(&mut self) -> Vec<u8> {
        let which = self.random.below(self.seeds.len());
        let mut input = self.seeds[which].clone();
        // Most inputs are hurt a little, some much.
        let times = 1 << self.random.below(5);
        for _ in 0..times {
            self.hurt(&mut input);
        }
        input.truncate(self.longest);
        input
    }

    fn hurt(&mut self, input: &mut Vec<u8>) {
        let at = self.place(input.len());
        match self.random.below(9) {
            0 => {
                if let Some(byte) = input.get_mut(at) {
                    *byte ^= 1 << self.random.below(8);
                }
            }
            1 => {
                if let Some(byte) = input.get_mut(at) {
                    *byte = self.random.number() as u8;
                }
            }
            2 | 3 => self.write_number(input, at),
            4 => input.truncate(at),
            5 => {
                let end = (at + self.random.below(64)).min(input.len());
                input.drain(at..end);
            }
            6 => {
                let end = (at + self.random.below(256)).min(input.len());
                let part = input[at..end].to_vec();
                let to = self.place(input.len());
                input.splice(to..to, part);
            }
            7 => {
                let other = self.random.below(self.seeds.len());
                let from = self.place(self.seeds[other].len());
                let end = (from + self.random.below(256)).min(self.seeds[other].len());
                let part = self.seeds[other][from..end].to_vec();
                let over = (at + part.len()).min(input.len());
                input.splice(at..over, part);
            }
            _ => {
                let end = (at + (1 << self.random.below(13))).min(input.len());
                input[at..end].fill(if self.random.below(2) == 0 { 0 } else { 0xFF });
            }
        }
    }

    /// A number at an edge, near one, or near the input's own length, in either byte order.
    fn write_number(&mut self, input: &mut [u8], at: usize) {
        let width = [1, 2, 4, 8][self.random.below(4)];
        let edge = match self.random.below(EDGES.len() + 2) {
            n if n < EDGES.len() => EDGES[n],
            n if n == EDGES.len() => input.len() as u64,
            _ => at as u64,
        };
        let number = edge.wrapping_add(self.random.below(3) as u64).wrapping_sub(1);
        let bytes =
            if self.random.below(2) == 0 { number.to_le_bytes() } else { (number << (64 - 8 * width)).to_be_bytes() };
        if let Some(place) = input.get_mut(at..at + width) {
            place.copy_from_slice(&bytes[..width]);
        }
    }

    /// Headings stand at the beginning, so that is hurt more often.
    fn place(&mut self, length: usize) -> usize {
        let within = if self.random.below(2) == 0 { length.min(128) } else { length };
        self.random.below(within + 1).min(length)
    }
}
