//! Sittings of known light for simulations: random rigs, sitters who move, a camera with a fitted curve.
//!
//! Invented data, from the demo's renderer: it stands for no real studio.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex};

use greyhold::advice::FirstReference;
use greyhold::align::{CodePicture, PictureId};
use greyhold::calibration::{SeriesFrame, calibrate};
use greyhold::config::{Calibrated, Config, Curves, Made};
use greyhold::container::Fingerprint;
use greyhold::drift::Lighting;
use greyhold::frame::{Captured, Colour, ColourTag, Frame, Picture, Proxy, RawParts, Settings};
use greyhold::intake::FileState;
use greyhold::meter::{Spot, meter};
use greyhold::photometry::{Dial, ExposureTime, FNumber, IsoSpeed, PowerSetting, Scale, Series, Step, Stops};
use greyhold::rig::{LightFacts, LightGroup, Role};
use greyhold::session::{
    AwaitedLight, Body, Command, Engine, FrameInput, Input, Landed, Ledger, LightInput, MeteringPlan, PictureKeeping,
    Record, State, SurveyAsk, SurveyStep, awaited_lights, raw_parts,
};
use greyhold::studio::{CameraSettings, Light, Pose, Scene, codes, with_exif};
use jiff::civil::date;

use super::random::Random;

pub const SIZE: (u32, u32) = (480, 320);

/// One group of lights as the studio has it.
#[derive(Debug, Clone)]
pub struct Lamp {
    pub name: &'static str,
    pub light: Light,
    /// A reflector that throws its light back, at this share of its strength.
    pub reflector: Option<Light>,
    pub step: f64,
}

#[derive(Debug, Clone)]
pub struct Rig {
    pub lamps: Vec<Lamp>,
    pub ambient: Light,
}

fn light(from: [f64; 3], strength: f64, on_backdrop: f64, softness: f64) -> Light {
    Light {
        from: from.map(|v| v as f32),
        strength: strength as f32,
        on_backdrop: on_backdrop as f32,
        softness: softness as f32,
    }
}

impl Rig {
    /// Key, fill and rim, in a room with little light of its own.
    pub fn portrait() -> Rig {
        let lamp = |name, light| Lamp { name, light, reflector: None, step: 1.0 / 3.0 };
        Rig {
            lamps: vec![
                lamp("key", light([-0.8, 0.6, 0.9], 1.2, 0.18, 0.35)),
                lamp("fill", light([0.5, 0.0, 1.0], 0.35, 0.35, 0.9)),
                lamp("rim", light([1.0, 0.2, 0.1], 1.8, 0.004, 0.1)),
            ],
            ambient: light([0.2, 0.4, 1.0], 0.006, 0.8, 1.0),
        }
    }

    /// A rig of `count` groups, as a portrait is lit.
    pub fn random(count: usize, random: &mut Random) -> Rig {
        let side = random.pick(&[-1.0, 1.0]);
        let key = random.between(0.9, 1.5);
        let dial = |random: &mut Random| random.pick(&[1.0 / 3.0, 0.1]);
        let from = [side * random.between(0.4, 1.0), random.between(0.3, 0.9), random.between(0.7, 1.1)];
        let key_light = light(from, key, random.between(0.05, 0.3), random.between(0.2, 0.6));
        // Reflectors stand at the dark side, where no light does, or lie under the chin (common practice, no source).
        let rim_comes = count > 2;
        let reflector = (random.next() < 0.5).then(|| {
            let at_side = random.next() < 0.5 && !rim_comes;
            let from = if at_side {
                [-side, random.between(-0.3, 0.1), random.between(0.0, 0.3)]
            } else {
                [random.between(-0.2, 0.2), -1.0, random.between(0.1, 0.4)]
            };
            light(from, key * random.between(0.25, 0.6), 0.0, 0.25)
        });
        let mut lamps = vec![Lamp { name: "key", light: key_light, reflector, step: dial(random) }];
        let mut others = vec!["fill", "rim", "background", "hair", "kicker"];
        // The first two are in most rigs, the others come after them.
        if random.next() < 0.4 {
            others.swap(0, 1);
        }
        for name in others.into_iter().take(count - 1) {
            let made = match name {
                "fill" => {
                    let from = [-side * random.between(0.2, 0.8), random.between(-0.1, 0.3), 1.0];
                    let strength = key * (-random.between(1.0, 3.0)).exp2();
                    light(from, strength, random.between(0.1, 0.4), random.between(0.6, 1.0))
                }
                "rim" => {
                    let from = [-side, random.between(0.0, 0.5), random.between(-0.1, 0.3)];
                    let strength = key * random.between(0.0, 1.5).exp2();
                    light(from, strength, random.between(0.0, 0.02), random.between(0.05, 0.2))
                }
                "background" => light([0.0, 0.0, -1.0], random.between(0.4, 1.6), 1.0, 0.0),
                "hair" => light([0.1 * side, 1.0, 0.0], key * random.between(0.0, 1.0).exp2(), 0.01, 0.1),
                _ => light([side, -0.2, 0.0], key * random.between(-0.5, 0.7).exp2(), 0.01, 0.1),
            };
            lamps.push(Lamp { name, light: made, reflector: None, step: dial(random) });
        }
        let ambient = light([0.2, 0.4, 1.0], key * random.between(0.003, 0.03), 0.8, 1.0);
        Rig { lamps, ambient }
    }
}

