//! What a log comes to, for who only looks: nothing is locked, cut or made, whoever may be writing it.

use std::path::Path;

use super::place::{check, resolved};
use super::replay::replay;
use super::segments::all;
use super::{LogError, Opened};

/// The state of a log as it lies there; none where there is no log. What is being written right now is left out.
pub fn looked_at(log: &Path) -> Result<Option<Opened>, LogError> {
    let files = all(&resolved(log));
    if files.is_empty() {
        return Ok(None);
    }
    for file in [files.first(), files.last()].into_iter().flatten() {
        check(&file.path)?;
    }
    let mut opened = Opened::default();
    replay(&files, &mut opened)?;
    Ok(Some(opened))
}
