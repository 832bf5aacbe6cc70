//! Files that greyhold writes itself beside the configuration: nothing where there is none, and replaced whole.

use std::io;
use std::path::Path;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::reading::text_of;
use super::{ConfigError, fault_in};
use crate::files;

/// Nothing is written but comments.
pub(super) fn is_bare(text: &str) -> bool {
    text.lines().all(|line| line.trim().is_empty() || line.trim_start().starts_with('#'))
}

/// What such a file holds, and its text.
pub(super) fn read<T: Default + DeserializeOwned>(path: &Path) -> Result<(T, String), ConfigError> {
    let text = match text_of(path) {
        Err(ConfigError::Unreadable { cause, .. }) if cause.kind() == io::ErrorKind::NotFound => String::new(),
        read => read?,
    };
    if is_bare(&text) {
        return Ok((T::default(), text));
    }
    let held = serde_yaml::from_str(&text).map_err(|e| fault_in(&text, &path.display().to_string(), &e))?;
    Ok((held, text))
}

/// Writes it below its head; the head alone, where it holds what an empty one does.
pub(super) fn save<T: Default + PartialEq + Serialize>(path: &Path, head: &str, held: &T) -> io::Result<()> {
    let text =
        if *held == T::default() { String::new() } else { serde_yaml::to_string(held).map_err(io::Error::other)? };
    files::replace(path, format!("{head}{text}").as_bytes())
}
