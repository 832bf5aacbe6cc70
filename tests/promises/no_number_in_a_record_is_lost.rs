//! Whatever pictures come, every record can be written, and comes back from its line as it was: no number in it is one that JSON
//! can't hold. Through the engine, on pictures that no camera should make.

use std::sync::{Arc, Mutex};

use greyhold::config::{Config, Curves};
use greyhold::container::Fingerprint;
use greyhold::frame::{Captured, Colour, Frame, Picture, Proxy, Settings};
use greyhold::intake::FileState;
use greyhold::meter::{Area, Spot};
use greyhold::session::{
    Begun, Body, Command, Engine, FrameInput, Input, Landed, Ledger, MeteringPlan, Published, Record, State, SurveyAsk,
};
use proptest::prelude::*;

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

struct NoDisk;

impl Ledger for NoDisk {
    fn append(&mut self, _: Vec<String>) -> bool {
        true
    }
}

/// What a picture shows.
#[derive(Debug, Clone, Copy)]
enum Shows {
    Black,
    Burnt,
    Grey(u8),
    /// Burnt out on the judged spot alone, else of one code.
    BurntCheek(u8),
    /// One half black, the other burnt out.
    Halves,
    Noise(u64),
    /// A slope of tones, times a factor in thirds of a stop.
    Slope(i32),
}

