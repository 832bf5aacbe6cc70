//! Which frames a contact sheet shows, where there are too many for all.

use super::Report;
use super::frame::ReportFrame;

/// A choice of a report's frames, in their order.
#[derive(Debug, Clone, PartialEq)]
pub struct ContactSheet<'a> {
    pub shown: Vec<Shown<'a>>,
    /// Frames that are left out.
    pub left_out: usize,
    /// Of the frames that are neither references nor out of tolerance every so many-th is shown; 1 is all.
    pub every: usize,
    /// Of the frames out of tolerance so many are left out.
    pub out_left_out: usize,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown<'a> {
    pub frame: &'a ReportFrame,
    pub why: Why,
}

/// What a frame is shown for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Why {
    Reference,
    OutOfTolerance,
    /// One of all.
    Sample,
}

impl ContactSheet<'_> {
    /// At most so many frames: references first, then those out of tolerance, then every n-th of the rest.
    pub fn of(report: &Report, most: usize) -> ContactSheet<'_> {
        let why = |frame: &ReportFrame| match (frame.is_reference, frame.is_out()) {
            (true, _) => Why::Reference,
            (false, true) => Why::OutOfTolerance,
            (false, false) => Why::Sample,
        };
        let all: Vec<Shown> = report.frames.iter().map(|frame| Shown { frame, why: why(frame) }).collect();
        let of = |why: Why| all.iter().filter(move |shown| shown.why == why).count();
        let references = every_nth(of(Why::Reference), most);
        let room = most.saturating_sub(of(Why::Reference).div_ceil(references));
        // A third of the rest of the room is for frames that show what is usual.
        let of_out = of(Why::OutOfTolerance);
        let out = every_nth(of_out, room.saturating_sub((room / 3).min(of(Why::Sample))).max(1));
        let room = room.saturating_sub(of_out.div_ceil(out));
        let every = every_nth(of(Why::Sample), room);
        let step = |why: Why| match why {
            Why::Reference => references,
            Why::OutOfTolerance => out,
            Why::Sample => every,
        };
        let mut counts = [0_usize; 3];
        let is_shown = |shown: &Shown| {
            let count = &mut counts[shown.why as usize];
            *count += 1;
            (*count - 1).is_multiple_of(step(shown.why))
        };
        let total = all.len();
        let mut shown: Vec<Shown> = Vec::new();
        let mut is_shown = is_shown;
        shown.extend(all.into_iter().filter(|frame| is_shown(frame)).take(most));
        let out_shown = shown.iter().filter(|shown| shown.why == Why::OutOfTolerance).count();
        ContactSheet { left_out: total - shown.len(), every, out_left_out: of_out - out_shown, shown }
    }
}

/// Every so many-th of `count` is taken, so that no more than `room` are.
fn every_nth(count: usize, room: usize) -> usize {
    if room == 0 { count.max(1) } else { count.div_ceil(room).max(1) }
}
