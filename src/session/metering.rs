//! What metering a frame needs to know, and which of two frames' readings compare.

use std::sync::Arc;

use crate::advice::Observation;
use crate::align::{CodePicture, PictureId};
use crate::config::Config;
use crate::frame::{Frame, Picture};
use crate::meter::{FrameReadings, LightMap, Scale, Spot, light_map, meter};
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
    /// The same of the picture embedded in a raw file.
    pub embedded: Option<Arc<CodePicture>>,
    /// Only the picture embedded in a raw file was read: its light comes after.
    pub awaits_light: bool,
    pub notes: Vec<String>,
}

impl MeteredFrame {
    /// The small pictures of its readings, with their names.
    pub fn pictures(&self) -> impl Iterator<Item = (PictureId, Arc<CodePicture>)> + '_ {
        self.picture.iter().chain(&self.embedded).map(|picture| (picture.id(), Arc::clone(picture)))
    }
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
        let Frame { settings, picture, embedded, notes } = frame;
        let light = picture.as_ref().filter(|_| self.several_groups).map(light_map);
        let (awaits_light, rendered) = (picture.is_none() && embedded.is_some(), embedded.as_ref());
        let (first, small) = picture.as_ref().map(|picture| self.readings(picture)).unzip();
        let (second, embedded) = rendered.map(|picture| self.readings(picture)).unzip();
        let second = second.map(|second| FrameReadings { scale: Scale::Embedded, ..second });
        let (metered, second) = if awaits_light { (second, None) } else { (first, second) };
        let observation = Observation { settings, metered, second };
        MeteredFrame { observation, light, picture: small, embedded, awaits_light, notes }
    }

    fn readings(&self, picture: &Picture) -> (FrameReadings, Arc<CodePicture>) {
        let small = Arc::new(CodePicture::of(picture));
        (FrameReadings { picture: Some(small.id()), ..meter(picture, &self.spots) }, small)
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
    /// The raw files' readings where both have one, else the pictures', where one curve reads these.
    pub fn of(reference: Option<&Observation>, frame: &Observation) -> Compared {
        let both = |raw: &bool| {
            let readings = reference.into_iter().chain([frame]).map(|s| s.reading_of(*raw));
            let readings = readings.collect::<Option<Vec<_>>>();
            readings.is_some_and(|readings| readings.windows(2).all(|pair| pair[0].shares_curve_with(pair[1])))
        };
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
