//! How a JPEG is coded, by its frame header (ITU-T T.81, B.2.2): what decoding it will take.

/// What a frame header tells.
#[derive(Debug, Default, Clone, PartialEq)]
pub struct Coding {
    pub width: usize,
    pub height: usize,
    /// Bits of a sample.
    pub precision: u8,
    pub process: Process,
    pub components: Vec<Component>,
    /// Scans of the whole picture.
    pub scans: usize,
}

/// How coefficients are told.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub enum Process {
    /// Each scan tells its blocks wholly.
    Sequential,
    Progressive,
    /// Lossless, hierarchical or arithmetic: not walked here.
    #[default]
    Other,
}

/// One colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Component {
    pub id: u8,
    /// Blocks of this colour side by side in one unit of all colours.
    pub across: usize,
    /// Blocks above each other in it.
    pub down: usize,
}

impl Coding {
    /// From the header's marker and what stands behind its length.
    pub fn read(marker: u8, body: &[u8]) -> Option<Coding> {
        let [precision, h1, h0, w1, w0, count, specs @ ..] = body else { return None };
        let components: Vec<Component> = specs
            .chunks_exact(3)
            .take(usize::from(*count))
            .map(|spec| Component { id: spec[0], across: usize::from(spec[1] >> 4), down: usize::from(spec[1] & 15) })
            .collect();
        let process = match marker {
            0xC0 | 0xC1 => Process::Sequential,
            0xC2 => Process::Progressive,
            _ => Process::Other,
        };
        (components.len() == usize::from(*count)).then_some(Coding {
            width: usize::from(u16::from_be_bytes([*w1, *w0])),
            height: usize::from(u16::from_be_bytes([*h1, *h0])),
            precision: *precision,
            process,
            components,
            scans: 0,
        })
    }

    /// The largest sampling of all colours, across and down.
    pub fn most(&self) -> (usize, usize) {
        let most = |of: fn(&Component) -> usize| self.components.iter().map(of).max().unwrap_or(1).max(1);
        (most(|c| c.across), most(|c| c.down))
    }

    /// Units of all colours, across and down.
    pub fn units(&self) -> (usize, usize) {
        let (across, down) = self.most();
        (self.width.div_ceil(8 * across), self.height.div_ceil(8 * down))
    }

    /// Bytes that a decoder needs to keep every coefficient, as it must where several scans tell them.
    pub fn coefficient_bytes(&self) -> u64 {
        let units = self.units();
        let blocks: u64 = self.components.iter().map(|c| (units.0 * c.across * units.1 * c.down) as u64).sum();
        blocks * 64 * 2
    }
}

/// How many code tables a table segment holds.
pub fn tables_in(body: &[u8]) -> usize {
    let mut rest = body;
    let mut tables = 0;
    while let Some(counts) = rest.get(1..17) {
        tables += 1;
        let symbols: usize = counts.iter().map(|c| usize::from(*c)).sum();
        rest = rest.get(17 + symbols..).unwrap_or_default();
    }
    tables
}
