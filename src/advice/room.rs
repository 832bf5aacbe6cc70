//! Room light beside the flashes: which share of the light it has at other settings, and what it adds.

use serde::Serialize;
use thiserror::Error;

use crate::drift::{Lighting, expected};
use crate::frame::Settings;
use crate::photometry::Stops;
use crate::rig::LightShare;

/// Room light, as its share of all light is known at some settings.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomLight {
    share: LightShare,
    /// With the lights as they are to be for these.
    at: Settings,
}

/// What room light is to a frame whose flashes are turned to fit its settings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RoomShare {
    /// Of all light.
    pub share: LightShare,
    /// By which the frame comes out brighter than at the settings that the powers hold for.
    pub adds: Stops,
}

/// Room light whose share can't be told.
#[derive(Debug, Clone, PartialEq, Error)]
pub enum RoomError {
    #[error("room light needs an aperture, a time and an ISO speed, such as 'f/2.8 1/60 iso800'")]
    Incomplete,
    #[error(
        "the room light alone exposes fully at {at}: there is nothing left for the flashes (was it metered with them switched \
         off?)"
    )]
    TooBright { at: String },
}

/// Beside the flashes alone, an eighth adds 0.17 stop: log2(1 + 1/8).
const AN_EIGHTH: f64 = 1.0 / 8.0;

impl RoomLight {
    pub fn new(share: LightShare, at: Settings) -> RoomLight {
        RoomLight { share, at }
    }

    /// From settings at which room light alone comes out as mid-grey. At `at`, with the flashes, it does so as well; then its share
    /// is `2^(-dAv - dTv + dSv)` from the one to the other.
    ///
    /// # Errors
    /// Settings are missing, or it leaves nothing to the flashes.
    pub fn metered(room: &Settings, at: &Settings) -> Result<RoomLight, RoomError> {
        let alone = expected(room, at, Lighting::Continuous).ok_or(RoomError::Incomplete)?;
        let share = LightShare::new(alone.ratio()).filter(|share| share.get() < 1.0);
        let share = share.ok_or_else(|| RoomError::TooBright { at: at.in_short() })?;
        Ok(RoomLight { share, at: at.clone() })
    }

    /// At other settings, with the flashes turned so that they expose as before; `None` where settings are not known. Room light
    /// changes by `-dAv - dTv + dSv` less what a filter takes, and is added to the flashes.
    pub fn at(&self, settings: &Settings) -> Option<RoomShare> {
        let change = expected(&self.at, settings, Lighting::Continuous)?;
        let flash = 1.0 - self.share.get();
        let room = self.share.get() * change.ratio();
        Some(RoomShare { share: LightShare::new(room / (flash + room))?, adds: Stops::from_ratio(flash + room)? })
    }
}

impl RoomShare {
    /// More than an eighth of what the flashes give.
    pub fn is_over_an_eighth(self) -> bool {
        self.share.get() > AN_EIGHTH / (1.0 + AN_EIGHTH)
    }

    /// `4 %`, `0.3 %`, `less than 0.1 %`.
    pub fn in_per_cent(self) -> String {
        let per_cent = self.share.get() * 100.0;
        match per_cent {
            p if p < 0.1 => "less than 0.1 %".to_owned(),
            p if p < 9.95 => format!("{:.1} %", p),
            p => format!("{p:.0} %"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::photometry::Density;

    /// CHECK: from f/2.8 1/60 ISO 800 to f/8 1/125 ISO 100 are 3 stops of aperture, 1 of time and 3 of speed (APEX, Exif 2.32, annex):
    /// a 128th. Light adds up: at f/2.8, with the flashes turned down, it is 8 times as much beside 127/128.
    #[test]
    fn room_light_grows_as_the_aperture_opens() {
        let at = Settings::shot_at("f/8", "1/125", "100");
        let room = RoomLight::metered(&Settings::shot_at("f/2.8", "1/60", "800"), &at).unwrap();
        let share = |settings: &Settings| room.at(settings).unwrap();
        assert!((share(&at).share.get() - 1.0 / 128.0).abs() < 1e-9 && share(&at).adds.abs() < Stops(1e-9));
        let open = share(&Settings::shot_at("f/2.8", "1/125", "100"));
        assert!((open.share.get() - 8.0 / 135.0).abs() < 1e-9, "{open:?}");
        assert!((open.adds - Stops((135.0_f64 / 128.0).log2())).abs() < Stops(1e-9));
        // A filter takes it away as it takes the flashes, which are turned up for it.
        let behind = Settings { filter: Density::losing(Stops(3.0)), ..Settings::shot_at("f/2.8", "1/125", "100") };
        let filtered = share(&behind);
        assert!((filtered.share.get() - 1.0 / 128.0).abs() < 1e-9);
    }

    /// CHECK: an eighth of the flashes' light more is log2(9/8) = 0.17 stop (additivity of light).
    #[test]
    fn an_eighth_of_the_flashes_is_a_sixth_of_a_stop() {
        let dark = RoomLight::new(LightShare::new(1e-6).unwrap(), Settings::shot_at("f/8", "1/125", "100"));
        let stops = (1e6_f64 / 8.0).log2();
        let brighter = |more: f64| Density::losing(Stops(-stops - more));
        let at = |more| {
            let settings = Settings { filter: brighter(more), ..Settings::shot_at("f/8", "1/125", "100") };
            dark.at(&settings).unwrap()
        };
        assert!((at(0.0).adds - Stops(0.17)).abs() < Stops(1e-3), "{:?}", at(0.0));
        assert!(at(0.01).is_over_an_eighth() && !at(-0.01).is_over_an_eighth());
    }

    #[test]
    fn a_room_that_is_bright_enough_by_itself_is_refused() {
        let at = Settings::shot_at("f/2.8", "1/60", "800");
        let said = RoomLight::metered(&at, &at).unwrap_err().to_string();
        assert!(said.contains("nothing left for the flashes"), "{said}");
        let no_time = Settings { exposure_time: None, ..at.clone() };
        assert_eq!(RoomLight::metered(&no_time, &at), Err(RoomError::Incomplete));
    }
}
