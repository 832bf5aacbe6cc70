//! What metering a frame needs to know, and which of two frames' readings compare.

use std::sync::Arc;

use crate::advice::{Finding, Observation, Verdict};
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
    /// What is said where they have no kind of reading in common.
    pub unlike: Option<String>,
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
        let unlike = frame.metered.as_ref().filter(|_| common.is_none());
        Compared {
            reference: reference.map(only),
            frame: only(frame),
            unlike: unlike.map(|own| said_of_unlike(own, reference.and_then(|reference| reference.metered.as_ref()))),
        }
    }

    /// The verdict on them, which says why where they were metered and yet can't be compared.
    pub fn explained(&self, verdict: Verdict) -> Verdict {
        match &self.unlike {
            Some(said) if verdict.finding == Finding::NotMetered => Verdict { sentence: said.clone(), ..verdict },
            _ => verdict,
        }
    }
}

fn said_of_unlike(own: &FrameReadings, reference: Option<&FrameReadings>) -> String {
    let own = own.kind();
    match reference {
        Some(reference) => format!(
            "Metered, but not compared: this is {own}, the reference is {}, and no one curve reads both. Compare with a reference of the \
             same kind.",
            reference.kind()
        ),
        None => "Metered, but not compared: the reference was not metered, or on an earlier day by a curve that is not known. Set a \
                 reference anew."
            .to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Settings, Space};

    #[test]
    fn two_kinds_are_told_by_name() {
        let of = |space: Space| {
            let colour = space.to_string();
            let metered =
                FrameReadings { scale: Scale::Rendered, colour, readings: vec![], cells: vec![], picture: None };
            Observation { settings: Settings::default(), metered: Some(metered), second: None }
        };
        let unlike = |reference: Space, frame: Space| Compared::of(Some(&of(reference)), &of(frame)).unlike;
        let said = unlike(Space::Srgb, Space::Heif).unwrap();
        assert!(said.contains("this is a HEIF picture, the reference is a picture as JPEG"), "{said}");
        let said = unlike(Space::HeifHlg, Space::HeifPq).unwrap();
        assert!(said.contains("HLG") && said.contains("PQ"), "{said}");
        assert_eq!(unlike(Space::Heif, Space::Heif), None);
        assert_eq!(Compared::of(None, &of(Space::Heif)).unlike, None);
    }
}
