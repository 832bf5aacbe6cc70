//! Which curve an exposure's codes are read by.

use super::Draft;
use crate::advice::Observation;
use crate::frame::Settings;
use crate::meter::{FrameReadings, LightMap};
use crate::response::Response;
use crate::session::curve::{rendered, response_for};
use crate::session::record::Rendered;

impl Draft<'_> {
    pub(super) fn response_for(&self, settings: &Settings, metered: &FrameReadings) -> Response {
        response_for(settings, metered, self.config, &self.knowledge.curves, &self.sitting)
    }

    /// What a picture's curve belongs to.
    pub(super) fn rendered(&self, settings: &Settings, metered: &FrameReadings) -> Rendered {
        rendered(settings, metered, self.config)
    }

    /// The curve of the reading that counts.
    pub(super) fn response_of(&self, observation: &Observation) -> Response {
        observation.metered.as_ref().map_or_else(Response::srgb, |m| self.response_for(&observation.settings, m))
    }

    /// The curve of the file that a map of light is of.
    pub(super) fn response_of_map(&self, light: &LightMap, observation: &Observation) -> Response {
        if light.is_raw() {
            return Response::raw();
        }
        let picture = observation.reading_of(false);
        picture.map_or_else(Response::srgb, |m| self.response_for(&observation.settings, m))
    }
}
