//! A guard round other people's decoders: a panic in one costs one frame, and no noise.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::sync::Once;

thread_local! {
    static GUARDED: Cell<bool> = const { Cell::new(false) };
}

/// Runs a decoder on untrusted bytes. `Err` holds the message of its panic.
pub(super) fn guarded<T>(decode: impl FnOnce() -> T) -> Result<T, String> {
    quieten();
    let before = GUARDED.replace(true);
    let result = catch_unwind(AssertUnwindSafe(decode));
    GUARDED.set(before);
    result.map_err(|panic| match (panic.downcast_ref::<String>(), panic.downcast_ref::<&str>()) {
        (Some(message), _) => message.clone(),
        (_, Some(message)) => (*message).to_owned(),
        _ => "the decoder gave up".to_owned(),
    })
}

/// What a library says of a file, as part of a sentence of our own: one line, without addresses, braces and control
/// characters, of bounded length.
pub(super) fn plainly(said: &str) -> String {
    const LONGEST: usize = 160;
    // Addresses and requests to report a fault stand on lines of their own, or end the line that they begin in.
    let kept = said.lines().map(str::trim).find(|line| !line.is_empty()).unwrap_or_default();
    let kept = ["http://", "https://", "Please file"]
        .iter()
        .filter_map(|mark| kept.find(mark))
        .min()
        .map_or(kept, |at| &kept[..at]);
    let kept = kept.trim_start_matches("libjpeg fatal error: ");
    let is_code = |c: char| matches!(c, '{' | '}' | '[' | ']' | '"' | '\\' | '`' | '<' | '>');
    if kept.contains("{ ") || kept.contains("::") {
        // The text of a value inside a program tells a person nothing.
        return "a part of it is not as it should be".to_owned();
    }
    let plain: String = kept.chars().filter(|c| !c.is_control() && !is_code(*c)).take(LONGEST).collect();
    let plain = plain.trim().trim_end_matches(['.', ':', ',']).trim();
    if plain.is_empty() { "it is damaged".to_owned() } else { plain.to_owned() }
}

/// A panic that is caught and told as one sentence needs no report of its own.
fn quieten() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let usual = take_hook();
        set_hook(Box::new(move |info| {
            // One decoder works on threads of its own; its panics come back to the guard.
            let in_decoder = info.location().is_some_and(|l| l.file().contains("rawler"));
            if !GUARDED.get() && !in_decoder {
                usual(info);
            }
        }));
    });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_library_says_becomes_one_plain_line() {
        let bug = "Caught a panic while decoding.\nPlease file a bug with a sample file at https://example.org/x";
        assert_eq!(plainly(bug), "Caught a panic while decoding");
        assert_eq!(plainly("bad model \u{1b}]0;x\u{7}. See http://example.org"), "bad model 0;x. See");
        assert_eq!(
            plainly("unexpected ChunkType { type: PLTE, critical: true }"),
            "a part of it is not as it should be"
        );
        assert_eq!(plainly("\n \n"), "it is damaged");
        assert_eq!(plainly(&"long ".repeat(100)).len(), 159);
    }

    #[test]
    fn a_panic_becomes_a_sentence_and_the_next_one_outside_is_still_a_panic() {
        assert_eq!(guarded(|| 7), Ok(7));
        let none: [u8; 0] = [];
        assert!(guarded(|| none[std::hint::black_box(3)]).unwrap_err().contains("out of bounds"));
        assert!(!GUARDED.get());
    }
}
