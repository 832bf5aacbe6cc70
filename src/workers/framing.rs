//! The bounds and the grain of what goes through a worker's pipes: a header in JSON with its length before it, and
//! plain numbers.
//!
//! The worker may have been taken over by a file: no more is read than these bounds, whatever a header says.

use std::io::{self, Read, Write};

use serde::Serialize;
use serde::de::DeserializeOwned;
use thiserror::Error;

const LONGEST_HEADER: usize = 1 << 20;

/// Why the other end can't be understood.
#[derive(Debug, Error)]
pub(super) enum Broken {
    #[error("it said nothing more")]
    Ended,
    #[error("it said more than it may")]
    TooLong,
    #[error("it can't be understood")]
    NotUnderstood,
    #[error(transparent)]
    Pipe(#[from] io::Error),
}

pub(super) fn send_header(to: &mut impl Write, header: &impl Serialize) -> Result<(), Broken> {
    let json = serde_json::to_vec(header).map_err(|_| Broken::NotUnderstood)?;
    if json.len() > LONGEST_HEADER {
        return Err(Broken::TooLong);
    }
    to.write_all(&(json.len() as u32).to_le_bytes())?;
    Ok(to.write_all(&json)?)
}

pub(super) fn receive_header<T: DeserializeOwned>(from: &mut impl Read) -> Result<T, Broken> {
    let mut length = [0_u8; 4];
    from.read_exact(&mut length).map_err(|e| match e.kind() {
        io::ErrorKind::UnexpectedEof => Broken::Ended,
        _ => Broken::Pipe(e),
    })?;
    let length = u32::from_le_bytes(length) as usize;
    if length > LONGEST_HEADER {
        return Err(Broken::TooLong);
    }
    let mut json = vec![0; length];
    from.read_exact(&mut json)?;
    serde_json::from_slice(&json).map_err(|_| Broken::NotUnderstood)
}

/// As they lie in memory: both ends are on one machine, and a large picture is on its way as long as it is copied.
pub(super) fn send_reals(to: &mut impl Write, reals: &[f32]) -> io::Result<()> {
    to.write_all(bytemuck::cast_slice(reals))
}

pub(super) fn receive_reals(from: &mut impl Read, reals: &mut [f32]) -> io::Result<()> {
    from.read_exact(bytemuck::cast_slice_mut(reals))
}
