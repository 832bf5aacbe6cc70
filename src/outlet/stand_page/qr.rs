//! A QR code for a terminal (ISO/IEC 18004, by a library): two rows of modules in a line of text.

use qrcode::QrCode;
use qrcode::render::unicode::Dense1x2;

/// The code of an address; `None` when it is too long for one. Light modules are drawn, so that it
/// reads on a dark terminal; readers take an inverted one, too.
pub fn code(address: &str) -> Option<String> {
    let code = QrCode::new(address.as_bytes()).ok()?;
    Some(code.render::<Dense1x2>().dark_color(Dense1x2::Dark).light_color(Dense1x2::Light).quiet_zone(true).build())
}
