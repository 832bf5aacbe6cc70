//! Where records go: the shot log (the truth), the list of corrections, the local socket, the stand page, a
//! terminal.

pub mod corrections;
pub mod live_view;
pub mod plain;
pub mod screen;
pub mod shot_log;
pub mod socket;
pub mod stand_page;
pub mod storage;
