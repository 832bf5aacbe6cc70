//! Reading one file in the worker: through one handle, whose state must be the same before and after.

use std::io::ErrorKind;

use super::gauge::{Gauge, Gauged};
use super::limits::Bounds;
use super::{Answer, Depth, Refused, Task};
use crate::container::{self, Fault};
use crate::frame::{self, FrameError, RawParts};
use crate::intake::FileState;

pub(super) fn read(task: &Task, bounds: Bounds, gauge: &Gauge) -> Result<Answer, Refused> {
    gauge.begin();
    let unreadable = |e: std::io::Error| Refused::Unreadable(e.to_string());
    let source = gauge.waits(|| container::open(&task.path, task.links)).map_err(unreadable)?;
    let before = gauge.waits(|| FileState::of_open(&source)).map_err(unreadable)?;
    let mut file = Gauged { source, gauge };
    let mut cuts = Vec::new();
    let read = match task.depth {
        Depth::Cuts => match frame::cut_from(task.kind, &task.path, &mut file, &task.cuts) {
            Ok(Err(why)) => return Err(Refused::Foreign(why)),
            Ok(Ok(cut)) => {
                cuts = cut;
                Ok(frame::Read::default())
            }
            Err(fault) => Err(fault),
        },
        Depth::Structure => frame::examine(task.kind, &mut file),
        Depth::Whole => frame::read_from(task.kind, &task.path, &mut file, task.series),
        Depth::Glance => frame::glance_from(task.kind, &task.path, &mut file, task.series),
        Depth::WithEmbedded | Depth::EmbeddedFirst => {
            let parts = match task.depth {
                Depth::EmbeddedFirst => RawParts::EmbeddedFirst,
                _ => RawParts::LightAndEmbedded,
            };
            frame::read_parts_from(task.kind, &task.path, &mut file, task.series, parts)
        }
        Depth::Lenient => frame::read_leniently_from(task.kind, &task.path, &mut file, task.series),
    };
    let read = read.map_err(|FrameError(fault)| match fault {
        Fault::Incomplete(_) => Refused::Incomplete(fault.to_string()),
        Fault::Unreadable(e) if e.kind() == ErrorKind::OutOfMemory => Refused::TookTooMuch { mib: bounds.memory_mib },
        Fault::Unreadable(e) => Refused::Unreadable(e.to_string()),
        _ => Refused::Foreign(fault.to_string()),
    })?;
    let state = gauge.waits(|| FileState::of_open(&file.source)).map_err(unreadable)?;
    if !before.same_content_as(&state) {
        return Err(Refused::Incomplete("it changed while it was read".to_owned()));
    }
    Ok(Answer {
        state,
        fingerprints: read.fingerprints,
        captured: read.captured,
        tail_missing: read.tail_missing,
        perhaps_unfinished: read.perhaps_unfinished,
        frame: read.frame,
        cuts,
    })
}
