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
    fn a_panic_becomes_a_sentence_and_the_next_one_outside_is_still_a_panic() {
        assert_eq!(guarded(|| 7), Ok(7));
        let none: [u8; 0] = [];
        assert!(guarded(|| none[std::hint::black_box(3)]).unwrap_err().contains("out of bounds"));
        assert!(!GUARDED.get());
    }
}
