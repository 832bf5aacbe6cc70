//! Lines of the shot log: each of a version of the format, and sealed by a checksum.

use thiserror::Error;

/// Version of the record format.
pub const VERSION: u32 = 6;

/// A line that is no sound record.
#[derive(Debug, Error, PartialEq, Eq)]
pub enum LineFault {
    #[error("it has no checksum")]
    NoChecksum,
    #[error("its checksum is wrong")]
    WrongChecksum,
    #[error("it is of format version {0}, newer than this program's {VERSION}")]
    Newer(u32),
    #[error("it is of format version {version}, but holds what this program doesn't know: {why}")]
    NotUnderstood { version: u32, why: String },
    #[error("it is no text")]
    NoText,
}

impl LineFault {
    /// The line is as it was written; it is this program that can't read it.
    pub fn is_of_another_program(&self) -> bool {
        matches!(self, LineFault::Newer(_) | LineFault::NotUnderstood { .. })
    }
}

const CHECKSUM: &str = ",\"crc\":\"";

/// A JSON object, as text, as a line of the log: its last member becomes the CRC-32 of all before it.
pub(super) fn seal(mut object: String) -> String {
    object.pop();
    let sum = crc32fast::hash(object.as_bytes());
    object.push_str(&format!("{CHECKSUM}{sum:08x}\"}}"));
    object
}

/// Whether a line is as it was written.
pub(super) fn check_seal(line: &str) -> Result<(), LineFault> {
    let (body, sum) = line.rsplit_once(CHECKSUM).ok_or(LineFault::NoChecksum)?;
    let stated = sum.strip_suffix("\"}").and_then(|hex| u32::from_str_radix(hex, 16).ok());
    if stated == Some(crc32fast::hash(body.as_bytes())) { Ok(()) } else { Err(LineFault::WrongChecksum) }
}

/// The format version of a sealed line, if this program can know it.
pub(super) fn check_version(line: &str) -> Result<u32, LineFault> {
    let digits = line.strip_prefix("{\"v\":").and_then(|rest| rest.split(',').next());
    match digits.and_then(|v| v.parse().ok()) {
        Some(v) if v > VERSION => Err(LineFault::Newer(v)),
        Some(v) => Ok(v),
        None => Err(LineFault::NotUnderstood { version: 0, why: "it begins with no version".to_owned() }),
    }
}
