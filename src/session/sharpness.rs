//! How sharp the frames of a look are in its spots: what it comes to over the apertures.
//!
//! No judgement rests on it. A look's frames are held against the sharpest of them: the reference, until one shows more.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::at_aperture::{AtAperture, BestFrame, SpotKept};
use super::measured_sharpness::{MeasuredSharpness, Sharpest, SpotSharpness, is_same, rounded};
use super::record::{Body, FrameRecord};
use super::which_aperture::WhichAperture;
use crate::frame::Settings;
use crate::meter::Area;
use crate::numbers::FrameNumber;
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

    /// The last that was measured, if it was of this look and by this reference.
    pub fn last_of(&self, look: &str, reference: &str) -> Option<&MeasuredSharpness> {
        self.last.as_ref().filter(|last| last.look == look && last.reference == reference)
    }

    /// For people, a line each: the last frame that was measured, why it differs, what each aperture kept, and which keeps what.
    /// Nothing where the last was of another look, or of a reference before.
    pub fn in_words(&self, look: &str, reference: &str) -> Vec<String> {
        let Some(last) = self.last_of(look, reference) else { return Vec::new() };
        let said = Some(format!("{}: {}", last.file, last.told()));
        let cause = last.in_words().and(last.cause.clone());
        let look = self.looks.get(look);
        let suggestion = look.and_then(LookSharpness::suggestion);
        let apertures = look.map(LookSharpness::apertures_in_words).unwrap_or_default();
        said.into_iter().chain(last.untold()).chain(cause).chain(suggestion).chain(apertures).collect()
    }
}

impl LookSharpness {
    /// Which aperture keeps what, as [`WhichAperture::sentence`] says it.
    pub fn suggestion(&self) -> Option<String> {
        let mut spots: Vec<String> = Vec::new();
        for (spot, _) in self.apertures.iter().flat_map(|at| &at.detail) {
            if !spots.contains(spot) {
                spots.push(spot.clone());
            }
        }
        let is_measured = |at: &&AtAperture| at.best.is_some() || !at.detail.is_empty();
        let of = |at: &AtAperture| (at.f_number, spots.iter().map(|spot| at.share_of(spot)).collect());
        let known: Vec<(FNumber, Vec<Option<f64>>)> = self.apertures.iter().filter(is_measured).map(of).collect();
        WhichAperture::of(&spots, &known).sentence()
    }

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
        self.stand_back_for(&measured.against);
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

    /// Which frame takes the place of the one that all are held against, where that is gone: of those that stand for their apertures the one
    /// that keeps most. `is_gone` tells of a frame.
    pub(super) fn next_sharpest(&self, is_gone: impl Fn(FrameNumber) -> bool) -> Option<(FNumber, &BestFrame)> {
        let stands = |at: &AtAperture| Some((at.f_number, at.best.as_ref()?.frame?));
        let all = self.apertures.iter().filter(|at| stands(at).is_some_and(|(_, frame)| !is_gone(frame)));
        let of = |at: &'_ AtAperture| at.best.as_ref().map_or(0.0, BestFrame::kept);
        let most = all.max_by(|a, b| of(a).total_cmp(&of(b)))?;
        Some((most.f_number, most.best.as_ref()?))
    }

    /// Whether shares are those of this frame's detail. `reference`: the frame that is the sharpest as long as none is sharper.
    pub(super) fn is_held_against(&self, base: &Sharpest, reference: Option<FrameNumber>) -> bool {
        match &self.sharpest {
            Some((is, _)) => is.is_of_one_exposure_with(base),
            None => base.frame == reference,
        }
    }

    /// The sharpest frame is gone, and another one is what frames are held against: what they keep of it is more.
    pub(super) fn stand_back_for(&mut self, base: &Sharpest) {
        if self.sharpest.as_ref().is_some_and(|(is, _)| is.is_of_one_exposure_with(base)) {
            return;
        }
        let is_base = |best: &&BestFrame| best.frame.is_some() && best.frame == base.frame;
        let Some(best) = self.apertures.iter().find_map(|at| at.best.as_ref().filter(is_base)).cloned() else { return };
        let kept_of = |spot: &str| best.spot(spot)?.kept.filter(|kept| *kept > 0.0);
        for at in &mut self.apertures {
            // What the new one shows nothing of can't be held against it.
            at.detail.retain(|(spot, _)| kept_of(spot).is_some());
            at.detail.iter_mut().for_each(|(spot, share)| *share = share_of(*share, kept_of(spot)).unwrap_or(0.0));
            for of in at.best.iter_mut().flat_map(|best| &mut best.spots) {
                of.kept = of.kept.and_then(|kept| share_of(kept, kept_of(&of.spot)));
            }
        }
        let place = |of: &SpotKept| Some((of.spot.clone(), of.area?));
        // The reference itself has its own places.
        let is_reference = best.file == self.reference;
        self.sharpest = (!is_reference).then(|| (base.clone(), best.spots.iter().filter_map(place).collect()));
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
            SpotKept { spot: of.spot.clone(), area: place_of(&of.spot), kept, untold: of.untold }
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

/// What is kept of a frame that itself keeps so much of the one before.
fn share_of(kept: f64, of: Option<f64>) -> Option<f64> {
    of.map(|of| rounded((kept / of).min(1.0)))
}

#[cfg(test)]
#[path = "sharpness_tests.rs"]
mod tests;
