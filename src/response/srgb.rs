//! The sRGB curve.

/// sRGB code (0 to 1) of a linear value. Source: IEC 61966-2-1.
pub fn srgb_encode(linear: f64) -> f64 {
    if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 }
}

/// Linear value of an sRGB code (0 to 1). Source: IEC 61966-2-1.
pub fn srgb_decode(code: f64) -> f64 {
    if code <= 0.040_45 { code / 12.92 } else { ((code + 0.055) / 1.055).powf(2.4) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: IEC 61966-2-1.
    #[test]
    fn mid_grey_is_code_118_and_the_two_pieces_join() {
        assert!((srgb_encode(0.18) * 255.0 - 117.6458).abs() < 1e-3);
        assert!((srgb_encode(0.003_130_8 + 1e-12) - 12.92 * 0.003_130_8).abs() < 1e-7);
        for i in 0..=255 {
            let v = f64::from(i) / 255.0;
            assert!((srgb_encode(srgb_decode(v)) - v).abs() < 1e-7);
        }
    }
}
