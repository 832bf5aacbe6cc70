//! A walk over every coded block of a JPEG (ITU-T T.81, annexes F and G): whether the data hold as many as the picture has.
//!
//! Nothing is decoded but lengths. Slow beside a look at the markers, so only files that raise a question are walked.

use std::ops::Range;

use super::be16;
use super::jpeg_coding::{Coding, Process};

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

/// Pictures larger than this are not walked: a mask of coefficients is kept for each block.
const MOST_BLOCKS: usize = 16 << 20;

/// Walks all scans; `None` of a picture whose coding isn't known here.
pub fn walk(bytes: &[u8]) -> Option<Ending> {
    let mut picture = Picture::default();
    let mut filled = None;
    let mut at = 2;
    loop {
        // Bytes between segments mean nothing; scans took theirs.
        while !matches!(bytes.get(at..at + 2)?, [0xFF, second] if !matches!(second, 0 | 0xFF)) {
            at += 1;
        }
        let marker = bytes[at + 1];
        if matches!(marker, 0x01 | 0xD0..=0xD7) {
            at += 2;
            continue;
        }
        if marker == 0xD9 {
            return Some(filled.unwrap_or(Ending::Exact));
        }
        let end = at + 2 + usize::from(be16(bytes, at + 2)?);
        let body = bytes.get(at + 4..end)?;
        match marker {
            0xC4 => picture.tables(body)?,
            0xC0..=0xCF => picture.frame(marker, body)?,
            0xDD => picture.restart_every = usize::from(be16(body, 0)?),
            0xDC => return None,
            0xDA => {
                let data = end..data_end(bytes, end);
                match picture.scan(bytes, data.clone(), body)? {
                    Ending::Exact => {}
                    Ending::Filled { complete_at } => {
                        filled.get_or_insert(Ending::Filled { complete_at });
                    }
                    Ending::Broken => return Some(Ending::Broken),
                }
                at = data.end;
                continue;
            }
            _ => {}
        }
        at = end;
    }
}

/// Where a scan's coded data end: at the next marker that is no restart.
fn data_end(bytes: &[u8], from: usize) -> usize {
    let mut at = from;
    while let Some(found) = bytes.get(at..).and_then(|rest| memchr::memchr(0xFF, rest)) {
        at += found;
        match bytes.get(at + 1) {
            Some(0 | 0xD0..=0xD7) => at += 2,
            Some(0xFF) => at += 1,
            _ => return at,
        }
    }
    bytes.len()
}

/// For the next 16 bits: how long the code is (0 for none), and its symbol.
type Table = Vec<(u8, u8)>;

#[derive(Default)]
struct Picture {
    coding: Option<Coding>,
    dc: [Option<Table>; 4],
    ac: [Option<Table>; 4],
    restart_every: usize,
    /// Of each component and block: which coefficients are told as not zero so far.
    told: Vec<Vec<u64>>,
}

/// A component's part in a scan.
struct Part {
    component: usize,
    dc: usize,
    ac: usize,
}

/// Which coefficients a scan tells, and which of their bits.
struct Spectrum {
    from: u32,
    to: u32,
    refines: bool,
}

impl Picture {
    fn frame(&mut self, marker: u8, body: &[u8]) -> Option<()> {
        let coding = Coding::read(marker, body)?;
        let sound = coding.components.iter().all(|c| (1..=4).contains(&c.across) && (1..=4).contains(&c.down));
        let size = coding.width > 0 && coding.height > 0 && coding.coefficient_bytes() as usize / 128 <= MOST_BLOCKS;
        (sound && size && coding.process != Process::Other && self.coding.is_none()).then_some(())?;
        if coding.process == Process::Progressive {
            let units = coding.units();
            let blocks = coding.components.iter().map(|c| units.0 * c.across * units.1 * c.down);
            self.told = blocks.map(|blocks| vec![0; blocks]).collect();
        }
        self.coding = Some(coding);
        Some(())
    }

    fn tables(&mut self, mut body: &[u8]) -> Option<()> {
        while let [class, rest @ ..] = body {
            let counts = rest.get(..16)?;
            let symbols: usize = counts.iter().map(|c| usize::from(*c)).sum();
            let table = table(counts, rest.get(16..16 + symbols)?)?;
            let tables = if class >> 4 == 0 { &mut self.dc } else { &mut self.ac };
            *tables.get_mut(usize::from(class & 15))? = Some(table);
            body = rest.get(16 + symbols..)?;
        }
        Some(())
    }

