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
        let total = all.len();
        let mut counts = [0_usize; 3];
        let mut is_shown = |shown: &Shown| {
            let count = &mut counts[shown.why as usize];
            *count += 1;
            (*count - 1).is_multiple_of(step(shown.why))
        };
        let shown: Vec<Shown> = all.into_iter().filter(|shown| is_shown(shown)).take(most).collect();
        let out_shown = shown.iter().filter(|shown| shown.why == Why::OutOfTolerance).count();
        ContactSheet { left_out: total - shown.len(), every, out_left_out: of_out - out_shown, shown }
    }
}

/// Every so many-th of `count` is taken, so that no more than `room` are.
fn every_nth(count: usize, room: usize) -> usize {
    if room == 0 { count.max(1) } else { count.div_ceil(room).max(1) }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::frame::Settings;
    use crate::numbers::FrameNumber;
    use crate::photometry::Stops;

    fn frame(number: u64, why: Why) -> ReportFrame {
        let finding = if why == Why::OutOfTolerance { "misfire" } else { "matched" };
        let verdict = format!(r#"{{"finding":"{finding}","sentence":"","lighting":"flash","spots":[]}}"#);
        ReportFrame {
            number: FrameNumber::new(number),
            files: vec![format!("{number}.jpg")],
            at: "2026-03-02T10:00:00Z".parse().unwrap(),
            settings: Settings::default(),
            look: None,
            reference: None,
            is_reference: why == Why::Reference,
            is_gone: false,
            by_embedded: false,
            verdict: Some(serde_json::from_str(&verdict).unwrap()),
            is_borne_out: false,
            tolerance: Stops(0.15),
        }
    }

    proptest! {
        #[test]
        fn it_never_has_more_than_there_is_room_for_and_references_come_first(
            kinds in prop::collection::vec(0_u8..20, 0..900),
            most in 1_usize..300,
        ) {
            let why = |kind: u8| match kind { 0 => Why::Reference, 1..=3 => Why::OutOfTolerance, _ => Why::Sample };
            let frames = (1..).zip(&kinds).map(|(number, kind)| frame(number, why(*kind))).collect();
            let report = Report { frames, ..Report::default() };
            let sheet = ContactSheet::of(&report, most);
            prop_assert!(sheet.shown.len() <= most);
            prop_assert_eq!(sheet.shown.len() + sheet.left_out, kinds.len());
            prop_assert!(sheet.shown.is_sorted_by_key(|shown| shown.frame.number));
            prop_assert!(kinds.is_empty() || !sheet.shown.is_empty());
            let of = |why: Why| sheet.shown.iter().filter(|shown| shown.why == why).count();
            let all = |of: Why| kinds.iter().filter(|kind| why(**kind) == of).count();
            prop_assert_eq!(of(Why::OutOfTolerance) + sheet.out_left_out, all(Why::OutOfTolerance));
            if kinds.len() <= most {
                prop_assert_eq!((sheet.left_out, sheet.every), (0, 1));
            }
            if all(Why::Reference) + all(Why::OutOfTolerance) <= most / 2 {
                prop_assert_eq!((of(Why::Reference), sheet.out_left_out), (all(Why::Reference), 0));
            }
        }
    }
}
