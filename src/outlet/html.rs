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

/// The address of a picture that is in the page itself (RFC 2397).
pub fn jpeg_address(jpeg: &[u8]) -> String {
    format!("data:image/jpeg;base64,{}", base64(jpeg))
}

/// Bytes as text (RFC 4648, section 4).
pub fn base64(bytes: &[u8]) -> String {
    STANDARD.encode(bytes)
}

/// The bytes again; `None` of what isn't written so.
pub fn from_base64(text: &str) -> Option<Vec<u8>> {
    STANDARD.decode(text).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// CHECK: RFC 4648, section 10: its test vectors.
    #[test]
    fn base64_is_that_of_the_standard() {
        let vectors =
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")];
        for (text, coded) in vectors {
            assert_eq!(base64(text.as_bytes()), coded);
            assert_eq!(from_base64(coded).as_deref(), Some(text.as_bytes()));
        }
        assert!(["Zg=", "Zg", "Z===", "Z!==", "=Zg="].iter().all(|text| from_base64(text).is_none()));
    }

    #[test]
    fn names_stay_text_in_a_page() {
        assert_eq!(escaped("<img src=\"x\" onerror='y'>&"), "&lt;img src=&quot;x&quot; onerror=&#39;y&#39;&gt;&amp;");
    }
}
