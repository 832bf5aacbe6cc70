//! Sittings of known light for simulations: random rigs, sitters who move, a camera with a fitted curve.
//!
//! Invented data, from the demo's renderer: it stands for no real studio.

use greyhold::calibration::{SeriesFrame, calibrate};
use greyhold::config::Curves;
use greyhold::drift::Lighting;
use greyhold::frame::{Colour, Picture, Proxy, Settings};
use greyhold::meter::{Spot, meter, shares};
use greyhold::photometry::{ExposureTime, FNumber, IsoSpeed, Series, Stops};
use greyhold::response::Response;
use greyhold::studio::{Exposure, Light, Pose, Scene, codes};
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
    /// A rig of `count` groups, as a portrait is lit.
    pub fn random(count: usize, random: &mut Random) -> Rig {
        let side = random.pick(&[-1.0, 1.0]);
        let key = random.between(0.9, 1.5);
        let dial = |random: &mut Random| random.pick(&[1.0 / 3.0, 0.1]);
        let from = [side * random.between(0.4, 1.0), random.between(0.3, 0.9), random.between(0.7, 1.1)];
        let key_light = light(from, key, random.between(0.05, 0.3), random.between(0.2, 0.6));
        // Reflectors stand at the dark side or lie under the chin (common practice, no source).
        let reflector = (random.next() < 0.5).then(|| {
            let at_side = random.next() < 0.5;
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

/// Everything that one frame is taken under.
#[derive(Debug, Clone)]
pub struct Take {
    /// Power of each lamp in stops from the reference's; minus infinity when it does not fire.
    pub powers: Vec<f64>,
    /// Ambient light, in stops from the reference's.
    pub ambient: f64,
    pub reflector: bool,
    pub pose: Pose,
    pub f_number: f64,
    pub seconds: f64,
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
            pose: Pose::default(),
            f_number: F_NUMBER,
            seconds: SECONDS,
            covered: 0,
            seed,
        }
    }

    pub fn exposure(&self) -> Exposure {
        Exposure {
            f_number: FNumber::new(self.f_number, None, Series::Thirds).unwrap(),
            time: ExposureTime::new(self.seconds, None, Series::Thirds).unwrap(),
            iso: IsoSpeed::new(100.0).unwrap(),
            at: date(2026, 3, 2).at(10, 0, 0, 0),
        }
    }

    pub fn settings(&self) -> Settings {
        let exposure = self.exposure();
        Settings {
            f_number: Some(exposure.f_number),
            exposure_time: Some(exposure.time),
            iso: Some(exposure.iso),
            camera: Some("studio of numbers".to_owned()),
            orientation: 1,
            ..Settings::default()
        }
    }

    /// Takes the frame. Flashes and diaphragms repeat to about a fiftieth of a stop (common practice, no source).
    pub fn shoot(&self, rig: &Rig, random: &mut Random) -> Picture {
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
        picture(codes(&light, &self.exposure(), self.seed))
    }
}

fn picture(rgb: Vec<[u8; 3]>) -> Picture {
    let (width, height) = (SIZE.0 as usize, SIZE.1 as usize);
    Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None }
}

/// The camera's curve, fitted on nine frames of one still scene, as `greyhold calibrate` does.
pub fn fitted_response() -> Response {
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
                shares: shares(&picture),
                is_raw: false,
                metered: meter(&picture, &Response::srgb(), &Spot::ready()),
            }
        })
        .collect();
    let found = calibrate(&frames, &Curves::stock_only().prior(), Lighting::Flash).unwrap();
    Response::new("fitted".to_owned(), found.luminance.curve, Some(found.channels.map(|c| c)), found.luminance.scatter)
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
