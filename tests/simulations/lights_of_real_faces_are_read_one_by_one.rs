//! With a survey, what each light did is read out of frames of real faces that walk about, turn their heads and leave the frame in part;
//! and no number that was chosen for it hangs by a thread.
//!
//! CHECK: `.ci/strobe-sittings --surveyed` makes the sittings, of the same collections of real single lights as `strobe_sittings`: what
//! each light did is known.

use std::fmt;
use std::path::Path;
use std::sync::OnceLock;

use greyhold::align::{Overlay, Prepared};
use greyhold::drift::{Lighting, expected};
use greyhold::meter::LightMap;
use greyhold::photometry::Stops;
use greyhold::response::Response;
use greyhold::rig::solve::{Before, Fitted, SourceChange, SourcePrior, Sources, TUNED, Tuned};
use greyhold::rig::{Firing, GroupName, Lights, Survey, SurveyFrame};
use greyhold::session::MeteredFrame;
use serde_json::Value;

use crate::strobe_sittings::{curve_of, folders, metered, truth_of};

/// A claim is right within half a click of the usual dial; a light is off beyond the usual tolerance.
const CLICK: f64 = 1.0 / 6.0;
const VISIBLY: f64 = 0.15;

/// A frame that lights were fitted to, with what truly happened.
struct Shot {
    name: String,
    kind: String,
    pose: String,
    /// Of each light, in the order of the fit's sources; `None` for one that was out.
    truth: Vec<Option<f64>>,
    fitted: Fitted,
    expected: Vec<Stops>,
    priors: Vec<SourcePrior>,
}

impl Shot {
    fn read(&self, tuned: &Tuned) -> Told {
        // What such sitters' frames were seen to leave over.
        let usual = Stops(if self.pose == "turned" { 0.08 } else { 0.03 });
        let before = Before { expected: &self.expected, priors: &self.priors, soon: false, usual };
        let reading = self.fitted.read(&before, tuned);
        let changes = match &reading.sources {
            Sources::Changes(changes) => changes[..self.truth.len()].to_vec(),
            _ => vec![SourceChange::NotSettled; self.truth.len()],
        };
        let is_right = |(change, truth): (&SourceChange, &Option<f64>)| match (change, truth) {
            (SourceChange::Changed { change, .. }, Some(truth)) => Some((change.0 - truth).abs() <= CLICK),
            (SourceChange::NotFired, truth) => Some(truth.is_none()),
            (SourceChange::Changed { .. }, None) => Some(false),
            (SourceChange::NotSettled, _) => None,
        };
        Told {
            claims: changes.iter().zip(&self.truth).filter_map(is_right).collect(),
            lights: self.truth.len(),
            something_new: matches!(reading.sources, Sources::Residue { .. }),
            changed: changes.iter().any(|change| match change {
                SourceChange::Changed { change, .. } => change.abs() > Stops(VISIBLY),
                SourceChange::NotFired => true,
                SourceChange::NotSettled => false,
            }),
        }
    }
}

/// What was told of a frame.
struct Told {
    /// Of each claim, whether it is right.
    claims: Vec<bool>,
    lights: usize,
    something_new: bool,
    /// A light was claimed to have changed visibly.
    changed: bool,
}

impl Told {
    fn is_whole_and_right(&self) -> bool {
        self.claims.len() == self.lights && self.claims.iter().all(|right| *right)
    }
}

/// All frames of the sittings that CI makes, or that `GREYHOLD_SURVEYED` names the folder of.
fn shots() -> Option<&'static [Shot]> {
    static SHOTS: OnceLock<Option<Vec<Shot>>> = OnceLock::new();
    let read = || Some(folders("GREYHOLD_SURVEYED", "surveyed")?.iter().flat_map(|folder| sitting(folder)).collect());
    SHOTS.get_or_init(read).as_deref()
}

fn sitting(folder: &Path) -> Vec<Shot> {
    let truth = truth_of(folder);
    let response = Response::of_table("true", curve_of(&truth));
    let reference = metered(&folder.join("reference.jpg"));
    let laid =
        Laid { over: Prepared::of(reference.picture.as_ref().unwrap()), shaped: reference.light.clone().unwrap() };
    let steps: Vec<(&String, f64)> =
        truth["steps"].as_object().unwrap().iter().map(|(name, step)| (name, step.as_f64().unwrap())).collect();
    let lights =
        survey(folder, steps.iter().map(|(name, _)| name.as_str()), &reference, &laid).lights(&response).unwrap();
    let shot = |told: &Value| {
        let file = told["file"].as_str().unwrap();
        let frame = metered(&folder.join(file));
        let (expected, priors) = before(&lights, &frame, &steps);
        let stops = |names: &Vec<GroupName>| of_tied(names, &told["stops"]);
        Shot {
            name: format!("{}/{file}", folder.file_name().unwrap().display()),
            kind: told["kind"].as_str().unwrap().to_owned(),
            pose: told["move"].as_str().unwrap().to_owned(),
            truth: lights.names.iter().map(stops).collect(),
            fitted: Fitted::of(&lights.basis, &expected, &laid.light_of(&frame), &response),
            expected,
            priors,
        }
    };
    truth["frames"].as_array().unwrap().iter().map(shot).collect()
}

