//! What screens show: the board as of the last record, and the last frame's small picture.

use std::sync::Arc;

use serde::Serialize;
use tokio::sync::watch;

use crate::frame::Thumbnail;
use crate::session::Board;

/// A frame's small picture.
#[derive(Debug)]
pub struct Picture {
    pub frame: u64,
    pub thumbnail: Thumbnail,
}

/// One state of all screens. Encoded once, however many there are.
#[derive(Debug)]
pub struct Shown {
    pub board: Board,
    pub picture: Option<Arc<Picture>>,
    pub json: String,
}

impl Shown {
    pub fn new(board: Board, picture: Option<Arc<Picture>>) -> Shown {
        #[derive(Serialize)]
        struct Message<'a> {
            #[serde(flatten)]
            board: &'a Board,
            /// Number of the frame whose picture can be had, and its width over its height.
            picture: Option<(u64, f64)>,
        }
        let shape = |p: &Arc<Picture>| (p.frame, f64::from(p.thumbnail.width) / f64::from(p.thumbnail.height));
        let message = Message { board: &board, picture: picture.as_ref().map(shape) };
        // Every number of a board is finite, so it always encodes.
        let json = serde_json::to_string(&message).unwrap_or_default();
        Shown { board, picture, json }
    }
}

/// Latest wins: a slow screen skips what it did not get to see.
pub type Screens = watch::Sender<Arc<Shown>>;
