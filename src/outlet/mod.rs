//! Where records go: the shot log (the truth), the list of corrections, the local socket, a terminal.

pub mod corrections;
pub mod plain;
pub mod shot_log;
pub mod socket;
pub mod storage;
