//! Whether a DNG's stored numbers are made light by a curve that the library doesn't read.
//!
//! Lossy files have eight bits, coded by a curve, and undo it in a list of steps (OpcodeList2 of the DNG specification 1.6, chapter 7;
//! numbers from memory, held against a real file and LibRaw). Taken as they are stored they would be read as light, and be stops off.

use rawler::decoders::{Decoder, WellKnownIFD};
use rawler::formats::tiff::Value;
use rawler::tags::DngTag;

/// MapTable and MapPolynomial.
const CURVES: [u32; 2] = [7, 8];
/// Of a step before its own bytes: number, version, flags, length; after how many steps there are.
const HEAD: usize = 16;
const COUNT: usize = 4;

pub(super) fn has_unread_curve(decoder: &dyn Decoder) -> bool {
    let Ok(Some(raw)) = decoder.ifd(WellKnownIFD::Raw) else { return false };
    match raw.get_entry(DngTag::OpcodeList2).map(|entry| &entry.value) {
        None => false,
        Some(Value::Undefined(list) | Value::Byte(list)) => maps(list),
        Some(_) => true,
    }
}

/// All numbers are big-endian, whatever the file's are.
fn maps(list: &[u8]) -> bool {
    let number = |at: usize| Some(u32::from_be_bytes(list.get(at..at.checked_add(4)?)?.try_into().ok()?));
    let mut at = COUNT;
    while let Some((id, length)) = number(at).zip(number(at + HEAD - 4)) {
        if CURVES.contains(&id) {
            return true;
        }
        at = at.saturating_add(HEAD).saturating_add(length as usize);
    }
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    fn list(steps: &[(u32, usize)]) -> Vec<u8> {
        let step = |(id, length): &(u32, usize)| {
            [&id.to_be_bytes()[..], &[1, 3, 0, 0], &[0; 4], &(*length as u32).to_be_bytes(), &vec![7; *length]].concat()
        };
        [(steps.len() as u32).to_be_bytes().to_vec(), steps.iter().flat_map(step).collect()].concat()
    }

    #[test]
    fn a_curve_is_found_wherever_it_stands_in_the_list() {
        // 9 is a map of gains (shading of the lens), which leaves light linear.
        assert!(maps(&list(&[(8, 44)])) && maps(&list(&[(9, 100), (7, 6)])));
        assert!(!maps(&list(&[(9, 100), (9, 0)])) && !maps(&list(&[])) && !maps(&[]));
        assert!(!maps(&list(&[(9, 100)])[..40]));
    }
}
