//! What people and tools may ask of a running session, and its answers.

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use super::plan::PlanWords;
use super::remembered::Look;
use super::setup::Setup;
use super::sharpness_stands::SharpnessStands;
use super::sitting::Sitting;
use crate::config::typed::TypedThing;
use crate::meter::Area;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::{Density, ExposureTime, FNumber, IsoSpeed, Series};
use crate::rig::{Firing, GroupName};

/// A command as it comes in over the socket.
#[derive(Debug, Clone, PartialEq, Deserialize, Serialize)]
#[serde(tag = "command", rename_all = "snake_case", deny_unknown_fields)]
pub enum Command {
    /// Makes the last frame, or a file, the reference of a look (the current one if not named).
    Reference {
        #[serde(default)]
        file: Option<String>,
        #[serde(default)]
        look: Option<String>,
        /// Only if this is the last frame.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        frame: Option<FrameNumber>,
    },
    /// The last frame is what is wanted: it is the reference, with the powers that the lights have in it.
    Accept {
        /// Only if this is the last frame.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        frame: Option<FrameNumber>,
    },
    /// Another person sits now: the powers stay, and the next frame is the reference.
    NewSitter {},
    /// Makes another look current.
    Look {
        look: String,
    },
    /// Lists the looks.
    Looks {},
    /// The set-up sheet of all looks, or of one, with how it stands now.
    Sheet {
        #[serde(default, skip_serializing_if = "Option::is_none")]
        look: Option<String>,
    },
    /// Takes a look up out of the set-up sheet in a file, and says what to turn for it.
    TakeLook {
        sheet: String,
        look: String,
        /// Its name in this sitting [default: the same].
        #[serde(default, rename = "as", skip_serializing_if = "Option::is_none")]
        taken_up_as: Option<String>,
        /// Where its photograph lies [default: beside the sheet].
        #[serde(default, skip_serializing_if = "Option::is_none")]
        folder: Option<String>,
    },
    /// Tells what a group is set to, as its lights show it.
    Power {
        group: GroupName,
        setting: String,
    },
    /// Tells that a suggested correction was carried out, for all groups or one.
    Confirm {
        #[serde(default)]
        group: Option<GroupName>,
        /// Only if this is the open correction's record.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        correction: Option<RecordNumber>,
    },
    /// Takes back what was last told of a group's power, or of the group that was told of last, as long as no frame has landed since; or
    /// of the filter on the lens, as long as no frame has shown it.
    Undo {
        #[serde(default)]
        group: Option<GroupName>,
    },
    /// Asks what the lights must be set to for settings not shot yet.
    Next {
        #[serde(default)]
        f_number: Option<String>,
        #[serde(default)]
        iso: Option<String>,
        #[serde(default)]
        exposure_time: Option<String>,
        /// What is on the lens from the next frame on: '0.9', '0.9+0.6', 'no filter'.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        filter: Option<String>,
        /// The series that marks on both stand for [default: the configuration's].
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[serde(alias = "marks")]
        camera_steps: Option<Series>,
    },
    /// Asks what the lights must be set to for several apertures, and how much is sharp at each. Nothing is asked of anybody.
    Plan(Box<PlanWords>),
    /// Begins a light survey (of all groups if none is named), skips its next group, gives it up, or
    /// tells what the last one found.
    Survey {
        #[serde(default)]
        what: SurveyAsk,
        #[serde(default)]
        groups: Vec<GroupName>,
    },
    /// Puts a spot at a place of the frame, or takes a drawn one away again (without `area`).
    Spot {
        name: String,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        area: Option<Area>,
    },
    /// Writes down what stands where, for the set-up sheet; without any fact, the thing is as the configuration says again.
    SetUp(Box<TypedThing>),
    /// The same of the notes of the set; without them, they are the configuration's again.
    SetUpNotes {
        #[serde(default, skip_serializing_if = "Option::is_none")]
        notes: Option<Vec<String>>,
    },
    /// Begins another sitting, ends or names this one, or answers whether the set-up is the one of before.
    Sitting {
        #[serde(default)]
        what: SittingAsk,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        name: Option<String>,
    },
    Note {
        text: String,
    },
    Status {},
    /// Answers when all that was in the folder before it is logged.
    #[serde(alias = "sync")]
    Wait {},
    /// All records from this number on, out of the log.
    Since {
        n: RecordNumber,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SurveyAsk {
    #[default]
    Start,
    Skip,
    Stop,
    Report,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum SittingAsk {
    /// Which one this is.
    #[default]
    Which,
    /// The set-up is the one of before.
    Same,
    /// It is another one.
    New,
    End,
    Name,
}

impl Command {
    /// It changes nothing, and can be answered at any time.
    pub fn only_asks(&self) -> bool {
        matches!(
            self,
            Command::Status {}
                | Command::Looks {}
                | Command::Sheet { .. }
                | Command::Plan(_)
                | Command::Wait {}
                | Command::Since { .. }
                | Command::Sitting { what: SittingAsk::Which, .. }
        )
    }

    /// `Next` of words, sorted by how they are written: f/5.6, iso200, 1/160, nd 0.9.
    ///
    /// # Errors
    /// A sentence where a word is no setting.
    pub fn next<'a>(words: impl IntoIterator<Item = &'a str>) -> Result<Command, String> {
        let (mut f_number, mut iso, mut exposure_time, mut filter) = (None, None, None, None);
        let mut words = words.into_iter();
        while let Some(word) = words.next() {
            let mut word = word.to_owned();
            // 'ISO 200' as it is written on a camera, 'ND 0.9' as on a filter.
            if ["iso", "nd", "no"].iter().any(|first| word.eq_ignore_ascii_case(first))
                && let Some(second) = words.next()
            {
                let between = if word.eq_ignore_ascii_case("iso") { "" } else { " " };
                word = format!("{word}{between}{second}");
            }
            let lower = word.to_ascii_lowercase();
            let slot = if lower.starts_with("iso") {
                &mut iso
            } else if lower.starts_with("nd") || lower == "no filter" {
                &mut filter
            } else if lower.starts_with('f') {
                &mut f_number
            } else if lower.contains('/') || lower.ends_with('s') {
                &mut exposure_time
            } else {
                return Err(no_setting(&word));
            };
            if let Some(before) = slot.replace(word.clone()) {
                return Err(format!("'{before}' and '{word}' are two of a kind: write one"));
            }
        }
        Ok(Command::Next { f_number, iso, exposure_time, filter, camera_steps: None })
    }
}

/// A number alone may be of any kind; which one is likely, its size tells.
fn no_setting(word: &str) -> String {
    const NARROWEST: f64 = 64.0;
    let meant = word.parse::<f64>().ok().filter(|number| *number > 0.0).map(|number| {
        let meant = if number <= NARROWEST { format!("f/{word}") } else { format!("iso{word}") };
        format!(": did you mean {meant}?")
    });
    format!("'{word}' is no setting{}", meant.unwrap_or_else(|| ": write f/5.6, iso200, 1/160 or nd 0.9".to_owned()))
}

/// Settings asked for with `next`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Planned {
    pub f_number: Option<FNumber>,
    pub iso: Option<IsoSpeed>,
    pub exposure_time: Option<ExposureTime>,
    /// What is on the lens then; of density 0 is none.
    pub filter: Option<Density>,
}

impl Planned {
    pub fn read(
        [f_number, iso, exposure_time, filter]: [&Option<String>; 4],
        camera_steps: Series,
    ) -> Result<Planned, String> {
        let planned = Planned {
            f_number: f_number.as_ref().map(|s| FNumber::read(s, camera_steps)).transpose()?,
            iso: iso.as_ref().map(|s| s.parse()).transpose()?,
            exposure_time: exposure_time.as_ref().map(|s| ExposureTime::read(s, camera_steps)).transpose()?,
            filter: filter.as_ref().map(|s| Density::read_on_the_lens(s)).transpose()?,
        };
        if planned == Planned::default() {
            return Err("next needs a setting: f/5.6, iso200, 1/160 or nd 0.9".to_owned());
        }
        Ok(planned)
    }
}

/// The answer to a command: a sentence for people, values for tools.
#[derive(Debug, Clone, PartialEq)]
pub struct Reply {
    pub ok: bool,
    pub message: String,
    pub value: Value,
}

impl Reply {
    pub fn done(message: impl Into<String>) -> Reply {
        Reply { ok: true, message: message.into(), value: Value::Null }
    }

