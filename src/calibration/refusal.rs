//! Why frames carry no response, in words for the one who shot them.

use thiserror::Error;

use crate::photometry::Stops;

pub(super) const FEWEST_FRAMES: usize = 3;
pub(super) const FEWEST_EXPOSURES: usize = 3;

/// Why frames carry no response.
#[derive(Debug, Clone, Error, PartialEq)]
pub enum Refusal {
    #[error("{file} is a raw file, which holds linear light and needs no curve: give the camera's JPEGs")]
    Raw { file: String },
    #[error(
        "{count} frames are too few: give at least {FEWEST_FRAMES} of one scene, at {FEWEST_EXPOSURES} exposures or more, a stop or less apart"
    )]
    TooFew { count: usize },
    #[error("{file} doesn't tell its aperture, exposure time and ISO speed: leave it out, or use a lens with contacts")]
    SettingsUnknown { file: String },
    #[error("{file} is of another camera ({camera}) than {first} ({of_first}): calibrate each camera by itself")]
    OtherCamera { file: String, camera: String, first: String, of_first: String },
    #[error("{file} is in another colour space ({colour}) than {first} ({of_first}): calibrate each by itself")]
    OtherColour { file: String, colour: String, first: String, of_first: String },
    #[error(
        "the frames have only {exposures} different exposures: change the aperture, the exposure time (in light that burns all the time) or the ISO speed between them, in {FEWEST_EXPOSURES} or more steps"
    )]
    NothingDiffers { exposures: usize },
    #[error(
        "nearly all of the frames is clipped or black, or no two of them share enough tones: use exposures a stop or less apart, with mid-tones in them"
    )]
    Clipped,
    #[error(
        "{file} shows another scene than {neighbour}, or it was framed quite differently: leave it out, or take it anew"
    )]
    OtherScene { file: String, neighbour: String },
    #[error(
        "{file} shows too little that is found again in {neighbour}: it is nearly all plain, black or clipped; leave it out, or use a scene with more detail"
    )]
    TooPlain { file: String, neighbour: String },
    #[error("the picture is no function of exposure: {worst} is {by} off its settings, and the frames scatter by {scatter}. {}", hint(*.per_frame))]
    NoFunction { worst: String, by: Stops, scatter: Stops, per_frame: bool },
    #[error(
        "these frames leave two stops about mid-grey in doubt by {uncertainty}: add frames between them, a stop or less apart, with mid-tones in them"
    )]
    TooVague { uncertainty: Stops },
}

fn hint(per_frame: bool) -> &'static str {
    if per_frame {
        "Its camera maps the tones of each frame anew (a phone, or a dynamic range setting): turn that off, or use raw files"
    } else {
        "Either the camera maps the tones of each frame anew (turn automatic or local tone settings off), or the light changed, or flash lit the scene while the exposure time was changed (--flash)"
    }
}
