//! Which picture a frame is laid over: its look's reference, or the anchor that shows more of what the frame shows.

use std::sync::Arc;

use super::Draft;
use crate::advice::{Finding, Laid, Verdict};
use crate::align::{Overlay, PictureId};
use crate::drift::{Anchor, AnchorSpot, Observed};
use crate::meter::{FrameReadings, LightMap, WHOLE};
use crate::photometry::Stops;
use crate::session::exposures::Exposure;
use crate::session::metering::Compared;
use crate::session::remembered::Look;
use crate::session::setup::Setup;

/// A frame over what it is measured by.
pub(super) struct LaidOver {
    overlay: Arc<Overlay>,
    /// `None` for the reference itself.
    anchor: Option<Anchor>,
}

/// Where so much of what a frame shows is known, no anchor is asked.
const ENOUGH: f64 = 0.6;
/// A frame is an anchor before it has moved so far that the next one could not be laid over what is known.
const FAR: f64 = 0.15;
/// An anchor counts where it knows so many times as much.
const MORE: f64 = 1.25;
/// Nobody waits until a frame was laid over a dozen anchors: it is laid over the newest, for a sitter goes on from there, and over
/// those that are most like it at a glance, so many in all.
const MOST_ASKED: usize = 3;
/// A frame whose own light is less sure is no anchor: all that is measured by it would be less sure still.
const SURE_ENOUGH: Stops = Stops(0.12);

impl LaidOver {
    pub fn of_frame(&self) -> Laid<'_> {
        Laid { overlay: &self.overlay, anchor: self.anchor.as_ref() }
    }

    /// Matched, and yet much of what the frame shows is new, or lies elsewhere.
    fn shows_anew(&self) -> bool {
        let moved = self.overlay.alignment().map(|alignment| alignment.moved);
        moved.is_some_and(|moved| self.known() < ENOUGH || moved.far() > FAR)
    }

    /// How much of what the frame shows is known by it.
    fn known(&self) -> f64 {
        self.overlay.alignment().map_or(0.0, |alignment| alignment.covers)
    }
}

impl Draft<'_> {
    /// Lays a frame over what shows most of it. `None` where there are no pictures of the two.
    pub(super) fn lay(&self, before: &Setup, pair: &Compared) -> Option<LaidOver> {
        let look = before.reference()?;
        let frame = pair.frame.metered.as_ref()?.picture?;
        let reference = pair.reference.as_ref()?.metered.as_ref()?.picture?;
        let scenes = &self.knowledge.scenes;
        let mut best = LaidOver { overlay: scenes.overlay(reference, frame)?, anchor: None };
        if best.known() >= ENOUGH {
            return Some(best);
        }
        for (anchor, picture) in self.anchors_like(look, frame) {
            let Some(overlay) = scenes.overlay_upright(picture, frame) else { continue };
            let laid = LaidOver { overlay, anchor: Some(anchor.clone()) };
            // One that shows no more than the reference adds its own error and nothing else.
            if laid.known() > best.known() * MORE {
                best = laid;
            }
            if best.known() >= ENOUGH {
                break;
            }
        }
        Some(best)
    }

    /// The anchors that a frame is laid over, and their pictures of its kind: the newest, then the likeliest.
    fn anchors_like<'a>(&self, look: &'a Look, frame: PictureId) -> Vec<(&'a Anchor, PictureId)> {
        let scenes = &self.knowledge.scenes;
        let is_raw = |id: &PictureId| scenes.picture(*id).map(|picture| picture.is_raw());
        let of_its_kind = |anchor: &&Anchor| anchor.pictures.iter().copied().find(|id| is_raw(id) == is_raw(&frame));
        let anchors = look.anchors.iter().rev().filter_map(|anchor| Some((anchor, of_its_kind(&anchor)?)));
        let mut anchors: Vec<(&Anchor, PictureId)> = anchors.collect();
        if anchors.len() > MOST_ASKED {
            let others = anchors.split_off(1).into_iter();
            let mut others: Vec<_> = others.map(|of| (scenes.likeness(of.1, frame), of)).collect();
            others.sort_by(|a, b| b.0.total_cmp(&a.0));
            anchors.extend(others.into_iter().map(|(_, of)| of).take(MOST_ASKED - 1));
        }
        anchors
    }

    /// A matching frame that shows its look as none before it did.
    pub(super) fn new_anchor(
        &self,
        look: Option<&Look>,
        exposure: &Exposure,
        pair: &Compared,
        laid: Option<&LaidOver>,
        verdict: &Verdict,
    ) -> Option<Box<Anchor>> {
        laid.filter(|laid| laid.shows_anew())?;
        let is_sure = verdict.spots.iter().any(|s| s.spot == WHOLE && s.half_width <= SURE_ENOUGH);
        let is_known = look?.frame == Some(exposure.frame);
        if verdict.finding != Finding::Matched
            || !verdict.changed_alike()
            || !is_sure
            || is_known
            || exposure.found_at_start
        {
            return None;
        }
        let reference = pair.reference.as_ref()?.metered.as_ref()?;
        let spot = |seen: &Observed| {
            let in_reference = reference.reading(&seen.spot)?.area;
            Some(AnchorSpot { in_reference, seen: seen.clone() })
        };
        // Of its pictures, those of a kind that the look has, too: a HEIF picture is laid under no JPEG.
        let of_look = &look?.observation;
        let is_like =
            |own: &FrameReadings| of_look.reading_of(own.is_raw()).is_some_and(|of| of.shares_curve_with(own));
        let readings = [true, false].into_iter().filter_map(|raw| exposure.observation.reading_of(raw));
        let pictures = readings.filter(|own| is_like(own)).filter_map(|own| own.picture).collect();
        Some(Box::new(Anchor {
            frame: exposure.frame,
            pictures,
            spots: verdict.spots.iter().filter_map(spot).collect(),
        }))
    }

    /// A frame's map of light as it lies in the survey's picture, or in the reference's; as it was shot where it can't be
    /// laid over that. `shaped` is a map of that picture's shape.
    pub(super) fn light_laid_over(
        &self,
        over: Option<PictureId>,
        exposure: &Exposure,
        light: &LightMap,
        shaped: &LightMap,
    ) -> LightOver {
        let reading = exposure.observation.reading_of(light.is_raw());
        let frame = reading.and_then(|reading| reading.picture);
        let overlay = over.zip(frame).and_then(|(over, frame)| self.knowledge.scenes.overlay(over, frame));
        match overlay.as_deref().and_then(Overlay::alignment) {
            Some(alignment) => LightOver { light: light.laid_over(alignment, shaped), over },
            None => LightOver { light: light.clone(), over: None },
        }
    }
}

/// A map of light, and the picture that it was laid over.
pub(super) struct LightOver {
    pub light: LightMap,
    pub over: Option<PictureId>,
}
