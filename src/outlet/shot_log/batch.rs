//! How many of the lines that wait go onto the disk together.

use std::collections::VecDeque;
use std::sync::Arc;

/// Bytes that are written and synced at one time.
const BATCH: usize = 1 << 20;

/// The next lines that are written at one time, and how many they are.
pub(super) fn batch(waiting: &VecDeque<Arc<str>>, lacks_end: bool) -> (Vec<u8>, usize) {
    let mut bytes = Vec::new();
    if lacks_end {
        bytes.push(b'\n');
    }
    let mut lines = 0;
    for line in waiting {
        if lines > 0 && bytes.len() + line.len() > BATCH {
            break;
        }
        bytes.extend_from_slice(line.as_bytes());
        bytes.push(b'\n');
        lines += 1;
    }
    (bytes, lines)
}
