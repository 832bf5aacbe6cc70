//! The sitting: its rig, its frames, and the mistakes that are made in it.

use std::collections::BTreeMap;
use std::io;

use jiff::civil::{DateTime, date};

use crate::photometry::{ExposureTime, FNumber, IsoSpeed, Series, Stops};
use crate::rig::GroupName;
use crate::studio::{CameraSettings, Light, Pose, Scene, expose};

/// The configuration that the sitting is watched with.
pub const RIG: &str = "\
# The demo's sitting: a portrait under three groups of lights.
folder: ./capture
spots:
  - {name: cheek, left: 0.42, top: 0.36, right: 0.50, bottom: 0.48}
  - {name: backdrop, left: 0.04, top: 0.08, right: 0.20, bottom: 0.40}
groups:
  - name: key
    role: key
    dial: fraction
    step: 1/3
    range: 1/128 to 1/1
    power: 1/2
    modifier: softbox 60 x 90 cm
    height: 2.1 m
    distance: 1.3 m
    angle: 42 left
  - name: fill
    role: fill
    heads: 2
    dial: fraction
    step: 1/3
    range: 1/128 to 1/1
    power: 1/8
    modifier: white umbrellas 110 cm
    height: 1.7 m
    distance: 2.6 m
    angle: 20 left and 25 right
  - name: rim
    role: rim
    dial: decimal
    step: 1/10
    full_power: 9.0
    range: 1.0 to 9.0
    power: 7.0
    modifier: strip light 30 x 120 cm
    note: flagged from the lens
passive:
  - {name: white card, kind: reflector, side: right, height: 1.1 m, distance: 0.8 m, angle: 70 right}
camera: {height: 1.5 m, distance: 2.2 m, lens: hood on}
notes: backdrop 2 m behind the sitter
";

const WIDTH: u32 = 1200;
const HEIGHT: u32 = 800;
const QUALITY: u8 = 92;

/// One part of the story.
pub struct Episode {
    pub caption: &'static str,
    pub first: Vec<Then>,
    pub shot: Option<Shot>,
}