impl Rig {
    /// Whether a reflector gives enough that anybody would see it go: 0.15 stop in three parts of a hundred.
    pub fn reflector_matters(&self) -> bool {
        let scene = Scene { width: 48, height: 32, pose: Pose::default() };
        let all = |reflectors: bool| {
            let lights = self.lamps.iter().flat_map(|l| [Some(l.light), l.reflector.filter(|_| reflectors)]);
            scene.render(&lights.flatten().chain([self.ambient]).map(|l| (l, 0.0)).collect::<Vec<_>>())
        };
        let lost =
            all(true).iter().zip(all(false)).filter(|(with, without)| (with[1] / without[1]).log2() > 0.15).count();
        lost * 100 > 3 * 48 * 32
    }
}

/// Everything that one frame is taken under.
#[derive(Debug, Clone)]
pub struct Take {
    /// Power of each lamp in stops from the reference's; minus infinity when it does not fire.
    pub powers: Vec<f64>,
    /// Ambient light, in stops from the reference's.
    pub ambient: f64,
    pub reflector: bool,
    /// Red over green light, in stops from the reference's.
    pub warmer: f64,
    pub pose: Pose,
    pub f_number: f64,
    pub iso: f64,
    pub seconds: f64,
    /// Seconds after the sitting began.
    pub at: f64,
    /// Rows from the top that the shutter covered when the flash fired.
    pub covered: usize,
    pub seed: u64,
}

pub const F_NUMBER: f64 = 14.0;
pub const SECONDS: f64 = 1.0 / 160.0;

impl Take {
    pub fn at_reference(rig: &Rig, seed: u64) -> Take {
        Take {
            powers: vec![0.0; rig.lamps.len()],
            ambient: 0.0,
            reflector: true,
            warmer: 0.0,
            pose: Pose::default(),
            f_number: F_NUMBER,
            iso: 100.0,
            seconds: SECONDS,
            at: 0.0,
            covered: 0,
            seed,
        }
    }

    pub fn exposure(&self) -> CameraSettings {
        CameraSettings {
            f_number: FNumber::new(self.f_number, None, Series::Thirds).unwrap(),
            time: ExposureTime::new(self.seconds, None, Series::Thirds).unwrap(),
            iso: IsoSpeed::new(self.iso).unwrap(),
            at: date(2026, 3, 2).at(10, 0, 0, 0) + jiff::SignedDuration::from_secs_f64(self.at),
        }
    }

    pub fn settings(&self) -> Settings {
        let exposure = self.exposure();
        Settings {
            f_number: Some(exposure.f_number),
            exposure_time: Some(exposure.time),
            iso: Some(exposure.iso),
            camera: Some("a made-up camera".to_owned()),
            captured: Some(Captured { local: exposure.at, offset: None, sub_seconds: true }),
            orientation: 1,
            ..Settings::default()
        }
    }

    /// Takes the frame. Flashes and diaphragms repeat to about a fiftieth of a stop (common practice, no source).
    pub fn shoot(&self, rig: &Rig, random: &mut Random) -> Picture {
        picture(self.codes(rig, random))
    }

    /// The same as a camera's file.
    pub fn jpeg(&self, rig: &Rig, random: &mut Random) -> Vec<u8> {
        with_exif(&self.codes(rig, random).concat(), SIZE.0, SIZE.1, &self.exposure(), 92).unwrap()
    }

