//! Records of the shot log: one event each, numbered, versioned, with a checksum on every line.
//!
//! A key with an `alias`, here or in what records hold, had that name in earlier logs.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::dials::Marks;
use super::earlier::LoggedObservation;
use super::judgement::{How, Judgement, PositionRead};
use super::measured_sharpness::MeasuredSharpness;
use super::sealed::{LineFault, check_seal, check_version, seal};
use super::sitting_step::SittingStep;
use super::standing::ReferenceBy;
use super::survey_step::SurveyStep;
use crate::advice::{Correction, Verdict};
use crate::container::Fingerprint;
use crate::frame::Settings;
use crate::intake::{FileState, KnownFile};
use crate::meter::Logged;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{Density, PowerSetting, Stops};
use crate::response::Curve;
use crate::rig::{GroupName, Known};

/// One line of the shot log.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Record {
    pub v: u32,
    /// Number in this log, from 1, without gaps.
    pub n: RecordNumber,
    /// When it was written (RFC 3339, UTC).
    pub at: Timestamp,
    #[serde(flatten)]
    pub body: Body,
}

/// What happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum Body {
    /// A daemon opened the log.
    Opened {
        program: String,
        folder: String,
        process: u32,
    },
    /// A configuration was taken up; the powers are those it names.
    Config {
        tolerance: Stops,
        groups: Vec<GroupPower>,
        /// What is wanted of the reference itself, in words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        target: Option<String>,
    },
    /// Photographs that lay in the folder before the first start.
    #[serde(alias = "known")]
    ExistingFiles {
        files: Vec<KnownFile>,
        /// No more of them follow: the first start is over.
        last: bool,
    },
    /// A reference was set, and its look made current.
    Reference {
        look: String,
        frame: Option<FrameNumber>,
        file: String,
        #[serde(alias = "subject")]
        observation: Box<LoggedObservation>,
        powers: BTreeMap<GroupName, Option<PowerSetting>>,
        #[serde(default, skip_serializing_if = "ReferenceBy::is_told")]
        by: ReferenceBy,
        /// Dials that it shows elsewhere than they were known to be, and that somebody meant so.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        positions: Vec<PositionRead>,
        /// Where the dials stood for it, where others were shot since; of a group that is left out nobody knows.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        marks: Option<Marks>,
    },
    /// Another person sits now: the powers stay, and the next frame that can be one is the look's reference.
    NewSitter,
    /// Another look was made current.
    Look {
        look: String,
    },
    /// An exposure's first file, and what was observed in it.
    Frame(Box<FrameRecord>),
    /// A further file of an exposure, and what was observed in it when it could be metered; or the light of a raw file of which the
    /// embedded picture was read before.
    #[serde(alias = "member")]
    FileAdded {
        frame: FrameNumber,
        file: String,
        state: FileState,
        fingerprint: Fingerprint,
        #[serde(alias = "completed")]
        observed: Option<Box<Added>>,
        /// Its light is read after.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        awaits_light: bool,
    },
    /// What was made of an exposure. A later judgement of the same exposure takes the place of an earlier one.
    Judged(Box<Judgement>),
    /// A file was rewritten or renamed; its picture is the same.
    #[serde(alias = "updated")]
    FileChanged {
        file: String,
        was: String,
        state: FileState,
    },
    /// A file that could not be taken up.
    Skipped {
        file: String,
        why: String,
        /// What the file was like: as long as it stays so, nobody need look at it again. Without one, and in logs up to
        /// format 4, it is.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        state: Option<FileState>,
    },
    /// All files of an exposure of late are gone from the folder, under the names that they had last. It was shot all the same.
    FileRemoved {
        frame: FrameNumber,
        files: Vec<String>,
    },
    /// A correction that somebody asked for; one that an exposure asks for stands in its judgement. Up to format 4 here.
    Correction {
        purpose: Purpose,
        correction: Box<Correction>,
        sentence: String,
    },
    /// A correction came to its end by somebody's word. Up to format 4 every end.
    Resolved {
        correction: RecordNumber,
        how: How,
    },
    /// What somebody said of a group: that it is set to a power, or was turned by some stops.
    /// `answers` is the open correction that it carries out, if it does.
    Power {
        group: GroupName,
        setting: Option<PowerSetting>,
        shown: Option<String>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        turned: Option<Stops>,
        /// How far it then was from the reference: up to format 4.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        moved: Option<Stops>,
        source: PowerSource,
        answers: Option<RecordNumber>,
    },
    /// What was told of a group, by record `of`, is taken back: it stands as it did before.
    #[serde(alias = "taken_back")]
    Undone {
        group: GroupName,
        of: RecordNumber,
    },
    /// What somebody said is on the lens from the next frame on; 0 is no filter.
    Filter {
        density: Density,
    },
    /// The file of a reference, or of the last frame, was metered anew by other spots.
    #[serde(alias = "reread")]
    Remetered {
        file: String,
        metered: Box<Logged>,
    },
    /// A camera's response became known better: its pictures are read by the curve from now on.
    Response {
        #[serde(flatten)]
        of: Rendered,
        /// Its name, which verdicts by it tell.
        response: String,
        how: Learning,
        /// The frames that taught it.
        frames: Vec<FrameNumber>,
        residual: Stops,
        /// 95 % half-width of two stops about mid-grey before and after.
        #[serde(alias = "doubt")]
        uncertainty: [Stops; 2],
        curve: Box<Curve>,
    },
    /// What happened to a sitting as a whole.
    Sitting {
        step: SittingStep,
    },
    /// A step of a light survey, and what to do next.
    Survey {
        step: SurveyStep,
        next: Option<String>,
    },
    /// How sharp a frame is in its spots: measured after its verdict was told.
    Sharpness(Box<MeasuredSharpness>),
    Note {
        text: String,
    },
    Warning {
        text: String,
    },
    Closed,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupPower {
    pub group: GroupName,
    pub power: Option<PowerSetting>,
}

