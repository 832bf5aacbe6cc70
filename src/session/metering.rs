//! What metering a frame needs to know, and which of two frames' readings compare.

use std::sync::Arc;

use crate::advice::Observation;
use crate::align::CodePicture;
use crate::config::Config;
use crate::frame::Frame;
use crate::meter::{FrameReadings, LightMap, Spot, light_map, meter};
use crate::photometry::Series;

/// What the workers meter by; replaced when the configuration changes.
#[derive(Debug, Clone)]
pub struct MeteringPlan {
    pub spots: Vec<Spot>,
    pub camera_steps: Series,
    /// There are groups of lights that a survey could tell apart.
    pub several_groups: bool,
}

/// A frame, metered.
#[derive(Debug, Clone)]
pub struct MeteredFrame {
    pub observation: Observation,
    /// The light of its parts, for reading single lights out of it; not logged.
    pub light: Option<LightMap>,
    /// What the frame is laid over others by; the log holds its name.
    pub picture: Option<Arc<CodePicture>>,
    pub notes: Vec<String>,
}

impl MeteringPlan {
    pub fn of(config: &Config) -> MeteringPlan {
        MeteringPlan {
            spots: config.spots.clone(),
            camera_steps: config.camera_steps,
            several_groups: config.groups.len() > 1,
        }
    }

    /// Meters a frame that was read: what the blocking workers do.
    pub fn meter(&self, frame: Frame) -> MeteredFrame {
        let picture = frame.picture.as_ref();
        let small = picture.map(|picture| Arc::new(CodePicture::of(picture)));
        let id = small.as_ref().map(|small| small.id());
        let metered = picture.map(|picture| FrameReadings { picture: id, ..meter(picture, &self.spots) });
        let light = picture.filter(|_| self.several_groups).map(light_map);
        let observation = Observation { settings: frame.settings, metered, second: None };
        MeteredFrame { observation, light, picture: small, notes: frame.notes }
    }
}

/// Two observations with one kind of reading each, ready to be compared.
#[derive(Debug, Clone)]
pub struct Compared {
    pub reference: Option<Observation>,
    pub frame: Observation,
    /// They have no kind of reading in common.
    pub unlike: bool,
}

impl Compared {
    /// The raw files' readings where both have one, else the pictures'.
    pub fn of(reference: Option<&Observation>, frame: &Observation) -> Compared {
        let both = |raw: &bool| reference.into_iter().chain([frame]).all(|s| s.reading_of(*raw).is_some());
        let common = [true, false].into_iter().find(both);
        let only = |observation: &Observation| {
            let reading = common.and_then(|raw| observation.reading_of(raw));
            Observation { settings: observation.settings.clone(), metered: reading.cloned(), second: None }
        };
        Compared {
            reference: reference.map(only),
            frame: only(frame),
            unlike: common.is_none() && frame.metered.is_some(),
        }
    }
}