    /// The raw file of the same frame: its linear light. A sensor leaves room above what a picture shows.
    pub fn raw(&self, rig: &Rig, random: &mut Random) -> Picture {
        let gain = (2.0 * (F_NUMBER / self.f_number).log2() + (self.iso / 100.0).log2() - 1.5).exp2() as f32;
        let light = self.light(rig, random);
        let luminance = |[r, g, b]: &[f32; 3]| (0.2126 * r + 0.7152 * g + 0.0722 * b) * gain;
        let linear = light.iter().map(|pixel| luminance(pixel).min(1.0)).collect();
        Picture { linear: Some(linear), ..picture(codes(&light, &self.exposure(), self.seed)) }
    }

    fn codes(&self, rig: &Rig, random: &mut Random) -> Vec<[u8; 3]> {
        codes(&self.light(rig, random), &self.exposure(), self.seed)
    }

    fn light(&self, rig: &Rig, random: &mut Random) -> Vec<[f32; 3]> {
        let mut flashes = Vec::new();
        for (lamp, power) in rig.lamps.iter().zip(&self.powers) {
            let power = power + 0.015 * random.normal();
            flashes.push((lamp.light, power));
            flashes.extend(lamp.reflector.filter(|_| self.reflector).map(|r| (r, power)));
        }
        let scene = Scene { width: SIZE.0, height: SIZE.1, pose: self.pose };
        let longer = (self.seconds / SECONDS).log2();
        let mut light = scene.render(&flashes);
        light[..self.covered * SIZE.0 as usize].fill([0.0; 3]);
        for (all, ambient) in light.iter_mut().zip(scene.render(&[(rig.ambient, self.ambient + longer)])) {
            for channel in 0..3 {
                all[channel] += ambient[channel];
            }
        }
        let red = self.warmer.exp2() as f32;
        light.iter_mut().for_each(|pixel| pixel[0] *= red);
        light
    }
}

fn picture(rgb: Vec<[u8; 3]>) -> Picture {
    let (width, height) = (SIZE.0 as usize, SIZE.1 as usize);
    Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, Some(ColourTag::Srgb)), linear: None }
}

/// The camera's curve from nine frames of one still scene, as by `greyhold calibrate`, kept in a folder.
pub fn calibrate_into(folder: &Path) {
    let mut random = Random(77);
    let rig = Rig::random(2, &mut random);
    let frames: Vec<SeriesFrame> = (0..9)
        .map(|i| {
            let f_number = [5.6, 7.1, 9.0, 11.0, 14.0, 18.0, 22.0, 29.0, 36.0][i];
            let take = Take { f_number, seed: 900 + i as u64, ..Take::at_reference(&rig, 0) };
            let picture = take.shoot(&rig, &mut random);
            SeriesFrame {
                file: format!("bracket_{i}.jpg"),
                settings: take.settings(),
                exposure: None,
                codes: Arc::new(CodePicture::of(&picture)),
                is_raw: false,
                metered: meter(&picture, &Spot::ready()),
            }
        })
        .collect();
    let found = calibrate(&frames, &Curves::stock_only().prior("sRGB"), Lighting::Flash).unwrap();
    let made = Made {
        program: "test".to_owned(),
        at: "2026-03-02".to_owned(),
        frames: frames.len(),
        residual: found.luminance.residual,
        scatter: found.luminance.scatter,
    };
    let [red, green, blue] = found.channels.clone();
    let camera = frames[0].settings.camera.clone().unwrap();
    let curve = Calibrated::new(
        camera,
        frames[0].metered.colour.clone(),
        "standard".to_owned(),
        made,
        [found.luminance.curve, red, green, blue],
    );
    curve.write(&curve.file_in(folder)).unwrap();
}

/// The curves of a studio whose camera was calibrated.
pub fn calibrated_curves() -> Curves {
    let folder = tempfile::tempdir().unwrap();
    calibrate_into(folder.path());
    let (curves, wrong) = Curves::of_folder(Some(folder.path()));
    assert!(wrong.is_empty());
    curves
}

/// A sitting as the engine sees it: frames in, records out.
pub struct Sitting {
    engine: Engine<NoDisk>,
    metering: MeteringPlan,
    records: Arc<Mutex<Vec<Record>>>,
    shot: u64,
    /// The small pictures that the engine wants kept.
    pictures: Pictures,
}

type Pictures = Arc<Mutex<BTreeMap<PictureId, Arc<CodePicture>>>>;

/// Keeps nothing.
struct NoDisk;

impl Ledger for NoDisk {
    fn append(&mut self, _: Vec<String>) -> bool {
        true
    }
}

/// Power of every lamp at the reference, in stops from full.
const POWER: f64 = -3.0;

