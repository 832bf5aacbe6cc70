//! Reproducible random numbers for simulations.

/// SplitMix64 (Steele, Lea and Flood 2014, from memory): reproducible, and no statistics rest on it.
pub struct Random(pub u64);

impl Random {
    /// Even, from 0 to 1.
    pub fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }

    /// Normal, by the sum of twelve.
    pub fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }

    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[((self.next() * of.len() as f64) as usize).min(of.len() - 1)]
    }
}
