//! How sharp the frames of a look are in its spots: what it comes to over the apertures.
//!
//! No judgement rests on it. A look's frames are held against the sharpest of them: the reference, until one shows more.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::at_aperture::{AtAperture, BestFrame, SpotKept};
use super::measured_sharpness::{MeasuredSharpness, Sharpest, SpotSharpness, is_same, rounded};
use super::record::{Body, FrameRecord};
use super::which_aperture::which_aperture;
use crate::frame::Settings;
use crate::meter::Area;
use crate::photometry::FNumber;
use crate::sharpness::per_cent;
use crate::wording::counted;

/// What a sitting knows of its looks' sharpness. Of fixed size for each look.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sharpness {
    pub looks: BTreeMap<String, LookSharpness>,
    /// The last that was measured.
    pub last: Option<MeasuredSharpness>,
}

#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LookSharpness {
    /// What it holds was measured with this reference.
    pub reference: String,
    /// A frame that was sharper than the reference, with the places of its spots.
    pub sharpest: Option<(Sharpest, Vec<(String, Area)>)>,
    pub apertures: Vec<AtAperture>,
}

/// What is set beside the others: a frame for each aperture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Column<'a> {
    /// The frame that all are held against.
    Base,
    Best(FNumber, &'a BestFrame),
}

/// Apertures that are set beside each other: f/1.4 to f/22 in thirds.
const MOST_COLUMNS: usize = 25;
/// Apertures of a look that are remembered. The oldest goes.
const MOST_APERTURES: usize = 40;

impl Sharpness {
    /// Whether a record changes anything here.
    pub(super) fn heeds(body: &Body) -> bool {
        matches!(body, Body::Frame(_) | Body::Sharpness(_) | Body::Reference { .. } | Body::Remetered { .. })
    }

    pub(super) fn apply(&mut self, body: &Body) {
        match body {
            Body::Frame(frame) => self.count(frame),
            Body::Reference { look, file, .. } => self.looks.entry(look.clone()).or_default().begin(file),
            // Its spots lie elsewhere now, so that nothing measured by the old ones holds.
            Body::Remetered { file, .. } => {
                self.looks.values_mut().filter(|look| look.reference == *file).for_each(LookSharpness::forget);
                if let Some(last) = self.last.as_mut().filter(|last| last.reference == *file) {
                    (last.spots, last.cause) = (Vec::new(), None);
                    last.fault = Some("its spots were drawn anew since".to_owned());
                }
            }
            Body::Sharpness(measured) => {
                self.looks.entry(measured.look.clone()).or_default().take(measured);
                self.last = Some((**measured).clone());
            }
            _ => {}
        }
    }

    fn count(&mut self, frame: &FrameRecord) {
        let Settings { f_number: Some(n), .. } = frame.observation.settings else { return };
        let Some(look) = &frame.look else { return };
        self.looks.entry(look.clone()).or_default().at(n).frames += 1;
    }

    /// For people, a line each: the last frame that was measured, why it differs, what each aperture kept, and which keeps what.
    /// Nothing where the last was of another look, or of a reference before.
    pub fn in_words(&self, look: &str, reference: &str) -> Vec<String> {
        let is_of_it = |last: &&MeasuredSharpness| last.look == look && last.reference == reference;
        let Some(last) = self.last.as_ref().filter(is_of_it) else { return Vec::new() };
        let said = Some(format!("{}: {}", last.file, last.told()));
        let cause = last.in_words().and(last.cause.clone());
        let suggestion = self.suggestion(look);
        let apertures = self.looks.get(look).map(LookSharpness::apertures_in_words).unwrap_or_default();
        said.into_iter().chain(cause).chain(suggestion).chain(apertures).collect()
    }

    /// Which aperture keeps what in a look, as [`which_aperture`] says it.
    pub fn suggestion(&self, look: &str) -> Option<String> {
        let look = self.looks.get(look)?;
        let mut spots: Vec<String> = Vec::new();
        for (spot, _) in look.apertures.iter().flat_map(|at| &at.detail) {
            if !spots.contains(spot) {
                spots.push(spot.clone());
            }
        }
        let is_measured = |at: &&AtAperture| at.best.is_some() || !at.detail.is_empty();
        let of = |at: &AtAperture| (at.f_number, spots.iter().map(|spot| at.share_of(spot)).collect());
        let known: Vec<(FNumber, Vec<Option<f64>>)> = look.apertures.iter().filter(is_measured).map(of).collect();
        which_aperture(&spots, &known)
    }
}