pub fn config(rig: &Rig) -> Config {
    let group = |lamp: &Lamp| {
        let step = if lamp.step > 0.2 { Step::Third } else { Step::Tenth };
        LightGroup {
            name: lamp.name.into(),
            role: Role::Other,
            dial: Some(Dial::new(Scale::Decimal { full: 10.0 }, step, "1.0", "10.0").unwrap()),
            power: Some(PowerSetting::from_full(Stops(POWER))),
            heads: 1,
            facts: LightFacts::default(),
        }
    };
    let reference = FirstReference::FirstFrame;
    Config { groups: rig.lamps.iter().map(group).collect(), reference, ..Config::default() }
}

impl Sitting {
    /// Goes on from a state, without the pictures of the frames before it.
    pub fn on(config: &Config, curves: &Curves, state: State, shot: u64) -> Sitting {
        Sitting::knowing(config, curves, state, shot, &Pictures::default())
    }

    /// Goes on from this sitting's state, as after a restart.
    pub fn go_on(&self, config: &Config, curves: &Curves, state: State, shot: u64) -> Sitting {
        Sitting::knowing(config, curves, state, shot, &self.pictures)
    }

    fn knowing(config: &Config, curves: &Curves, state: State, shot: u64, pictures: &Pictures) -> Sitting {
        let metering = MeteringPlan::of(config);
        let curves = Arc::new(curves.clone());
        let records = Arc::new(Mutex::new(Vec::new()));
        let heard = records.clone();
        let clock = || "2026-03-02T10:00:00Z".parse().unwrap();
        let fresh = state.sitting.records.get() == 0;
        let publish = move |p: greyhold::session::Published| heard.lock().unwrap().push(p.record);
        let mut engine = Engine::new(config.clone(), curves, state, NoDisk, clock, publish);
        let pictures = Arc::new(Mutex::new(pictures.lock().unwrap().clone()));
        let (earlier, keeps) = (pictures.lock().unwrap().clone(), pictures.clone());
        engine.keep_pictures(earlier.into_iter().collect(), move |change| {
            keeps.lock().unwrap().extend(change.added);
            PictureKeeping::Taken
        });
        if fresh {
            engine.open("test".to_owned(), "studio".to_owned());
        }
        Sitting { engine, metering, records, shot, pictures }
    }

    pub fn tell(&mut self, command: &Command) {
        let reply = self.engine.command(command, None);
        assert!(reply.ok, "{command:?}: {}", reply.message);
    }

    /// Takes a frame; its records.
    pub fn take(&mut self, take: &Take, rig: &Rig, random: &mut Random) -> Vec<Record> {
        self.take_in_order(take, rig, random, false)
    }

    /// The same; `passed` frames took so long to read that others may have been taken before them.
    pub fn take_in_order(&mut self, take: &Take, rig: &Rig, random: &mut Random, passed: bool) -> Vec<Record> {
        let name = format!("frame_{}.jpg", self.shot + 1);
        let picture = take.shoot(rig, random);
        self.land_file(&name, false, take, picture, passed)
    }

    /// A file of a frame lands; its records.
    pub fn land(&mut self, name: &str, is_raw: bool, take: &Take, picture: Picture) -> Vec<Record> {
        self.land_file(name, is_raw, take, picture, false)
    }

    fn land_file(&mut self, name: &str, is_raw: bool, take: &Take, picture: Picture, passed: bool) -> Vec<Record> {
        self.shot += 1;
        let frame = Frame { settings: take.settings(), picture: Some(picture), notes: Vec::new(), embedded: None };
        let state = FileState { size: self.shot, modified_ns: 0, changed_ns: 0, inode: self.shot };
        let (name, fingerprint) = (name.to_owned(), Fingerprint::Whole(self.shot));
        let file = Landed { name, is_raw, state, fingerprint, found_at_start: false, passed };
        let before = self.records.lock().unwrap().len();
        let outcome = Ok(self.metering.meter(frame));
        self.engine.take(Input::Frame(Box::new(FrameInput { file, outcome })));
        self.records.lock().unwrap()[before..].to_vec()
    }

    /// A raw file of which these pictures were read lands: its light, the picture embedded in it, or both; its records.
    pub fn land_raw(&mut self, take: &Take, light: Option<Picture>, embedded: Option<Picture>) -> Vec<Record> {
        self.shot += 1;
        let file = self.raw_file();
        let outcome =
            Ok(self.metering.meter(Frame { settings: take.settings(), picture: light, embedded, notes: vec![] }));
        self.take_input(Input::Frame(Box::new(FrameInput { file, outcome })))
    }

