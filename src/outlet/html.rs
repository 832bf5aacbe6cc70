//! Text and pictures as they stand in a page of HTML that needs nothing but itself.

use std::fmt::Write;

use base64::Engine;
use base64::engine::general_purpose::STANDARD;

use super::plain::printable;

/// Text as it stands in HTML, between tags or within quotes.
pub fn escaped(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in printable(text).chars() {
        match c {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            '\'' => escaped.push_str("&#39;"),
            // Writing to a string can't fail.
            c if c.is_control() => _ = write!(escaped, "&#{};", u32::from(c)),
            c => escaped.push(c),
        }
    }
    escaped
}

/// The address of a picture that stands in the page itself (RFC 2397).
pub fn jpeg_address(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", STANDARD.encode(jpeg))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stay_text_in_a_page() {
        assert_eq!(escaped("<img src=\"x\" onerror='y'>&"), "&lt;img src=&quot;x&quot; onerror=&#39;y&#39;&gt;&amp;");
    }

    /// CHECK: RFC 4648, section 10: 'foob' is 'Zm9vYg=='.
    #[test]
    fn a_picture_is_its_own_address() {
        assert_eq!(jpeg_address(b"foob"), "data:image/jpeg;base64,Zm9vYg==");
    }
}