fn code(shows: Shows, (x, y): (usize, usize), (width, height): (usize, usize)) -> [u8; 3] {
    let in_cheek = (x * 100 / width, y * 100 / height);
    match shows {
        Shows::Black => [0; 3],
        Shows::Burnt => [255; 3],
        Shows::Grey(code) => [code; 3],
        Shows::BurntCheek(_) if (40..52).contains(&in_cheek.0) && (34..50).contains(&in_cheek.1) => [255; 3],
        Shows::BurntCheek(code) => [code; 3],
        Shows::Halves => [if x * 2 < width { 0 } else { 255 }; 3],
        Shows::Noise(seed) => {
            let mixed = (seed ^ ((y * width + x) as u64)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            [(mixed >> 24) as u8, (mixed >> 32) as u8, (mixed >> 40) as u8]
        }
        Shows::Slope(thirds) => {
            let light = 250.0 * (x + 1) as f64 / width as f64 * f64::exp2(f64::from(thirds) / 6.0);
            [light.min(255.0) as u8; 3]
        }
    }
}

#[derive(Debug, Clone)]
enum Step {
    Shoot {
        shows: Shows,
        size: (usize, usize),
        f_number: Option<f64>,
        seconds: Option<f64>,
        iso: Option<f64>,
    },
    Survey(SurveyAsk),
    /// One judged by this spot from here on.
    JudgeBy(&'static str),
}

fn shows() -> impl Strategy<Value = Shows> {
    prop_oneof![
        Just(Shows::Black),
        Just(Shows::Burnt),
        any::<u8>().prop_map(Shows::Grey),
        any::<u8>().prop_map(Shows::BurntCheek),
        Just(Shows::Halves),
        any::<u64>().prop_map(Shows::Noise),
        (-9..9).prop_map(Shows::Slope),
    ]
}

fn step() -> impl Strategy<Value = Step> {
    let size = prop_oneof![8 => Just((48, 32)), 1 => Just((1, 1)), 1 => Just((3, 200)), 1 => Just((32, 48))];
    let f_number = proptest::option::weighted(0.9, prop_oneof![Just(0.5), Just(8.0), Just(14.0), Just(256.0)]);
    let seconds =
        proptest::option::weighted(0.9, prop_oneof![Just(1e-6), Just(1.0 / 160.0), Just(0.1), Just(86_400.0)]);
    let iso = proptest::option::weighted(0.9, prop_oneof![Just(1.0), Just(100.0), Just(1e7)]);
    let shoot = (shows(), size, f_number, seconds, iso).prop_map(|(shows, size, f_number, seconds, iso)| Step::Shoot {
        shows,
        size,
        f_number,
        seconds,
        iso,
    });
    let ask = prop_oneof![Just(SurveyAsk::Start), Just(SurveyAsk::Skip), Just(SurveyAsk::Stop)];
    let spot = prop_oneof![Just("cheek"), Just("grey"), Just("whole"), Just("speck")];
    prop_oneof![12 => shoot, 2 => ask.prop_map(Step::Survey), 1 => spot.prop_map(Step::JudgeBy)]
}

/// A survey's frames in their order, all of them such as it takes: a slope by each light.
fn a_survey() -> Vec<Step> {
    let shoot = |shows, seconds| Step::Shoot {
        shows,
        size: (48, 32),
        f_number: Some(8.0),
        seconds: Some(seconds),
        iso: Some(100.0),
    };
    let of_lights =
        [Shows::Slope(-3), Shows::Slope(-6), Shows::Slope(-8), Shows::Slope(0)].map(|s| shoot(s, 1.0 / 160.0));
    let begin = [shoot(Shows::Slope(0), 1.0 / 160.0), Step::Survey(SurveyAsk::Start), shoot(Shows::Black, 0.1)];
    begin.into_iter().chain(of_lights).collect()
}

fn settings(step: &Step, shot: u64) -> Settings {
    let Step::Shoot { f_number, seconds, iso, .. } = step else { return Settings::default() };
    use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series};
    let at = jiff::civil::date(2026, 3, 2).at(10, 0, 0, 0) + jiff::SignedDuration::from_secs(20 * shot as i64);
    Settings {
        f_number: f_number.and_then(|n| FNumber::new(n, None, Series::Thirds)),
        exposure_time: seconds.and_then(|t| ExposureTime::new(t, None, Series::Thirds)),
        iso: iso.and_then(IsoSpeed::new),
        captured: Some(Captured { local: at, offset: None, sub_seconds: true }),
        orientation: 1,
        ..Settings::default()
    }
}

/// Goes through the steps; what was published.
fn published(steps: &[Step]) -> Vec<Published> {
    let mut config = Config::parse(RIG, "rig").unwrap();
    let speck = Area { left: 0.999, top: 0.999, right: 1.0, bottom: 1.0 };
    config.spots.push(Spot::even("speck", speck));
    config.judged_spot = "cheek".to_owned();
    let (metering, curves) = (MeteringPlan::of(&config), Arc::new(Curves::stock_only()));
    let heard: Arc<Mutex<Vec<Published>>> = Arc::default();
    let hear = heard.clone();
    let clock = || "2026-03-02T10:00:00Z".parse().unwrap();
    let publish = move |p: Published| hear.lock().unwrap().push(p);
    let mut engine = Engine::new(config.clone(), curves.clone(), State::default(), NoDisk, clock, publish);
    engine.open("test".to_owned(), "studio".to_owned());
    for (shot, step) in (1..).zip(steps) {
        match step {
            Step::Survey(what) => {
                engine.command(&Command::Survey { what: *what, groups: Vec::new() }, None);
            }
            Step::JudgeBy(spot) => {
                config.judged_spot = (*spot).to_owned();
                if let Begun::Deciding(undecided) = engine.configure(config.clone(), curves.clone()) {
                    engine.finish(undecided.decide());
                }
            }
            Step::Shoot { shows, size: (width, height), .. } => {
                let places = (0..height * width).map(|i| (i % width, i / width));
                let rgb = places.map(|at| code(*shows, at, (*width, *height))).collect();
                let proxy = Proxy { width: *width, height: *height, rgb };
                let picture = Picture { proxy, colour: Colour::of(None, None), linear: None };
                let frame =
                    Frame { settings: settings(step, shot), picture: Some(picture), notes: Vec::new(), embedded: None };
                let file = Landed {
                    name: format!("frame_{shot}.jpg"),
                    is_raw: false,
                    state: FileState { size: shot, modified_ns: 0, changed_ns: 0, inode: shot },
                    fingerprint: Fingerprint::Whole(shot),
                    found_at_start: false,
                    passed: false,
                };
                let outcome = Ok(metering.meter(frame));
                engine.take(Input::Frame(Box::new(FrameInput { file, outcome })));
            }
        }
    }
    let mut heard = heard.lock().unwrap();
    std::mem::take(&mut heard)
}

/// Each comes back as it was, and the screens can be told of it.
fn assert_whole(steps: &[Step], published: &[Published]) {
    for told in published {
        let back = Record::from_line(&told.line).unwrap_or_else(|e| panic!("{e}: {}", told.line));
        assert_eq!(back, told.record);
        assert_eq!(back.to_line().unwrap(), told.line);
        if let Body::Warning { text } = &back.body {
            let is_known = text.starts_with("room light") || text.contains("nothing to go by");
            assert!(is_known, "nothing is lost: {text}");
        }
    }
    let frames = published.iter().filter(|p| matches!(p.record.body, Body::Frame(_))).count();
    assert_eq!(frames, steps.iter().filter(|s| matches!(s, Step::Shoot { .. })).count(), "every frame is logged");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn whatever_is_photographed(steps in proptest::collection::vec(step(), 1..14)) {
        assert_whole(&steps, &published(&steps));
    }

    #[test]
    fn whatever_is_photographed_after_a_survey(steps in proptest::collection::vec(step(), 1..8)) {
        let steps: Vec<Step> = a_survey().into_iter().chain(steps).collect();
        assert_whole(&steps, &published(&steps));
    }
}