impl LookSharpness {
    fn at(&mut self, n: FNumber) -> &mut AtAperture {
        let place = self.apertures.iter().position(|at| is_same(Some(at.f_number), n)).unwrap_or_else(|| {
            if self.apertures.len() >= MOST_APERTURES {
                self.apertures.remove(0);
            }
            self.apertures.push(AtAperture { f_number: n, frames: 0, best: None, detail: Vec::new() });
            self.apertures.len() - 1
        });
        &mut self.apertures[place]
    }

    /// 'f/5.6, 12 frames: eyes 100 %, ear 41 %', from the widest on; nothing before there are two to choose from.
    fn apertures_in_words(&self) -> Vec<String> {
        let mut measured: Vec<&AtAperture> = self.apertures.iter().filter(|at| !at.detail.is_empty()).collect();
        if measured.len() < 2 {
            return Vec::new();
        }
        measured.sort_by(|a, b| a.f_number.av().0.total_cmp(&b.f_number.av().0));
        let line = |at: &AtAperture| {
            let spots: Vec<String> =
                at.detail.iter().map(|(spot, share)| format!("{spot} {}", per_cent(*share))).collect();
            // A file that was named as the reference is no frame.
            let frames = (at.frames > 0).then(|| format!(", {}", counted(at.frames as usize, "frame")));
            format!("{}{}: {}", at.f_number, frames.unwrap_or_default(), spots.join(", "))
        };
        measured.into_iter().map(line).collect()
    }

    /// What was shot and measured before another reference is nothing to this one.
    fn begin(&mut self, reference: &str) {
        if self.reference != reference {
            reference.clone_into(&mut self.reference);
            self.forget();
            self.apertures.clear();
        }
    }

    fn forget(&mut self) {
        self.sharpest = None;
        for at in &mut self.apertures {
            (at.best, at.detail) = (None, Vec::new());
        }
    }

    fn take(&mut self, measured: &MeasuredSharpness) {
        self.begin(&measured.reference);
        let known = || measured.spots.iter().filter_map(|spot| Some((&spot.spot, spot.kept()?)));
        if let Some(n) = measured.against.f_number {
            // The look's first frame was shot before it was a look.
            let shot = u64::from(measured.against.frame.is_some());
            self.at(n).frames = self.at(n).frames.max(shot);
            known().for_each(|(spot, _)| self.at(n).keep(spot, 1.0));
        }
        if measured.is_sharpest {
            self.hold_against(measured);
        }
        if let Some(n) = measured.f_number {
            known().for_each(|(spot, kept)| self.at(n).keep(spot, kept));
        }
        if let Some(n) = measured.f_number.filter(|_| !measured.spots.is_empty()) {
            self.at(n).stand_for(BestFrame::of(measured));
        }
    }

    /// What is set beside each other, the narrowest aperture first; nothing where there is but one. Of the aperture of the base, which the
    /// others are held against, that stands alone.
    pub(super) fn columns(&self, base: Option<FNumber>) -> Vec<Column<'_>> {
        let mut columns: Vec<(Option<FNumber>, Column)> = self
            .apertures
            .iter()
            .filter(|at| !is_same(base, at.f_number))
            .filter_map(|at| Some((Some(at.f_number), Column::Best(at.f_number, at.best.as_ref()?))))
            .chain([(base, Column::Base)])
            .collect();
        if columns.len() < 2 {
            return Vec::new();
        }
        let narrowness = |n: Option<FNumber>| n.map_or(f64::INFINITY, |n| n.av().0);
        columns.sort_by(|a, b| narrowness(b.0).total_cmp(&narrowness(a.0)));
        columns.truncate(MOST_COLUMNS);
        columns.into_iter().map(|(_, column)| column).collect()
    }

    /// The frame that was the sharpest before stands for its own aperture now, as others do.
    fn keep_beside(&mut self, sharper: &MeasuredSharpness) {
        let Sharpest { frame, file, f_number: Some(n) } = &sharper.against else { return };
        let before = self.sharpest.take();
        let place_of = |name: &str| {
            let places = before.as_ref().map(|(_, places)| places)?;
            places.iter().find(|(of, _)| of == name).map(|(_, area)| *area)
        };
        let spot = |of: &SpotSharpness| {
            let kept = of.told.map(|told| rounded(1.0 / told.detail.share.max(1.0)));
            SpotKept { spot: of.spot.clone(), area: place_of(&of.spot), kept, untold: None }
        };
        let spots = sharper.spots.iter().map(spot).collect();
        self.at(*n).stand_for(BestFrame { frame: *frame, file: file.clone(), spots });
    }

    /// From now on a sharper frame is all there is: what others keep of it is less.
    fn hold_against(&mut self, measured: &MeasuredSharpness) {
        for (spot, told) in measured.spots.iter().filter_map(|spot| Some((&spot.spot, spot.told?))) {
            let gained = told.detail.share.max(1.0);
            for kept in self.apertures.iter_mut().flat_map(|at| at.all_kept_of(spot)) {
                *kept = rounded((*kept / gained).min(1.0));
            }
        }
        self.keep_beside(measured);
        let sharpest =
            Sharpest { frame: Some(measured.frame), file: measured.file.clone(), f_number: measured.f_number };
        let places = measured.spots.iter().map(|spot| (spot.spot.clone(), spot.area)).collect();
        self.sharpest = Some((sharpest, places));
    }
}

