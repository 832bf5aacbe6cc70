//! The text of a configuration's files: of regular files alone, of a sensible size, in UTF-8.

use std::io::{self, Read};
use std::path::Path;

use super::ConfigError;
use crate::container::{Links, open};

const MOST_KIB: u64 = 1024;

/// Reads a file whole. What is no regular file (a pipe, a device) would give its bytes never, or without end.
pub(super) fn text_of(path: &Path) -> Result<String, ConfigError> {
    let file = || path.display().to_string();
    let unreadable = |cause: io::Error| ConfigError::Unreadable { file: file(), cause };
    let opened = open(path, Links::Followed).map_err(unreadable)?;
    let mut bytes = Vec::new();
    opened.take((MOST_KIB << 10) + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > MOST_KIB << 10 {
        return Err(ConfigError::TooLarge { file: file(), most_kib: MOST_KIB });
    }
    String::from_utf8(bytes).map_err(|e| {
        let sound = &e.as_bytes()[..e.utf8_error().valid_up_to()];
        let line = sound.iter().filter(|b| **b == b'\n').count() + 1;
        ConfigError::NotUtf8 { file: file(), line }
    })
}
