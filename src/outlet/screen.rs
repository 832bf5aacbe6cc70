//! What screens show: the board as of the last record, the last frame's small picture, and how it lies over its reference.

use std::sync::Arc;

use axum::body::Bytes;
use serde::Serialize;
use tokio::sync::{OnceCell, watch};
use tokio::task::spawn_blocking;

use super::spot_pictures::{PicturePlace, SpotPictures};
use crate::align::Overlay;
use crate::frame::Small;
use crate::numbers::FrameNumber;
use crate::session::{Board, LastLaid, TrendPoint};

/// A frame's small picture, encoded when the first page asks for it.
#[derive(Debug)]
pub struct Thumbnail {
    pub frame: FrameNumber,
    small: Small,
    jpeg: OnceCell<Option<Bytes>>,
}

impl Thumbnail {
    pub fn new(frame: FrameNumber, small: Small) -> Thumbnail {
        Thumbnail { frame, small, jpeg: OnceCell::new() }
    }

    /// `None` when it can't be encoded. Whoever asks meanwhile waits for the first one's.
    pub async fn jpeg(this: &Arc<Thumbnail>) -> Option<Bytes> {
        let again = Arc::clone(this);
        let encode = || async { spawn_blocking(move || again.small.jpeg().map(Bytes::from)).await.ok().flatten() };
        this.jpeg.get_or_init(encode).await.clone()
    }
}

/// One state of all screens. Encoded once, however many there are.
#[derive(Debug)]
pub struct Shown {
    pub board: Board,
    pub picture: Option<Arc<Thumbnail>>,
    /// For the map of change, which is drawn when a page asks for it.
    pub laid: Option<LastLaid>,
    pub spot_pictures: Arc<SpotPictures>,
    pub json: String,
}

impl Shown {
    pub fn new(
        board: Board,
        picture: Option<Arc<Thumbnail>>,
        laid: Option<LastLaid>,
        spot_pictures: Arc<SpotPictures>,
    ) -> Shown {
        #[derive(Serialize)]
        struct Message<'a> {
            #[serde(flatten)]
            board: &'a Board,
            /// The one sentence that leads.
            leads: String,
            why: Option<String>,
            /// Number of the frame whose picture can be had, and its width over its height.
            picture: Option<(FrameNumber, f64)>,
            /// Why there is no light map of the last frame, where there is none.
            no_light_map: Option<&'static str>,
            /// Of each frame of the board's apertures and each of their spots; `None` where they are not made yet.
            spot_pictures: Vec<Option<Vec<Option<PicturePlace>>>>,
        }
        let picture_of = |p: &Arc<Thumbnail>| (p.frame, p.small.shape());
        let no_light_map = why_no_light_map(&board, laid.as_ref());
        let message = Message {
            board: &board,
            leads: board.leads(),
            why: board.why(),
            picture: picture.as_ref().map(picture_of),
            no_light_map,
            spot_pictures: board.apertures.as_ref().map_or_else(Vec::new, |apertures| {
                apertures.frames.iter().map(|frame| Some(spot_pictures.of(&frame.beside)?.places())).collect()
            }),
        };
        // Every number of a board is finite, so it always encodes.
        let json = serde_json::to_string(&message).unwrap_or_default();
        Shown { board, picture, laid, spot_pictures, json }
    }
}

fn why_no_light_map(board: &Board, laid: Option<&LastLaid>) -> Option<&'static str> {
    let overlay = laid.map(|laid| &*laid.overlay);
    match (&board.last, overlay) {
        (Some(_), Some(Overlay::Matched(_))) => None,
        (Some(_), Some(Overlay::OtherScene)) => Some("this frame shows another scene than its reference."),
        (Some(_), Some(Overlay::TooPlain)) => Some("there is too little to see in this frame, or in its reference."),
        (Some(last), None) if last.is_reference => Some("this frame is the reference, with which others are compared."),
        (Some(_), None) => Some(
            "there is none of this frame (the program was started after it, or a picture is missing): the next frame has one.",
        ),
        (None, _) => Some("there is no frame yet."),
    }
}

/// The frames of a trend that were compared: number, drift and half-width in stops. How far a flash was out is no
/// drift, and would leave the rest no room.
pub fn compared(trend: &[TrendPoint]) -> Vec<(f64, f64, f64)> {
    let told = trend.iter().filter(|p| !p.finding.is_hold());
    told.filter_map(|p| Some((p.frame.get() as f64, p.drift?.0, p.uncertainty.map_or(0.0, |u| u.0)))).collect()
}

/// How far a trend's scale goes from nothing, in half stops, to show what reaches this far.
pub fn scale(reaches: impl Iterator<Item = f64>) -> f64 {
    const LEAST: f64 = 0.5;
    (reaches.fold(LEAST, f64::max) * 2.0).ceil() / 2.0
}

/// Latest wins: a slow screen skips what it did not get to see.
pub type Screens = watch::Sender<Arc<Shown>>;