#[cfg(test)]
mod tests {
    use super::super::measured_sharpness::{SpotDetail, SpotSharpness};
    use super::*;
    use crate::numbers::FrameNumber;
    use crate::photometry::Series;
    use crate::sharpness::{Pixels, Share, Untold};

    fn f(n: f64) -> Option<FNumber> {
        FNumber::new(n, None, Series::Thirds)
    }

    /// A frame against another, with what each spot keeps.
    fn frame(number: u64, n: f64, against: (&str, f64), shares: [(&str, f64); 3]) -> MeasuredSharpness {
        let spot = |(spot, share): (&str, f64)| {
            let detail = Share { share, least: share, most: share };
            // Below a tenth of a pixel it may be chance.
            let blur = 1.0 - share;
            let told = SpotDetail {
                detail,
                blur: Pixels(blur),
                blur_least: Pixels(blur - 0.1),
                blur_most: Pixels(blur + 0.1),
            };
            SpotSharpness { spot: spot.to_owned(), area: Area::WHOLE, told: Some(told), untold: None }
        };
        MeasuredSharpness {
            frame: FrameNumber::new(number),
            file: format!("{number}.jpg"),
            f_number: f(n),
            look: "main".to_owned(),
            reference: "1.jpg".to_owned(),
            against: Sharpest { frame: None, file: against.0.to_owned(), f_number: f(against.1) },
            spots: shares.map(spot).to_vec(),
            cause: None,
            is_sharpest: false,
            fault: None,
        }
    }

    fn fold(all: &[MeasuredSharpness]) -> Sharpness {
        let mut sharpness = Sharpness::default();
        all.iter().for_each(|measured| sharpness.apply(&Body::Sharpness(Box::new(measured.clone()))));
        sharpness
    }

    const REFERENCE: (&str, f64) = ("1.jpg", 14.0);

