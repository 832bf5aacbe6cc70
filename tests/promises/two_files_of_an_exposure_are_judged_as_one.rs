//! A raw file beside its picture: one exposure, judged from what was known before its first file. The second file never
//! takes the first one's conclusions for its past, in either order of landing, with and without a survey.

use crate::harness::random::Random;
use crate::harness::sittings::{Rig, Sitting, Take, calibrated_curves, config};
use greyhold::advice::Finding;
use greyhold::numbers::{FrameNumber, RecordNumber};
use greyhold::session::{Body, Command, How, Judgement, Record, State};

/// Powers of all lamps, in stops from the reference's.
type Powers = [f64; 3];

/// A photographer who shoots raw files and pictures.
struct Pairs {
    sitting: Sitting,
    rig: Rig,
    random: Random,
    shots: u64,
}

/// Which file lands first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum First {
    Picture,
    Raw,
}

impl Pairs {
    fn new() -> Pairs {
        let rig = Rig::portrait();
        let sitting = Sitting::on(&config(&rig), &calibrated_curves(), State::default(), 0);
        Pairs { sitting, rig, random: Random(5), shots: 100 }
    }

    /// Takes a frame, both of whose files land; what is made of it first, and in the end.
    fn shoot(&mut self, f_number: f64, powers: Powers, first: First) -> (Judgement, Judgement) {
        self.shots += 1;
        let at = 20.0 * self.shots as f64;
        let take = Take { f_number, at, powers: powers.to_vec(), ..Take::at_reference(&self.rig, self.shots) };
        // Both files are of one flash.
        let raw = take.raw(&self.rig, &mut Random(self.random.0));
        let picture = take.shoot(&self.rig, &mut self.random);
        let name = format!("pair_{}", self.shots);
        let (jpg, dng) = (format!("{name}.jpg"), format!("{name}.dng"));
        let files = match first {
            First::Picture => [(jpg, false, picture), (dng, true, raw)],
            First::Raw => [(dng, true, raw), (jpg, false, picture)],
        };
        let [one, two] = files.map(|(name, is_raw, picture)| self.sitting.land(&name, is_raw, &take, picture));
        let first = judgements(&one).pop().unwrap();
        let last = judgements(&two).pop().unwrap_or_else(|| first.clone());
        (first, last)
    }
}

fn judgements(records: &[Record]) -> Vec<Judgement> {
    let judged = records.iter().filter_map(|record| match &record.body {
        Body::Judged(judgement) => Some((**judgement).clone()),
        _ => None,
    });
    judged.collect()
}

/// A third less light at the wider aperture is no flash that was caught charging: the frame before was twenty seconds ago,
/// and the second file of an exposure is not a frame that follows the first.
#[test]
fn the_second_file_is_not_a_frame_right_after_the_first() {
    for first in [First::Picture, First::Raw] {
        for down in [-1.0 / 3.0, -2.0 / 3.0, -1.0] {
            let mut pairs = Pairs::new();
            pairs.shoot(14.0, [0.0; 3], first);
            let (one, last) = pairs.shoot(7.1, [down; 3], first);
            for judgement in [&one, &last] {
                let finding = judgement.verdict.finding;
                assert!(!matches!(finding, Finding::Recycle | Finding::GroupWeak), "{first:?}, {down}: {finding:?}");
            }
            let drift = last.verdict.drift.unwrap().0;
            assert!((drift - (2.0 + down)).abs() < 0.15, "{first:?}, {down}: {drift}");
            assert!(last.correction.is_some(), "{first:?}, {down}: {last:?}");
        }
    }
}

/// Nobody has touched a light since the correction was asked for: the other file of the very frame that asked for it can't
/// have seen it carried out.
#[test]
fn no_file_takes_the_correction_of_its_own_exposure_for_carried_out() {
    for surveyed in [false, true] {
        for first in [First::Picture, First::Raw] {
            let mut pairs = Pairs::new();
            if surveyed {
                pairs.sitting.survey(&pairs.rig.clone(), &mut pairs.random);
            } else {
                pairs.shoot(14.0, [0.0; 3], first);
            }
            for fill in [-2.0 / 3.0, -1.0] {
                let (one, last) = pairs.shoot(14.0, [0.0, fill, 0.0], first);
                let what = format!("survey {surveyed}, {first:?}, fill {fill}");
                let own: Vec<RecordNumber> = pairs.own_corrections(one.frame);
                for judgement in [&one, &last] {
                    let ended = judgement.ended.as_ref().filter(|e| own.contains(&e.correction));
                    assert!(ended.is_none_or(|e| e.how != How::Observed), "{what}: {judgement:?}");
                }
                pairs.shoot(14.0, [0.0; 3], first);
            }
        }
    }
}