/// What happens at the lights before a frame.
pub enum Then {
    /// Somebody turns every light by this much.
    All(Stops),
    /// The suggested correction is carried out, but for one group perhaps.
    Follow {
        but: Option<&'static str>,
    },
    FollowOnly(&'static str),
    AskNext(&'static str),
    BeginSurvey,
}

impl Then {
    /// Whoever looks at the page may do it there: all lights are turned as asked.
    pub fn is_left_to_the_page(&self) -> bool {
        matches!(self, Then::Follow { but: None })
    }
}

/// One release of the shutter.
pub struct Shot {
    pub f_number: f64,
    /// Seconds after the sitting began.
    pub at: f64,
    pub quirk: Quirk,
}

pub enum Quirk {
    None,
    /// No flash fires.
    Misfire,
    /// The flashes had not recycled.
    Weak(Stops),
    /// Only this group is switched on.
    Only(&'static str),
}

/// Powers at the start, in stops from full.
pub fn first_powers() -> BTreeMap<GroupName, f64> {
    [("key", -1.0), ("fill", -3.0), ("rim", -2.0)].into_iter().map(|(g, p)| (g.into(), p)).collect()
}

fn light(group: &str) -> Light {
    match group {
        "key" => Light { from: [-0.8, 0.6, 0.9], strength: 1.5, on_backdrop: 0.18, softness: 0.35 },
        "fill" => Light { from: [0.5, 0.0, 1.0], strength: 1.3, on_backdrop: 0.35, softness: 0.9 },
        _ => Light { from: [1.0, 0.2, 0.1], strength: 5.0, on_backdrop: 0.004, softness: 0.1 },
    }
}

/// What little light the room has by itself.
const AMBIENT: Light = Light { from: [0.3, 0.5, 1.0], strength: 0.001, on_backdrop: 0.8, softness: 1.0 };

/// Takes one frame.
pub fn photograph(shot: &Shot, powers: &BTreeMap<GroupName, f64>, number: u64) -> io::Result<Vec<u8>> {
    let dip = |group: &str| match shot.quirk {
        Quirk::Misfire => -30.0,
        Quirk::Weak(by) => by.0,
        Quirk::Only(alone) if alone != group => -30.0,
        Quirk::None | Quirk::Only(_) => 0.0,
    };
    let flashes = powers.iter().map(|(group, power)| (light(group.as_str()), power + dip(group.as_str())));
    let lights: Vec<(Light, f64)> = flashes.chain([(AMBIENT, 0.0)]).collect();
    // Nobody sits still: each frame is a little different.
    let sway = number as f32;
    let pose = Pose {
        right: 0.004 * (sway * 1.7).sin(),
        up: 0.003 * (sway * 2.3).sin(),
        turn: 3.0 * (sway * 1.1).sin(),
        nearer: 0.0,
    };
    let scene = Scene { width: WIDTH, height: HEIGHT, pose };
    let unreadable = || io::Error::other("a setting of the story is wrong");
    let exposure = CameraSettings {
        f_number: FNumber::new(shot.f_number, None, Series::Thirds).ok_or_else(unreadable)?,
        time: ExposureTime::new(1.0 / 160.0, None, Series::Thirds).ok_or_else(unreadable)?,
        iso: IsoSpeed::new(100.0).ok_or_else(unreadable)?,
        at: clock(shot.at),
    };
    expose(&scene.render(&lights), WIDTH, HEIGHT, &exposure, QUALITY, number + 1)
}

fn clock(seconds: f64) -> DateTime {
    let start = date(2026, 3, 2).at(10, 0, 0, 0);
    start.saturating_add(jiff::SignedDuration::from_secs_f64(seconds))
}

/// The story, scene by scene.
pub fn story() -> Vec<Episode> {
    let shot = |f_number, at| Some(Shot { f_number, at, quirk: Quirk::None });
    let only = |group, at| Some(Shot { f_number: 14.0, at, quirk: Quirk::Only(group) });
    vec![
        Episode { caption: "The light is built: the first frame at f/14.", first: vec![], shot: shot(14.0, 0.0) },
        Episode { caption: "A second one, nothing changed: the light stands.", first: vec![], shot: shot(14.0, 20.0) },
        Episode {
            caption: "A light survey, so that each group can be read out of every frame. First no flash at all.",
            first: vec![Then::BeginSurvey],
            shot: Some(Shot { f_number: 14.0, at: 30.0, quirk: Quirk::Misfire }),
        },
        Episode { caption: "The key light alone.", first: vec![], shot: only("key", 34.0) },
        Episode { caption: "The fill lights alone.", first: vec![], shot: only("fill", 38.0) },
        Episode { caption: "The rim light alone.", first: vec![], shot: only("rim", 42.0) },
        Episode { caption: "And all together.", first: vec![], shot: shot(14.0, 46.0) },
        Episode {
            caption: "Less depth: the aperture opens to f/7.1, two stops. Nobody thinks of the lights.",
            first: vec![],
            shot: shot(7.1, 60.0),
        },
        Episode {
            caption: "The assistant sets what greyhold says.",
            first: vec![Then::Follow { but: None }],
            shot: shot(7.1, 90.0),
        },
        Episode {
            caption: "On to f/5.6. That is 2/3 of a stop, but the lights go down a whole one.",
            first: vec![Then::All(Stops(-1.0))],
            shot: shot(5.6, 150.0),
        },
        Episode {
            caption: "Corrected by what greyhold says.",
            first: vec![Then::Follow { but: None }],
            shot: shot(5.6, 180.0),
        },
        Episode {
            caption: "The trigger's battery is low: no flash fires.",
            first: vec![],
            shot: Some(Shot { f_number: 5.6, at: 200.0, quirk: Quirk::Misfire }),
        },
        Episode { caption: "Fine again.", first: vec![], shot: shot(5.6, 215.0) },
        Episode {
            caption: "A quick second frame, before the flashes have recycled.",
            first: vec![],
            shot: Some(Shot { f_number: 5.6, at: 215.6, quirk: Quirk::Weak(Stops(-0.9)) }),
        },
        Episode {
            caption: "Back to f/8. This time greyhold is asked before the frame, but the rim light is forgotten.",
            first: vec![Then::AskNext("f/8")],
            shot: None,
        },
        Episode {
            caption: "The frame with the rim light forgotten.",
            first: vec![Then::Follow { but: Some("rim") }],
            shot: shot(8.0, 300.0),
        },
        Episode { caption: "The rim light follows.", first: vec![Then::FollowOnly("rim")], shot: shot(8.0, 330.0) },
        Episode {
            caption: "Very little depth: f/2.8 is wanted. The fill lights come to the end of their range.",
            first: vec![Then::AskNext("f/2.8")],
            shot: None,
        },
    ]
}
