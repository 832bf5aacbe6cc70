//! The coded bits of a baseline JPEG, and the tables that they are read by (ITU-T T.81, annexes C and F): each block's
//! first coefficient is read, the others are stepped over.

/// Bits of a code that are looked up at once; longer codes are rare.
const SHORT_BITS: u32 = 10;

/// What a code stands for: bits of code and number together, and the two halves of its symbol.
#[derive(Clone, Copy, Default)]
struct Entry {
    /// 0 where the code is longer than the table looks.
    code_bits: u8,
    run: u8,
    size: u8,
}

/// Several AC codes stepped over at once: bits of all, coefficients of all, and whether the block ends.
/// All zero where even the first code is longer than the table looks.
#[derive(Clone, Copy, Default)]
struct Stride {
    bits: u8,
    coefficients: u8,
    ends: bool,
}

/// Bits of the table of strides.
const FAR: u32 = 12;

pub struct Huffman {
    short: Vec<Entry>,
    /// For AC tables: indexed by the next [`FAR`] bits.
    far: Box<[Stride; 1 << FAR]>,
    /// First code, first symbol's place and number of codes of each length.
    first: [(u32, usize, u32); 17],
    symbols: Vec<u8>,
}

impl Huffman {
    /// From the table segment's counts and symbols (T.81, annex C).
    pub fn new(counts: &[u8], symbols: &[u8]) -> Option<Huffman> {
        let mut table = Huffman {
            short: vec![Entry::default(); 1 << SHORT_BITS],
            far: Box::new([Stride::default(); 1 << FAR]),
            first: [(0, 0, 0); 17],
            symbols: symbols.to_vec(),
        };
        let (mut code, mut place) = (0_u32, 0_usize);
        for length in 1..=16_u32 {
            let count = u32::from(*counts.get(length as usize - 1)?);
            *table.first.get_mut(length as usize)? = (code, place, count);
            for _ in 0..count {
                let symbol = *symbols.get(place)?;
                if length <= SHORT_BITS {
                    let from = (code << (SHORT_BITS - length)) as usize;
                    let entry = Entry { code_bits: length as u8, run: symbol >> 4, size: symbol & 15 };
                    table.short.get_mut(from..from + (1 << (SHORT_BITS - length)))?.fill(entry);
                }
                code += 1;
                place += 1;
            }
            code <<= 1;
        }
        for index in 0..1 << FAR {
            table.far[index] = table.stride(index as u64);
        }
        Some(table)
    }

    /// The codes that lie wholly within the table's bits; the first may have its number beyond them.
    fn stride(&self, index: u64) -> Stride {
        let mut stride = Stride::default();
        loop {
            let left = FAR - u32::from(stride.bits);
            let ahead = index << (64 - left);
            let entry = self.short[(ahead >> (64 - SHORT_BITS)) as usize];
            let code_bits = u32::from(entry.code_bits);
            if code_bits == 0 || code_bits > left {
                return stride;
            }
            let first = stride.bits == 0;
            match (entry.run, entry.size) {
                (0, 0) => return Stride { bits: stride.bits + entry.code_bits, ends: true, ..stride },
                (1..=14, 0) => return stride,
                (run, size) if first || code_bits + u32::from(size) <= left => {
                    let passed = stride.coefficients + run + 1;
                    if passed > 62 {
                        return stride;
                    }
                    stride = Stride { bits: stride.bits + entry.code_bits + size, coefficients: passed, ends: false };
                }
                _ => return stride,
            }
            if u32::from(stride.bits) >= FAR {
                return stride;
            }
        }
    }

    /// A code longer than the table looks.
    fn long(&self, bits: u64) -> Option<Entry> {
        (SHORT_BITS + 1..=16).find_map(|length| {
            let (first, place, count) = self.first[length as usize];
            let code = (bits >> (64 - length)) as u32;
            let at = code.checked_sub(first).filter(|at| *at < count)?;
            let symbol = self.symbols.get(place + at as usize)?;
            Some(Entry { code_bits: length as u8, run: symbol >> 4, size: symbol & 15 })
        })
    }
}

/// The coded bits, without stuffing, up to the next marker.
pub struct Bits<'a> {
    data: &'a [u8],
    at: usize,
    /// The next bits, from the top.
    next: u64,
    have: u32,
}