/// The picture that all frames of a sitting are laid over, and a map of its shape.
struct Laid {
    over: Prepared,
    shaped: LightMap,
}

impl Laid {
    fn light_of(&self, frame: &MeteredFrame) -> LightMap {
        let light = frame.light.as_ref().unwrap();
        let overlay = Overlay::of(&self.over, &Prepared::of(frame.picture.as_ref().unwrap()));
        overlay.alignment().map_or_else(|| light.clone(), |alignment| light.laid_over(alignment, &self.shaped))
    }
}

fn survey<'a>(folder: &Path, names: impl Iterator<Item = &'a str>, all: &MeteredFrame, laid: &Laid) -> Survey {
    let frame = |firing: Firing, frame: &MeteredFrame| SurveyFrame {
        firing,
        settings: frame.observation.settings.clone(),
        light: laid.light_of(frame),
        laid_over: None,
        frame: None,
    };
    let groups: Vec<GroupName> = names.map(GroupName::from).collect();
    let mut survey = Survey::of(&groups, &groups);
    survey.taken.push(frame(Firing::Nothing, &metered(&folder.join("dark.jpg"))));
    for group in groups {
        let single = metered(&folder.join(format!("{group}.jpg")));
        survey.taken.push(frame(Firing::Only(group), &single));
    }
    survey.taken.push(frame(Firing::Everything, all));
    survey
}

/// What is known before a frame: nobody was asked for anything.
fn before(lights: &Lights, frame: &MeteredFrame, steps: &[(&String, f64)]) -> (Vec<Stops>, Vec<SourcePrior>) {
    let by = |lighting| expected(&lights.settings, &frame.observation.settings, lighting).unwrap();
    let prior = |is_flash, step| SourcePrior { is_flash, step, asked: None, told: None, denied: None };
    let step_of = |names: &Vec<GroupName>| match names.as_slice() {
        [one] => steps.iter().find(|(name, _)| *name == one.as_str()).unwrap().1,
        _ => 0.1,
    };
    let mut expected: Vec<Stops> = lights.names.iter().map(|_| by(Lighting::Flash)).collect();
    let mut priors: Vec<SourcePrior> = lights.names.iter().map(|names| prior(true, Stops(step_of(names)))).collect();
    expected.push(by(Lighting::Continuous));
    priors.push(prior(false, Stops(0.25)));
    (expected, priors)
}

/// What became of the light of tied lights. Where they differ, no claim on them together is right.
fn of_tied(names: &[GroupName], stops: &Value) -> Option<f64> {
    let first = stops[names[0].as_str()].as_f64();
    if names.iter().all(|name| stops[name.as_str()].as_f64() == first) { first } else { Some(f64::NAN) }
}

/// What must hold, as shares of frames or claims.
struct Shares {
    claims_right: [usize; 2],
    claimed: [usize; 2],
    unchanged_told: [usize; 2],
    /// Every light claimed, and rightly.
    whole: [usize; 2],
    reflectors_told: [usize; 2],
    reflectors_claimed: [usize; 2],
}

impl Shares {
    fn of<'a>(shots: impl Iterator<Item = &'a Shot>, tuned: &Tuned) -> Shares {
        let none = [0, 0];
        let mut sums = Shares {
            claims_right: none,
            claimed: none,
            unchanged_told: none,
            whole: none,
            reflectors_told: none,
            reflectors_claimed: none,
        };
        let add = |sum: &mut [usize; 2], part: usize, of: usize| *sum = [sum[0] + part, sum[1] + of];
        for shot in shots {
            let told = shot.read(tuned);
            if shot.kind == "reflector" {
                add(&mut sums.reflectors_told, told.something_new.into(), 1);
                add(&mut sums.reflectors_claimed, told.changed.into(), 1);
                continue;
            }
            let right = told.claims.iter().filter(|right| **right).count();
            add(&mut sums.claims_right, right, told.claims.len());
            add(&mut sums.claimed, told.claims.len(), told.lights);
            add(&mut sums.whole, told.is_whole_and_right().into(), 1);
            if shot.kind == "unchanged" {
                add(&mut sums.unchanged_told, (told.something_new || told.changed).into(), 1);
            }
            if std::env::var_os("GREYHOLD_SHOW_WRONG").is_some() && right < told.claims.len() {
                println!("{} {} {}: {:?}, truly {:?}", shot.name, shot.kind, shot.pose, told.claims, shot.truth);
            }
        }
        sums
    }

    fn all(&self) -> [[usize; 2]; 6] {
        let Shares { claims_right, claimed, unchanged_told, whole, reflectors_told, reflectors_claimed } = self;
        [*claims_right, *claimed, *whole, *unchanged_told, *reflectors_told, *reflectors_claimed]
    }
}