    #[test]
    fn a_frame_is_told_in_one_line_and_its_apertures_in_one_each() {
        let wide = frame(3, 4.0, REFERENCE, [("eyes", 0.98), ("lips", 0.8), ("ear", 0.41)]);
        assert_eq!(wide.in_words().unwrap(), "eyes 100 %, lips 80 %, ear 41 % of f/14's detail");
        let same = frame(4, 14.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 0.004)]);
        assert_eq!(same.in_words().unwrap(), "eyes 100 %, lips 100 %, ear < 1 % of the detail of 1.jpg");
        let sharpness = fold(&[frame(2, 5.6, REFERENCE, [("eyes", 1.0), ("lips", 0.9), ("ear", 0.7)]), wide]);
        assert_eq!(
            sharpness.in_words("main", "1.jpg"),
            [
                "3.jpg: eyes 100 %, lips 80 %, ear 41 % of f/14's detail",
                "By half of the finest detail: f/5.6 keeps eyes, lips and ear; f/4 loses ear.",
                "f/4: eyes 100 %, lips 80 %, ear 41 %",
                "f/5.6: eyes 100 %, lips 100 %, ear 70 %",
                "f/14: eyes 100 %, lips 100 %, ear 100 %",
            ]
        );
        assert!(sharpness.in_words("another", "1.jpg").is_empty());
        assert!(sharpness.in_words("main", "9.jpg").is_empty(), "another sitter's");
    }

    #[test]
    fn a_sharper_frame_makes_the_others_less_and_another_reference_begins_anew() {
        let sharper = MeasuredSharpness {
            is_sharpest: true,
            ..frame(3, 8.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 2.0)])
        };
        let soft = frame(2, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.5), ("ear", 0.6)]);
        let all = [soft, sharper];
        let look = fold(&all).looks["main"].clone();
        let ear = |n: f64| look.apertures.iter().find(|at| Some(at.f_number) == f(n)).unwrap().share_of("ear").unwrap();
        assert_eq!([ear(4.0), ear(14.0), ear(8.0)], [0.3, 0.5, 1.0]);
        assert_eq!(look.sharpest.as_ref().unwrap().0.file, "3.jpg");
        let anew = MeasuredSharpness {
            reference: "9.jpg".to_owned(),
            ..frame(9, 4.0, ("9.jpg", 5.6), [("eyes", 1.0), ("lips", 1.0), ("ear", 1.0)])
        };
        let look = fold(&[all[0].clone(), all[1].clone(), anew]).looks["main"].clone();
        assert_eq!(look.sharpest, None);
        let mut redrawn = fold(&all);
        redrawn.looks.values_mut().for_each(LookSharpness::forget);
        let look_redrawn = &redrawn.looks["main"];
        assert!(look_redrawn.sharpest.is_none() && look_redrawn.apertures.iter().all(|at| at.detail.is_empty()));
        assert_eq!(look.apertures.iter().filter(|at| !at.detail.is_empty()).count(), 2);
    }

    #[test]
    fn one_frame_stands_for_each_aperture_and_the_one_that_was_the_sharpest_before_for_its_own() {
        let soft = frame(2, 4.0, REFERENCE, [("eyes", 0.9), ("lips", 0.5), ("ear", 0.4)]);
        let better = frame(3, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.6), ("ear", 0.4)]);
        let worse = frame(4, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 0.1), ("ear", 0.4)]);
        let shown = |all: &[MeasuredSharpness], base: f64| -> Vec<String> {
            let name = |column: &Column| match column {
                Column::Base => "base".to_owned(),
                Column::Best(n, best) => {
                    format!("{n} {} {:?}", best.file, best.spots.iter().filter_map(|of| of.kept).collect::<Vec<_>>())
                }
            };
            fold(all).looks["main"].columns(f(base)).iter().map(name).collect()
        };
        let all = [soft, better, worse].map(|mut measured| {
            measured.against.frame = Some(FrameNumber::new(1));
            measured
        });
        assert_eq!(shown(&all, 14.0), ["base", "f/4 3.jpg [1.0, 0.6, 0.4]"]);
        let mut sharper = frame(5, 8.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 2.0)]);
        (sharper.is_sharpest, sharper.against.frame) = (true, Some(FrameNumber::new(1)));
        let all: Vec<MeasuredSharpness> = all.into_iter().chain([sharper]).collect();
        assert_eq!(shown(&all, 8.0), ["f/14 1.jpg [1.0, 1.0, 0.5]", "base", "f/4 3.jpg [1.0, 0.6, 0.2]"]);
    }

    #[test]
    fn a_spot_too_blurred_for_a_width_is_lost_at_that_aperture() {
        let mut wide = frame(3, 1.4, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 1.0)]);
        (wide.spots[2].told, wide.spots[2].untold) = (None, Some(Untold::TooBlurred));
        assert_eq!(wide.in_words().unwrap(), "eyes 100 %, lips 100 %, ear < 1 % of f/14's detail");
        assert_eq!(
            fold(&[wide]).suggestion("main").unwrap(),
            "By half of the finest detail: f/14 keeps eyes, lips and ear; f/1.4 loses ear."
        );
    }

    #[test]
    fn a_spot_that_is_not_told_has_a_question_mark() {
        let mut measured = frame(2, 4.0, REFERENCE, [("eyes", 1.0), ("lips", 1.0), ("ear", 1.0)]);
        (measured.spots[2].told, measured.spots[2].untold) = (None, Some(Untold::Clipped));
        assert_eq!(measured.in_words().unwrap(), "eyes 100 %, lips 100 %, ear ? of f/14's detail");
        measured.spots.iter_mut().for_each(|spot| (spot.told, spot.untold) = (None, Some(Untold::Moved)));
        assert_eq!(measured.in_words(), None);
        assert_eq!(fold(&[measured.clone()]).in_words("main", "1.jpg"), ["2.jpg: it can't be told of any spot"]);
        measured.fault = Some("1.jpg: it is gone".to_owned());
        assert_eq!(fold(&[measured]).in_words("main", "1.jpg"), ["2.jpg: it can't be told: 1.jpg: it is gone"]);
    }
}