impl Bits<'_> {
    pub fn of(data: &[u8]) -> Bits<'_> {
        Bits { data, at: 0, next: 0, have: 0 }
    }

    /// Makes at least 48 bits ready; zeros where a marker stands.
    #[inline]
    fn refill(&mut self) {
        if let Some(eight) = self.data.get(self.at..self.at + 8)
            && let Ok(eight) = <[u8; 8]>::try_from(eight)
        {
            let word = u64::from_be_bytes(eight);
            // No byte of it is 0xFF: the complement has no zero byte.
            let inverse = !word;
            let has_marker = inverse.wrapping_sub(0x0101_0101_0101_0101) & !inverse & 0x8080_8080_8080_8080;
            if has_marker == 0 {
                self.next |= word >> self.have;
                let taken = (63 - self.have) / 8;
                self.at += taken as usize;
                self.have += taken * 8;
                // Bits below those counted are the next byte's; they will be laid there again.
                self.next &= !(u64::MAX.checked_shr(self.have).unwrap_or(0));
                return;
            }
        }
        self.refill_slowly();
    }

    fn refill_slowly(&mut self) {
        while self.have <= 48 {
            let byte = match (self.data.get(self.at), self.data.get(self.at + 1)) {
                (Some(0xFF), Some(0)) => {
                    self.at += 2;
                    0xFF
                }
                (Some(0xFF), _) | (None, _) => return,
                (Some(byte), _) => {
                    self.at += 1;
                    *byte
                }
            };
            self.next |= u64::from(byte) << (56 - self.have);
            self.have += 8;
        }
    }

    /// Takes bits off; `None` when the data end before them.
    #[inline]
    fn take(&mut self, count: u32) -> Option<()> {
        self.have = self.have.checked_sub(count)?;
        self.next <<= count;
        Some(())
    }

    #[inline]
    fn code(&mut self, table: &Huffman) -> Option<Entry> {
        if self.have < 32 {
            self.refill();
        }
        let entry = table.short[(self.next >> (64 - SHORT_BITS)) as usize];
        if entry.code_bits > 0 { Some(entry) } else { table.long(self.next) }
    }

    /// Reads one block: its DC difference; the rest is stepped over.
    #[inline]
    pub fn block(&mut self, dc: &Huffman, ac: &Huffman) -> Option<i32> {
        let entry = self.code(dc)?;
        self.take(u32::from(entry.code_bits))?;
        let size = u32::from(entry.run) << 4 | u32::from(entry.size);
        let difference = if size == 0 {
            0
        } else if size > 11 {
            return None;
        } else {
            let value = (self.next >> (64 - size)) as i32;
            self.take(size)?;
            if value < 1 << (size - 1) { value - (1 << size) + 1 } else { value }
        };
        let mut place = 1;
        while place < 64 {
            if self.have < 32 {
                self.refill();
            }
            let stride = ac.far[(self.next >> (64 - FAR)) as usize];
            let reached = place + usize::from(stride.coefficients);
            // What lies behind the block's last coefficient is another block's.
            if stride.bits > 0 && reached + usize::from(stride.ends) <= 64 {
                self.take(u32::from(stride.bits))?;
                if stride.ends {
                    return Some(difference);
                }
                place = reached;
                continue;
            }
            let entry = self.code(ac)?;
            self.take(u32::from(entry.code_bits) + u32::from(entry.size))?;
            match (entry.run, entry.size) {
                (0, 0) => return Some(difference),
                (15, 0) => place += 16,
                (_, 0) => return None,
                (run, _) => place += usize::from(run) + 1,
            }
        }
        (place == 64).then_some(difference)
    }

    /// Passes a restart marker.
    pub fn restart(&mut self) -> Option<()> {
        self.next = 0;
        self.have = 0;
        // Fill bytes may stand before a marker (T.81, B.1.1.2).
        while self.data.get(self.at..self.at + 2) == Some(&[0xFF, 0xFF]) {
            self.at += 1;
        }
        match (self.data.get(self.at), self.data.get(self.at + 1)) {
            (Some(0xFF), Some(0xD0..=0xD7)) => {
                self.at += 2;
                Some(())
            }
            _ => None,
        }
    }
}
