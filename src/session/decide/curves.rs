//! Which curve a picture's codes are read by: one of the camera's own, one that was learned on the job, or the stock's.

use super::Draft;
use crate::advice::Subject;
use crate::frame::Settings;
use crate::meter::{LightMap, Metered};
use crate::response::{Response, ResponseChoice};
use crate::rig::{Survey, SurveyFrame};
use crate::session::record::Rendered;

impl Draft<'_> {
    /// The best curve that is known for a picture.
    pub(super) fn curve_for(&self, settings: &Settings, metered: &Metered) -> Response {
        let metering = &self.knowledge.metering;
        let stock = metering.curves.stock();
        let base = self.named(&metered.response).unwrap_or_else(|| stock.clone());
        let learned = self.sitting.learned(&self.rendered(settings, metered));
        let usable = metering.choice == ResponseChoice::Camera && base.name == stock.name;
        learned.filter(|_| usable).and_then(|l| self.sitting.curve(&l.name)).cloned().unwrap_or(base)
    }

    /// What a picture's curve belongs to.
    pub(super) fn rendered(&self, settings: &Settings, metered: &Metered) -> Rendered {
        let look = self.knowledge.metering.look.clone();
        Rendered { camera: settings.camera.clone(), colour: metered.colour.clone(), look }
    }

    pub(super) fn named(&self, name: &str) -> Option<Response> {
        self.knowledge.metering.curves.named(name).or_else(|| self.sitting.curve(name).cloned())
    }

    /// The curve of the file that a map of light is of.
    pub(super) fn response_of_map(&self, light: &LightMap, subject: &Subject) -> Response {
        if light.is_raw() {
            return Response::raw();
        }
        let picture = subject.reading_of(false);
        picture.map_or_else(Response::srgb, |m| self.curve_for(&subject.settings, m))
    }

    /// The curve that a survey's frames were taken by.
    pub(super) fn response_of_survey(&self, frame: &SurveyFrame) -> Response {
        self.named(&frame.light.response).unwrap_or_else(Response::srgb)
    }

    pub(super) fn by_curve(&self, light: &LightMap, response: &Response) -> LightMap {
        match self.named(&light.response) {
            Some(from) if from.name != response.name => light.reread(&from, response),
            _ => light.clone(),
        }
    }

    pub(super) fn survey_by(&self, survey: &Survey, response: &Response) -> Survey {
        let taken = survey.taken.iter().map(|t| SurveyFrame { light: self.by_curve(&t.light, response), ..t.clone() });
        Survey { taken: taken.collect(), ..survey.clone() }
    }
}