impl Pairs {
    /// Numbers of the corrections that a frame asked for.
    fn own_corrections(&self, frame: FrameNumber) -> Vec<RecordNumber> {
        let asked = self.sitting.records().into_iter().filter_map(|record| match record.body {
            Body::Judged(judgement) if judgement.frame == frame => {
                judgement.correction.as_ref().map(|asked| asked.number(record.n))
            }
            _ => None,
        });
        asked.collect()
    }
}

/// The raw file tells the level best, the survey's kind of file tells the lights apart: both serve one verdict.
#[test]
fn a_raw_file_keeps_what_the_survey_says_of_the_lights() {
    for first in [First::Picture, First::Raw] {
        let mut pairs = Pairs::new();
        // The survey is of pictures.
        pairs.sitting.survey(&pairs.rig.clone(), &mut pairs.random);
        pairs.shoot(14.0, [0.0, -1.0, 0.0], first);
        let (_, last) = pairs.shoot(14.0, [0.0, -1.0, 0.0], first);
        let verdict = &last.verdict;
        assert_eq!(verdict.finding, Finding::GroupChanged, "{first:?}: {}", verdict.sentence);
        assert_eq!(verdict.groups.len(), 3, "{first:?}: {verdict:?}");
        let asked = last.correction.as_ref().unwrap();
        let turned: Vec<(&str, i32)> =
            asked.correction.dial_changes.iter().map(|t| (t.group.as_str(), t.clicks)).collect();
        assert_eq!(turned, [("key", 0), ("fill", 3), ("rim", 0)], "{first:?}");
        let open = pairs.sitting.state().sitting.setup.open.unwrap();
        assert_eq!(open.correction.dial_changes, asked.correction.dial_changes);
    }
}

/// What the picture deduced is no witness for the raw file: both are of one exposure, and the interval is that of the
/// better of them, not of the two together.
#[test]
fn two_files_of_one_exposure_are_one_witness() {
    let interval = |first: First| {
        let mut pairs = Pairs::new();
        pairs.shoot(14.0, [0.0; 3], first);
        let (_, last) = pairs.shoot(14.0, [-1.0; 3], first);
        assert_eq!(last.verdict.finding, Finding::LightsChanged, "{first:?}: {last:?}");
        (last.verdict.evidence_used, last.verdict.uncertainty, last.verdict.observed_uncertainty)
    };
    let (evidence_used, stated, own) = interval(First::Picture);
    assert_eq!((evidence_used, stated), (Some(greyhold::drift::EvidenceUsed::Light), own));
    assert_eq!(interval(First::Raw), (evidence_used, stated, own));
}

/// A raw file that lands late, after the next exposure and words on lights: what people told stands, and the later exposure
/// rests on the earlier one's better judgement.
#[test]
fn a_late_raw_file_is_judged_in_its_place_and_what_was_told_stands() {
    let mut pairs = Pairs::new();
    pairs.shoot(14.0, [0.0; 3], First::Picture);
    let rig = pairs.rig.clone();
    let shot = |n: u64, f_number: f64, stops: f64| Take {
        f_number,
        at: 2000.0 + 20.0 * n as f64,
        powers: vec![stops; 3],
        ..Take::at_reference(&rig, n)
    };
    let late = shot(1, 7.1, 0.0);
    let raw = late.raw(&rig, &mut Random(pairs.random.0));
    let picture = late.shoot(&rig, &mut pairs.random);
    pairs.sitting.land("late.jpg", false, &late, picture);
    pairs.sitting.tell(&Command::Confirm { group: Some("key".into()), correction: None });
    let told = pairs.sitting.state().sitting.setup.position(&"key".into()).unwrap().power();
    let next = shot(2, 7.1, -2.0);
    let picture = next.shoot(&rig, &mut pairs.random);
    let (frame, after) = {
        let records = pairs.sitting.land("next.jpg", false, &next, picture);
        (judgements(&records).pop().unwrap().frame, pairs.sitting.state().sitting.setup.clone())
    };
    pairs.sitting.land("late.dng", true, &late, raw);
    let state = pairs.sitting.state();
    let setup = &state.sitting.setup;
    assert_eq!(setup.position(&"key".into()).unwrap().power(), told, "what was told stands");
    assert_eq!(setup.last.as_ref().unwrap().frame, frame, "the later exposure is the last");
    assert_eq!(setup.open.is_some(), after.open.is_some());
    let judged = state.sitting.exposures.find(FrameNumber::new(frame.get() - 1)).unwrap().judged.as_ref().unwrap();
    assert!(judged.1.supersedes.is_some(), "the earlier exposure is judged anew: {:?}", judged.1);
    assert_eq!(judged.1.verdict.response.as_deref(), Some("raw"));
}
