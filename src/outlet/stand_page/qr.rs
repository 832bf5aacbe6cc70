//! A QR code for a terminal (ISO/IEC 18004, by a library): two rows of modules in a line of text.

use qrcode::render::unicode::Dense1x2;
use qrcode::{EcLevel, QrCode};

/// The code of an address, to be read from a dark terminal; `None` when it is too long for one.
///
/// A screen is neither torn nor stained: the lowest level of correction keeps the code small.
/// The library's 'dark' is a character that is drawn: here that is for the light modules.
pub fn code(address: &str) -> Option<String> {
    let code = QrCode::with_error_correction_level(address.as_bytes(), EcLevel::L).ok()?;
    Some(code.render::<Dense1x2>().dark_color(Dense1x2::Light).light_color(Dense1x2::Dark).quiet_zone(true).build())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: read back by another library (`rqrr`), from the characters as a dark terminal shows them.
    #[test]
    fn a_phone_reads_the_address_from_the_terminal() {
        let address = "http://192.168.123.124:47182/#23456789ABCDEFGH";
        let text = code(address).unwrap();
        let rows: Vec<Vec<char>> = text.lines().map(|l| l.chars().collect()).collect();
        assert!(rows.len() <= 24 && rows[0].len() <= 80, "it fits on the smallest terminal");
        let is_light = |x: usize, y: usize| match (rows[y / 2][x], y % 2) {
            ('\u{2588}', _) => true,
            ('\u{2580}', half) => half == 0,
            ('\u{2584}', half) => half == 1,
            _ => false,
        };
        // Each module as 4 by 4 pixels.
        let (width, height) = (rows[0].len() * 4, rows.len() * 8);
        let mut picture =
            rqrr::PreparedImage::prepare_from_greyscale(
                width,
                height,
                |x, y| {
                    if is_light(x / 4, y / 4) { 255 } else { 0 }
                },
            );
        let grids = picture.detect_grids();
        assert_eq!(grids[0].decode().unwrap().1, address);
    }
}
