//! greyhold watches a tethered-capture folder, meters every new frame against a reference frame,
//! works out the drift in stops and its cause, and says what every group of lights must be set to.
//!
//! The modules stand in the order in which a frame passes through them; an import may only point
//! up this list (a test holds it):
//!
//! 1. [`photometry`]: pure arithmetic on stops, settings and dials
//! 2. [`response`]: what a camera's code values say about light
//! 3. [`container`]: the structure of picture files, and whether they are whole
//! 4. [`frame`]: one photograph's settings and its pixels
//! 5. [`workers`]: the processes in which strangers' files are read
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing))]

pub mod advice;
pub mod calibration;
pub mod commands;
pub mod config;
pub mod container;
pub mod daemon;
pub mod drift;
pub mod frame;
pub mod intake;
pub mod meter;
pub mod outlet;
pub mod photometry;
pub mod response;
pub mod rig;
pub mod session;
pub mod studio;
pub mod workers;