/// A frame and everything that was found out about it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameRecord {
    /// Number of the frame in this log, from 1.
    pub frame: FrameNumber,
    pub file: String,
    pub state: FileState,
    pub fingerprint: Fingerprint,
    /// It landed while no daemon was running.
    #[serde(alias = "late")]
    pub found_at_start: bool,
    /// It was shot before the frame that was logged before it, and read later: it changes nothing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub overtaken: bool,
    /// Of its raw file only the embedded picture was read: its light comes after.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub awaits_light: bool,
    pub look: Option<String>,
    #[serde(alias = "subject")]
    pub observation: LoggedObservation,
    pub notes: Vec<String>,
    /// Up to format 4 an observation bears its judgement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
}

/// What a further file of an exposure adds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Added {
    pub settings: Settings,
    pub metered: Logged,
    pub notes: Vec<String>,
    /// Up to format 4 an observation bears its judgement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
}

/// What a correction is for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// Answers the drift of a frame.
    Drift { frame: FrameNumber },
    /// Prepares settings that have not been shot yet.
    Next { settings: Box<Settings> },
    /// Brings the lights to where they stood for a look.
    Look { look: String },
}

/// What a response curve belongs to.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Rendered {
    pub camera: Option<String>,
    /// Colour space of its pictures.
    pub colour: String,
    /// The picture profile that the configuration names.
    #[serde(alias = "look")]
    pub profile: Option<String>,
}

/// What a response was learned from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Learning {
    /// A raw file beside its picture, borne out by the next pair.
    RawBesidePicture,
    /// Settings that changed and came back while the lights stayed.
    SettingsAlone,
    /// The frames of a light survey: what the single lights give adds up to what all give.
    Survey,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PowerSource {
    Told,
    /// A suggested turn that a frame shows.
    Seen,
    /// Worked out from a frame: all groups taken to have moved together.
    Inferred,
    /// Read out of a frame for this group by itself, by the light survey.
    Read,
}

impl PowerSource {
    pub(super) fn known(self) -> Known {
        match self {
            PowerSource::Told => Known::Told,
            PowerSource::Seen => Known::SeenAsAsked,
            PowerSource::Inferred => Known::Deduced,
            PowerSource::Read => Known::ReadBySurvey,
        }
    }
}

impl Record {
    /// The record as a line without its end. The last member is the CRC-32 of all before it.
    pub fn to_line(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self).map(seal)
    }

    /// The number that a line says it has, without a look at the rest; `None` when it doesn't begin as
    /// [`Record::to_line`] writes it.
    pub fn number_in(line: &[u8]) -> Option<RecordNumber> {
        let head = std::str::from_utf8(line.get(..line.len().min(48))?).ok()?;
        let (version, rest) = head.strip_prefix("{\"v\":")?.split_once(",\"n\":")?;
        version.parse::<u32>().ok()?;
        rest.split(',').next()?.parse().ok().map(RecordNumber::new)
    }

    /// The number of a sound line, without a look at what it tells.
    pub fn sound_number_in(line: &str) -> Option<RecordNumber> {
        check_seal(line).ok()?;
        Record::number_in(line.as_bytes()).or_else(|| Record::from_line(line).ok().map(|r| r.n))
    }

    pub fn from_line(line: &str) -> Result<Record, LineFault> {
        check_seal(line)?;
        let version = check_version(line)?;
        Record::parse(line).map_err(|e| LineFault::NotUnderstood { version, why: e.to_string() })
    }

    /// Frames and their judgements, which are nine tenths of a log, are read without the detour by way of a tree, which serde makes for
    /// whatever is told apart by its type.
    fn parse(line: &str) -> Result<Record, serde_json::Error> {
        #[derive(Deserialize)]
        struct Head {
            v: u32,
            n: RecordNumber,
            at: Timestamp,
            r#type: String,
        }
        match serde_json::from_str(line)? {
            Head { v, n, at, r#type } if r#type == "frame" => {
                Ok(Record { v, n, at, body: Body::Frame(serde_json::from_str(line)?) })
            }
            Head { v, n, at, r#type } if r#type == "judged" => {
                Ok(Record { v, n, at, body: Body::Judged(serde_json::from_str(line)?) })
            }
            _ => serde_json::from_str(line),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::sealed::VERSION;
    use super::*;

    fn note(text: &str) -> Record {
        let at = "2026-11-25T08:31:28Z".parse().unwrap();
        Record { v: VERSION, n: RecordNumber::new(7), at, body: Body::Note { text: text.to_owned() } }
    }

    #[test]
    fn a_line_survives_writing_and_reading() {
        let record = note("a \"quoted\" word,\n\"crc\":\"00000000\" and ünïcode");
        let line = record.to_line().unwrap();
        assert!(!line.contains('\n'));
        assert_eq!(Record::from_line(&line).unwrap(), record);
        assert_eq!(Record::number_in(line.as_bytes()), Some(RecordNumber::new(7)));
        assert_eq!(Record::number_in(b"{\"n\":7,\"v\":4}"), None);
    }

    #[test]
    fn every_flipped_byte_is_noticed() {
        let line = note("key told at 1/8").to_line().unwrap().into_bytes();
        for at in 0..line.len() {
            let mut flipped = line.clone();
            flipped[at] ^= 0x01;
            let Ok(text) = String::from_utf8(flipped) else { continue };
            assert!(Record::from_line(&text).is_err(), "byte {at}");
        }
    }
}
