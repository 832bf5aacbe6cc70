//! The coded bits of one scan of a JPEG (ITU-T T.81, annexes F and G), stepped over block by block.

use std::ops::Range;

/// For the next 16 bits: how long the code is (0 for none), and its symbol.
pub type Table = Vec<(u8, u8)>;

/// How the data of all scans end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ending {
    /// Each scan's data end with its last block.
    Exact,
    /// Zeros follow the last block of a scan.
    Filled { complete_at: usize },
    /// Data are missing or left over.
    Broken,
}

/// Which coefficients a scan tells, and which of their bits.
pub struct Spectrum {
    pub from: u32,
    pub to: u32,
    pub refines: bool,
}

/// From a table segment's counts and symbols (T.81, annex C).
pub fn table(counts: &[u8], symbols: &[u8]) -> Option<Table> {
    let mut table = vec![(0, 0); 1 << 16];
    let (mut code, mut place) = (0_usize, 0);
    for (length, count) in (1_u8..=16).zip(counts) {
        for _ in 0..*count {
            let from = code << (16 - length);
            table.get_mut(from..from + (1 << (16 - length)))?.fill((length, *symbols.get(place)?));
            code += 1;
            place += 1;
        }
        code <<= 1;
    }
    Some(table)
}

/// The coded bits of one scan, without stuffing.
pub struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    end: usize,
    /// The next bits, from the top.
    next: u64,
    have: u32,
}

impl<'a> Bits<'a> {
    pub fn of(bytes: &'a [u8], data: Range<usize>) -> Bits<'a> {
        Bits { bytes, at: data.start, end: data.end, next: 0, have: 0 }
    }

    fn refill(&mut self) {
        while self.have <= 48 && self.at < self.end {
            let byte = self.bytes[self.at];
            match (byte, self.bytes.get(self.at + 1)) {
                (0xFF, Some(0)) => self.at += 2,
                (0xFF, _) => return,
                _ => self.at += 1,
            }
            self.next |= u64::from(byte) << (56 - self.have);
            self.have += 8;
        }
    }

    /// Passes over bits; `None` when the data end before them.
    pub fn take(&mut self, count: u32) -> Option<()> {
        self.number(count).map(|_| ())
    }

    /// Takes up to 16 bits as a number.
    fn number(&mut self, count: u32) -> Option<u32> {
        if self.have < count {
            self.refill();
        }
        self.have = self.have.checked_sub(count)?;
        let number = self.next.checked_shr(64 - count).unwrap_or(0) as u32;
        self.next <<= count;
        Some(number)
    }

    /// The next symbol: its upper and lower half.
    fn symbol(&mut self, table: &Table) -> Option<(u32, u32)> {
        if self.have < 16 {
            self.refill();
        }
        let (length, symbol) = table[(self.next >> 48) as usize];
        (length > 0).then_some(())?;
        self.take(u32::from(length))?;
        Some((u32::from(symbol >> 4), u32::from(symbol & 15)))
    }

    pub fn difference(&mut self, table: &Table) -> Option<()> {
        let (high, low) = self.symbol(table)?;
        self.take((high << 4 | low).min(16))
    }

    /// All but the first coefficient of a block.
    pub fn coefficients(&mut self, table: &Table) -> Option<()> {
        let mut place = 1;
        while place < 64 {
            match self.symbol(table)? {
                (0, 0) => return Some(()),
                (15, 0) => place += 16,
                (_, 0) => return None,
                (run, size) => {
                    self.take(size)?;
                    place += run + 1;
                }
            }
        }
        (place == 64).then_some(())
    }

    /// T.81, G.1.2.2.
    pub fn told_first(&mut self, table: &Table, spectrum: &Spectrum, told: &mut u64, ends: &mut u32) -> Option<()> {
        if *ends > 0 {
            *ends -= 1;
            return Some(());
        }
        let mut place = spectrum.from;
        while place <= spectrum.to {
            match self.symbol(table)? {
                (15, 0) => place += 16,
                (run, 0) => {
                    *ends = (1 << run) - 1 + self.number(run)?;
                    return Some(());
                }
                (run, size) => {
                    self.take(size)?;
                    place += run;
                    (place <= spectrum.to).then_some(())?;
                    *told |= 1 << place;
                    place += 1;
                }
            }
        }
        (place == spectrum.to + 1).then_some(())
    }

    /// T.81, G.1.2.3.
    pub fn refined(&mut self, table: &Table, spectrum: &Spectrum, told: &mut u64, ends: &mut u32) -> Option<()> {
        let mut place = spectrum.from;
        while *ends == 0 && place <= spectrum.to {
            let (mut run, size) = self.symbol(table)?;
            if size == 0 && run < 15 {
                *ends = (1 << run) + self.number(run)?;
                break;
            }
            self.take(size)?;
            while place <= spectrum.to {
                if *told >> place & 1 == 1 {
                    self.take(1)?;
                } else if run == 0 {
                    break;
                } else {
                    run -= 1;
                }
                place += 1;
            }
            if size > 0 {
                (place <= spectrum.to).then_some(())?;
                *told |= 1 << place;
            }
            place += 1;
        }
        if *ends > 0 {
            let left = u64::MAX.checked_shr(63 - spectrum.to).unwrap_or(0) & u64::MAX.checked_shl(place).unwrap_or(0);
            for _ in 0..(*told & left).count_ones() {
                self.take(1)?;
            }
            *ends -= 1;
        }
        Some(())
    }

    /// Passes a restart marker, which must stand right behind the last block.
    pub fn restart(&mut self) -> Option<()> {
        let mut at = self.position();
        (self.next, self.have) = (0, 0);
        // Fill bytes may stand before a marker (T.81, B.1.1.2).
        while self.bytes.get(at..at + 2) == Some(&[0xFF, 0xFF]) {
            at += 1;
        }
        let is_restart = matches!(self.bytes.get(at..at + 2), Some([0xFF, 0xD0..=0xD7]));
        self.at = at + 2;
        is_restart.then_some(())
    }

    /// Where the first byte stands of which no bit was taken.
    fn position(&self) -> usize {
        let mut at = self.at;
        for _ in 0..self.have / 8 {
            let stuffed = self.bytes.get(at.wrapping_sub(2)..at) == Some(&[0xFF, 0]);
            at -= if stuffed { 2 } else { 1 };
        }
        at
    }

    /// What stands behind the last block.
    pub fn ending(&self) -> Ending {
        const STRAY: usize = 2;
        let complete_at = self.position();
        let left = self.bytes.get(complete_at..self.end).unwrap_or_default();
        if left.len() <= STRAY {
            Ending::Exact
        } else if left.iter().all(|b| *b == 0) {
            Ending::Filled { complete_at }
        } else {
            Ending::Broken
        }
    }
}