const HEADINGS: &str = "claims right | lights claimed | all right | unchanged told | reflector told | light for it";

impl fmt::Display for Shares {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let cells = self.all().map(|[part, of]| match of {
            0 => "-".to_owned(),
            _ => format!("{:.1} % of {of}", share([part, of]) * 100.0),
        });
        write!(f, "{}", cells.join(" | "))
    }
}

fn share([part, of]: [usize; 2]) -> f64 {
    part as f64 / of.max(1) as f64
}

/// Those of which it isn't so.
fn rest([part, of]: [usize; 2]) -> [usize; 2] {
    [of - part, of]
}

#[test]
fn who_walks_or_turns_the_head_is_read_light_by_light() {
    let Some(shots) = shots() else { return };
    println!("| sitters | {HEADINGS} |");
    let poses = [("walk", "who walk"), ("turned", "whose heads turn"), ("aside", "who leave their place")];
    let by_pose = poses.map(|(pose, what)| {
        let shares = Shares::of(shots.iter().filter(|shot| shot.pose == pose), &TUNED);
        println!("| {what} | {shares} |");
        ((pose, what), shares)
    });
    for ((pose, what), shares) in by_pose {
        // Of who leaves the place, less is seen, and what is uncovered looks new.
        let [claimed, told] = match pose {
            "walk" => [0.8, 0.01],
            "turned" => [0.75, 0.03],
            _ => [0.65, 0.15],
        };
        let least = |[part, of]: [usize; 2], least, of_what: &str| {
            crate::assert_share(part, of, least, &format!("{of_what}, of sitters {what}"));
        };
        least(shares.claims_right, 0.98, "claims that are right");
        least(shares.claimed, claimed, "lights claimed");
        least(rest(shares.unchanged_told), 1.0 - told, "unchanged light told as unchanged");
    }
    let all = Shares::of(shots.iter(), &TUNED);
    crate::assert_share(all.reflectors_told[0], all.reflectors_told[1], 0.5, "reflectors told as something new");
    let [unclaimed, of] = rest(all.reflectors_claimed);
    crate::assert_share(unclaimed, of, 0.92, "reflectors for which no light is claimed to have changed");
}

/// The numbers that were chosen, by name, and each of them times something.
type Moving = (&'static str, fn(&mut Tuned, f64));

const MOVING: [Moving; 11] = [
    ("doubt", |tuned, times| tuned.doubt *= times),
    ("seen", |tuned, times| tuned.seen *= times),
    ("alike", |tuned, times| tuned.alike *= times),
    ("far_turns", |tuned, times| tuned.far_turns *= times),
    ("shapes", |tuned, times| tuned.shapes *= times),
    ("least_part", |tuned, times| tuned.least_part *= times),
    ("least_part_alone", |tuned, times| tuned.least_part_alone *= times),
    ("unexplained", |tuned, times| tuned.unexplained *= times),
    ("left_over", |tuned, times| tuned.left_over *= times),
    ("left_over_in_doubt", |tuned, times| tuned.left_over_in_doubt *= times),
    ("risen", |tuned, times| tuned.risen *= times),
];

#[test]
fn a_fifth_more_or_less_of_what_was_chosen_changes_little() {
    let Some(shots) = shots() else { return };
    let now = Shares::of(shots.iter(), &TUNED);
    println!("| number | times | {HEADINGS} |");
    println!("| as chosen | | {now} |");
    for (name, change) in MOVING {
        for times in [0.8, 1.2] {
            let mut tuned = TUNED;
            change(&mut tuned, times);
            let moved = Shares::of(shots.iter(), &tuned);
            println!("| {name} | {times} | {moved} |");
            assert!(share(moved.claims_right) >= 0.97, "{name} times {times}: claims are wrong");
            for (column, (now, moved)) in now.all().into_iter().zip(moved.all()).enumerate() {
                let by = (share(now) - share(moved)).abs();
                // What is wrong, and what is told of nothing, may hardly move.
                let most = [0.02, 0.15, 0.15, 0.03, 0.1, 0.1][column];
                assert!(by <= most, "{name} times {times}: column {} moves by {by:.3}", column + 1);
            }
        }
    }
}
