//! What the pool and a worker say to each other. Both ends are one program, so that nothing of it is kept or versioned.

use std::ffi::OsString;
use std::io::{Read, Write};

use serde::{Deserialize, Serialize};

use super::framing::{Broken, receive_header, send_header};
use super::packing::{AnswerHeader, send_pixels, taken_apart};
use super::{Answer, Bounds, Confinement, Depth, Refused, Task};
use crate::container::{Kind, Links};
use crate::photometry::Series;

/// One file to read.
#[derive(Debug, Serialize, Deserialize)]
pub(super) struct Request {
    /// In the system's own form: names need not be Unicode.
    path: OsString,
    kind: Kind,
    series: Series,
    depth: Depth,
    links: Links,
    pub(super) bounds: Bounds,
}

impl Request {
    pub(super) fn new(task: &Task, bounds: Bounds) -> Request {
        let Task { path, kind, series, depth, links } = task;
        let (kind, series, depth, links) = (*kind, *series, *depth, *links);
        Request { path: path.clone().into_os_string(), kind, series, depth, links, bounds }
    }

    pub(super) fn task(self) -> Task {
        let Request { path, kind, series, depth, links, .. } = self;
        Task { path: path.into(), kind, series, depth, links }
    }

    pub(super) fn send(&self, to: &mut impl Write) -> Result<(), Broken> {
        send_header(to, self)?;
        Ok(to.flush()?)
    }

    pub(super) fn receive(from: &mut impl Read) -> Result<Request, Broken> {
        receive_header(from)
    }
}

/// How far the worker is with the file's bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Progress {
    pub bytes: u64,
    /// It waits for the disk just now.
    pub waiting: bool,
}

/// What a worker says.
#[derive(Debug)]
pub(super) enum Told {
    Ready(Confinement),
    Reading(Progress),
    Finished(Box<Result<Answer, Refused>>),
}

#[derive(Serialize, Deserialize)]
enum Header {
    Ready(Confinement),
    Reading(Progress),
    Refused(Refused),
    Read(Box<AnswerHeader>),
}

impl Told {
    pub(super) fn send(self, to: &mut impl Write) -> Result<(), Broken> {
        let (header, pictures) = match self {
            Told::Ready(confinement) => (Header::Ready(confinement), Vec::new()),
            Told::Reading(progress) => (Header::Reading(progress), Vec::new()),
            Told::Finished(result) => match *result {
                Err(refused) => (Header::Refused(refused), Vec::new()),
                Ok(answer) => {
                    let (header, pictures) = taken_apart(answer);
                    (Header::Read(Box::new(header)), pictures)
                }
            },
        };
        send_header(to, &header)?;
        for picture in &pictures {
            send_pixels(to, picture)?;
        }
        Ok(to.flush()?)
    }

    pub(super) fn receive(from: &mut impl Read) -> Result<Told, Broken> {
        Ok(match receive_header(from)? {
            Header::Ready(confinement) => Told::Ready(confinement),
            Header::Reading(progress) => Told::Reading(progress),
            Header::Refused(refused) => Told::Finished(Box::new(Err(refused))),
            Header::Read(header) => Told::Finished(Box::new(Ok(header.put_together(from)?))),
        })
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn noise_is_never_taken_for_an_answer(noise in prop::collection::vec(any::<u8>(), 0..600)) {
            prop_assert!(Told::receive(&mut noise.as_slice()).is_err());
            let long = [&(noise.len() as u32).to_le_bytes(), noise.as_slice()].concat();
            prop_assert!(Told::receive(&mut long.as_slice()).is_err());
        }
    }
}
