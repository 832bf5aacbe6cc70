//! A walk over every coded block of a JPEG (ITU-T T.81, annexes F and G): whether the data hold as many as the picture has.
//!
//! Nothing is decoded but lengths. Slow beside a look at the markers, so only files that raise a question are walked.

use std::ops::Range;

use super::be16;
use super::jpeg_bits::{Bits, Ending, Spectrum, Table, table};
use super::jpeg_coding::{Coding, Process};

/// Pictures larger than this are not walked: a mask of coefficients is kept for each block.
const MOST_BLOCKS: usize = 16 << 20;

/// Walks all scans; `None` of a picture whose coding isn't known here.
pub fn walk(bytes: &[u8]) -> Option<Ending> {
    let mut picture = ScannedPicture::default();
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

#[derive(Default)]
struct ScannedPicture {
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

impl ScannedPicture {
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
        let mut reader = Bits::of(bytes, data);
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