    /// The light of the raw file that landed last is read; its records.
    pub fn land_light(&mut self, take: &Take, light: Result<Picture, String>) -> Vec<Record> {
        let [awaited] = &awaited_lights(self.engine.state())[..] else { panic!("one light is awaited") };
        let AwaitedLight { frame, file } = awaited.clone();
        let settings = take.settings();
        let read = |light| Frame { settings, picture: Some(light), embedded: None, notes: vec![] };
        let outcome = light.map(|light| self.metering.meter(read(light)));
        self.take_input(Input::Light(Box::new(LightInput { frame, file, outcome })))
    }

    /// What would be read of the next raw file.
    pub fn raw_parts(&self, config: &Config) -> RawParts {
        raw_parts(&self.engine.state().sitting, config)
    }

    fn raw_file(&self) -> Landed {
        let state = FileState { size: self.shot, modified_ns: 0, changed_ns: 0, inode: self.shot };
        let (name, fingerprint) = (format!("frame_{}.dng", self.shot), Fingerprint::Whole(self.shot));
        Landed { name, is_raw: true, state, fingerprint, found_at_start: false, passed: false }
    }

    fn take_input(&mut self, input: Input) -> Vec<Record> {
        let before = self.records.lock().unwrap().len();
        self.engine.take(input);
        self.records.lock().unwrap()[before..].to_vec()
    }

    /// All records so far.
    pub fn records(&self) -> Vec<Record> {
        self.records.lock().unwrap().clone()
    }

    /// The state that the records so far make.
    pub fn state(&self) -> State {
        self.records.lock().unwrap().iter().fold(State::default(), |mut state, record| {
            state.apply(record);
            state
        })
    }

    /// A reference, and a survey as its guide asks for it: a light that is too weak alone is shot again at a higher ISO.
    pub fn survey(&mut self, rig: &Rig, random: &mut Random) {
        self.survey_moving(0.002, rig, random);
    }

    /// The same with a sitter who shifts by up to this part of the frame between its frames.
    pub fn survey_moving(&mut self, shift: f64, rig: &Rig, random: &mut Random) {
        let still = |random: &mut Random| pose(shift, 1.0, random);
        let mut at = 0.0;
        let mut next = |random: &mut Random, seed: u64| {
            at += 20.0;
            Take { at, pose: still(random), ..Take::at_reference(rig, seed) }
        };
        self.take(&next(random, 1), rig, random);
        self.tell(&Command::Survey { what: SurveyAsk::Start, groups: Vec::new() });
        let singles = (0..rig.lamps.len()).map(Lamps::Only);
        for firing in std::iter::once(Lamps::None).chain(singles) {
            let mut iso = 100.0;
            let mut tries = 0;
            loop {
                // The room alone is shot with a longer time, as the guide says.
                let seconds = if firing == Lamps::None { 0.1 } else { SECONDS };
                let take = Take { iso, seconds, ..next(random, 2 + iso as u64) }.firing(firing);
                let Some(why) = survey_refused(&self.take(&take, rig, random)) else { break };
                iso *= if why.contains("clipped") { 0.5 } else { 2.0 };
                tries += 1;
                assert!(tries < 6, "the survey takes no frame of {firing:?} of {rig:?} at ISO {iso}: {why}");
            }
        }
        let records = self.take(&next(random, 3), rig, random);
        assert_eq!(survey_refused(&records), None);
    }
}

fn survey_refused(records: &[Record]) -> Option<String> {
    records.iter().find_map(|r| match &r.body {
        Body::Survey { step: SurveyStep::Refused { why, .. }, .. } => Some(why.clone()),
        _ => None,
    })
}

/// What lights a frame of a survey: nothing, one lamp, or all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lamps {
    None,
    Only(usize),
    All,
}

impl Take {
    /// With only these lamps firing.
    pub fn firing(mut self, firing: Lamps) -> Take {
        for (lamp, power) in self.powers.iter_mut().enumerate() {
            if firing == Lamps::None || matches!(firing, Lamps::Only(alone) if alone != lamp) {
                *power = f64::NEG_INFINITY;
            }
        }
        self
    }
}

/// A pose this far from the first: shift in fractions of the frame, turn in degrees.
pub fn pose(shift: f64, turn: f64, random: &mut Random) -> Pose {
    let way = random.between(0.0, std::f64::consts::TAU);
    Pose {
        right: (shift * way.cos() * f64::from(SIZE.0) / f64::from(SIZE.1)) as f32,
        up: (shift * way.sin()) as f32,
        turn: (turn * random.pick(&[-1.0, 1.0])) as f32,
        nearer: (shift * random.between(-0.5, 0.5)) as f32,
    }
}