    fn scan(&mut self, bytes: &[u8], data: Range<usize>, body: &[u8]) -> Option<Ending> {
        let coding = self.coding.clone()?;
        let (count, rest) = body.split_first()?;
        let specs = rest.get(..usize::from(*count) * 2)?;
        let parts: Vec<Part> = specs
            .chunks_exact(2)
            .map(|spec| {
                let component = coding.components.iter().position(|c| c.id == spec[0])?;
                Some(Part { component, dc: usize::from(spec[1] >> 4), ac: usize::from(spec[1] & 15) })
            })
            .collect::<Option<_>>()?;
        let [from, to, bits, ..] = rest.get(usize::from(*count) * 2..)? else { return None };
        let spectrum = Spectrum { from: u32::from(*from), to: u32::from(*to).min(63), refines: bits >> 4 > 0 };
        let mut reader = Bits { bytes, at: data.start, end: data.end, next: 0, have: 0 };
        Some(match self.blocks(&coding, &parts, &spectrum, &mut reader) {
            None => Ending::Broken,
            Some(()) => reader.ending(),
        })
    }

    /// Steps over all blocks of a scan.
    fn blocks(&mut self, coding: &Coding, parts: &[Part], spectrum: &Spectrum, bits: &mut Bits<'_>) -> Option<()> {
        let units = coding.units();
        let most = coding.most();
        let (steps, alone) = match parts {
            // A component alone in its scan has its blocks in plain rows (T.81, A.2.2).
            [only] => {
                let component = coding.components[only.component];
                let side = |pixels: usize, of: usize, most: usize| (pixels * of).div_ceil(most).div_ceil(8);
                let steps = (side(coding.width, component.across, most.0), side(coding.height, component.down, most.1));
                (steps, true)
            }
            _ => (units, false),
        };
        let mut ends = 0_u32;
        for step in 0..steps.0 * steps.1 {
            if self.restart_every > 0 && step > 0 && step % self.restart_every == 0 {
                bits.restart()?;
                ends = 0;
            }
            let (column, row) = (step % steps.0, step / steps.0);
            for part in parts {
                let component = coding.components[part.component];
                let (across, down) = if alone { (1, 1) } else { (component.across, component.down) };
                for block in 0..across * down {
                    let x = column * across + block % across;
                    let y = row * down + block / across;
                    let place = y * units.0 * component.across + x;
                    self.block(coding.process, part, spectrum, place, &mut ends, bits)?;
                }
            }
        }
        Some(())
    }

    fn block(
        &mut self,
        process: Process,
        part: &Part,
        spectrum: &Spectrum,
        place: usize,
        ends: &mut u32,
        bits: &mut Bits<'_>,
    ) -> Option<()> {
        if process == Process::Sequential {
            bits.difference(self.dc.get(part.dc)?.as_ref()?)?;
            return bits.coefficients(self.ac.get(part.ac)?.as_ref()?);
        }
        if spectrum.from == 0 {
            return if spectrum.refines { bits.take(1) } else { bits.difference(self.dc.get(part.dc)?.as_ref()?) };
        }
        let table = self.ac.get(part.ac)?.as_ref()?;
        let told = self.told.get_mut(part.component)?.get_mut(place)?;
        if spectrum.refines {
            bits.refined(table, spectrum, told, ends)
        } else {
            bits.told_first(table, spectrum, told, ends)
        }
    }
}

/// From a table segment's counts and symbols (T.81, annex C).
fn table(counts: &[u8], symbols: &[u8]) -> Option<Table> {
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
struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
    end: usize,
    /// The next bits, from the top.
    next: u64,
    have: u32,
}

impl Bits<'_> {
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
    fn take(&mut self, count: u32) -> Option<()> {
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

    fn difference(&mut self, table: &Table) -> Option<()> {
        let (high, low) = self.symbol(table)?;
        self.take((high << 4 | low).min(16))
    }

    /// All but the first coefficient of a block.
    fn coefficients(&mut self, table: &Table) -> Option<()> {
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
    fn told_first(&mut self, table: &Table, spectrum: &Spectrum, told: &mut u64, ends: &mut u32) -> Option<()> {
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
    fn refined(&mut self, table: &Table, spectrum: &Spectrum, told: &mut u64, ends: &mut u32) -> Option<()> {
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
    fn restart(&mut self) -> Option<()> {
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
    fn ending(&self) -> Ending {
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
