//! Where records go: the shot log (the truth), the list of corrections, the local socket, the stand page, a
//! terminal.

pub mod change_scale;
pub mod corrections;
pub mod html;
pub mod light_maps;
pub mod live_keys;
pub mod live_view;
mod paint;
pub mod plain;
pub mod printing;
pub mod scene_pictures;
pub mod screen;
mod seats;
pub mod sheet;
pub mod shot_log;
pub mod socket;
pub mod socket_place;
mod socket_words;
pub mod spot_pictures;
pub mod stand_page;
pub mod storage;
mod verdict_words;