    pub fn with(message: impl Into<String>, value: Value) -> Reply {
        Reply { ok: true, message: message.into(), value }
    }

    pub fn refused(message: impl Into<String>) -> Reply {
        Reply { ok: false, message: message.into(), value: Value::Null }
    }

    /// To what a decision has no answer for.
    pub fn none() -> Reply {
        Reply::refused("nothing is answered to this")
    }
}

/// The sitting as `status` answers it.
pub fn status(sitting: &Sitting) -> Value {
    let setup = &sitting.setup;
    let positions = setup
        .positions
        .iter()
        .map(|p| json!({"group": p.group, "power": p.power(), "since_reference": setup.since_reference(&p.group), "known": p.known}));
    let looks = setup.looks.iter().map(|(name, look)| (name.clone(), look_shown(look, setup)));
    json!({
        "records": sitting.records,
        "frames": sitting.frames,
        "look": setup.current,
        "standing": setup.standing,
        "looks": looks.collect::<serde_json::Map<_, _>>(),
        "groups": positions.collect::<Vec<_>>(),
        "correction": setup.open,
        "filter": setup.lens.told(),
        "sharpness": setup.current.as_ref().zip(setup.reference()).and_then(|(look, reference)| {
            Some(SharpnessStands::of(sitting.sharpness.last_of(look, &reference.file)?))
        }),
        "survey": {
            "next": setup.surveying.as_ref().and_then(|s| s.next()).map(Firing::asks),
            "report": setup.surveyed.as_ref().map(|s| &s.report),
        },
        "last": setup.last.as_ref().map(|l| json!({
            "frame": l.frame,
            "file": l.file,
            "removed": sitting.exposures.is_removed(l.frame),
            "sentence": l.verdict.sentence,
        })),
    })
}

fn look_shown(look: &Look, setup: &Setup) -> Value {
    let powers = setup.positions.iter().map(|p| (p.group.to_string(), json!(look.power_of(p))));
    json!({"frame": look.frame, "file": look.file, "powers": powers.collect::<serde_json::Map<_, _>>()})
}
