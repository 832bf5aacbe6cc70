//! What the pool and a worker say to each other: a header in JSON with its length before it, then pixels.
//!
//! Both ends are one program, so that nothing of it is kept or versioned. The worker may have been taken over by a
//! file: the pool reads no more than these bounds, whatever a header says.

use std::ffi::OsString;
use std::io::{self, Read, Write};

use jiff::civil::DateTime;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use thiserror::Error;

use super::{Answer, Bounds, Confinement, Depth, Refused, Task};
use crate::container::{Fingerprints, Kind, Links};
use crate::frame::{Colour, Frame, Picture, Proxy, Settings, Space};
use crate::intake::FileState;
use crate::photometry::{ExposureTime, FNumber, Series, Stops};

const LONGEST_HEADER: usize = 1 << 20;
/// The largest picture that is looked at has fewer when it is reduced.
const MOST_PIXELS: usize = 10_000_000;
/// So many notes of so many characters fit into a header.
const MOST_NOTES: usize = 64;
const LONGEST_NOTE: usize = 2000;

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
    Read(AnswerHeader),
}

/// An answer without its pixels.
#[derive(Serialize, Deserialize)]
struct AnswerHeader {
    state: FileState,
    fingerprints: Option<Fingerprints>,
    captured: Option<DateTime>,
    tail_missing: bool,
    frame: Option<FrameHeader>,
}

#[derive(Serialize, Deserialize)]
struct FrameHeader {
    settings: Settings,
    exact: Exact,
    notes: Vec<String>,
    picture: Option<PictureHeader>,
}

/// Stops are written with six decimals; through a pipe they stay what they are.
#[derive(Serialize, Deserialize)]
struct Exact {
    av: Option<f64>,
    tv: Option<f64>,
    exposure_bias: Option<f64>,
}

/// What the numbers behind the header are.
#[derive(Serialize, Deserialize)]
struct PictureHeader {
    width: usize,
    height: usize,
    space: Space,
    linear: bool,
}

impl Told {
    pub(super) fn send(self, to: &mut impl Write) -> Result<(), Broken> {
        let (header, picture) = match self {
            Told::Ready(confinement) => (Header::Ready(confinement), None),
            Told::Reading(progress) => (Header::Reading(progress), None),
            Told::Finished(result) => match *result {
                Err(refused) => (Header::Refused(refused), None),
                Ok(answer) => {
                    let (header, picture) = taken_apart(answer);
                    (Header::Read(header), picture)
                }
            },
        };
        send_header(to, &header)?;
        if let Some(Picture { proxy, colour, linear }) = picture {
            send_reals(to, &colour.weights)?;
            send_reals(to, &colour.srgb_code)?;
            to.write_all(proxy.rgb.as_flattened())?;
            send_reals(to, linear.as_deref().unwrap_or_default())?;
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

fn taken_apart(answer: Answer) -> (AnswerHeader, Option<Picture>) {
    let Answer { state, fingerprints, captured, tail_missing, frame } = answer;
    let mut pixels = None;
    let frame = frame.map(|Frame { settings, picture, notes }| {
        let claim = picture.as_ref().map(|p| PictureHeader {
            width: p.proxy.width,
            height: p.proxy.height,
            space: p.colour.space,
            linear: p.linear.is_some(),
        });
        pixels = picture;
        let exact = Exact {
            av: settings.f_number.map(|n| n.av().0),
            tv: settings.exposure_time.map(|t| t.tv().0),
            exposure_bias: settings.exposure_bias.map(|b| b.0),
        };
        let notes = notes.iter().take(MOST_NOTES).map(|note| note.chars().take(LONGEST_NOTE).collect()).collect();
        FrameHeader { settings, exact, notes, picture: claim }
    });
    (AnswerHeader { state, fingerprints, captured, tail_missing, frame }, pixels)
}

impl AnswerHeader {
    fn put_together(self, from: &mut impl Read) -> Result<Answer, Broken> {
        let AnswerHeader { state, fingerprints, captured, tail_missing, frame } = self;
        let frame = match frame {
            None => None,
            Some(FrameHeader { settings, exact, notes, picture }) => Some(Frame {
                settings: exact.put_into(settings),
                picture: picture.map(|claim| claim.pixels(from)).transpose()?,
                notes,
            }),
        };
        Ok(Answer { state, fingerprints, captured, tail_missing, frame })
    }
}

impl Exact {
    fn put_into(self, settings: Settings) -> Settings {
        let f_number = settings.f_number.zip(self.av).and_then(|(n, av)| FNumber::from_parts(n.marked(), av));
        let exposure_time =
            settings.exposure_time.zip(self.tv).and_then(|(t, tv)| ExposureTime::from_parts(t.marked_seconds(), tv));
        Settings { f_number, exposure_time, exposure_bias: self.exposure_bias.map(Stops), ..settings }
    }
}

impl PictureHeader {
    fn pixels(&self, from: &mut impl Read) -> Result<Picture, Broken> {
        let PictureHeader { width, height, space, linear } = *self;
        let count = width.checked_mul(height).filter(|n| *n <= MOST_PIXELS).ok_or(Broken::TooLong)?;
        let mut weights = [0.0; 3];
        let mut srgb_code = [0.0; 256];
        receive_reals(from, &mut weights)?;
        receive_reals(from, &mut srgb_code)?;
        let mut rgb = vec![[0_u8; 3]; count];
        from.read_exact(rgb.as_flattened_mut())?;
        let linear = match linear {
            false => None,
            true => {
                let mut linear = vec![0.0; count];
                receive_reals(from, &mut linear)?;
                Some(linear)
            }
        };
        let proxy = Proxy { width, height, rgb };
        Ok(Picture { proxy, colour: Colour { space, weights, srgb_code }, linear })
    }
}

fn send_header(to: &mut impl Write, header: &impl Serialize) -> Result<(), Broken> {
    let json = serde_json::to_vec(header).map_err(|_| Broken::NotUnderstood)?;
    if json.len() > LONGEST_HEADER {
        return Err(Broken::TooLong);
    }
    to.write_all(&(json.len() as u32).to_le_bytes())?;
    Ok(to.write_all(&json)?)
}

fn receive_header<T: DeserializeOwned>(from: &mut impl Read) -> Result<T, Broken> {
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

/// Numbers at a time that become bytes.
const RUN: usize = 4096;

fn send_reals(to: &mut impl Write, reals: &[f32]) -> io::Result<()> {
    let mut bytes = Vec::with_capacity(RUN * 4);
    for run in reals.chunks(RUN) {
        bytes.clear();
        bytes.extend(run.iter().flat_map(|real| real.to_le_bytes()));
        to.write_all(&bytes)?;
    }
    Ok(())
}

fn receive_reals(from: &mut impl Read, reals: &mut [f32]) -> io::Result<()> {
    let mut bytes = [0_u8; RUN * 4];
    for run in reals.chunks_mut(RUN) {
        let bytes = &mut bytes[..run.len() * 4];
        from.read_exact(bytes)?;
        for (real, four) in run.iter_mut().zip(bytes.as_chunks::<4>().0) {
            *real = f32::from_le_bytes(*four);
        }
    }
    Ok(())
}
