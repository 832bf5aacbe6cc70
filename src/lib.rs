//! greyhold watches a tethered-capture folder, meters every new frame against a reference frame,
//! works out the drift in stops and its cause, and says what every group of lights must be set to.
//!
//! The modules stand in the order in which a frame passes through them; an import may only point
//! up this list (a test holds it):
//!
//! 1. [`photometry`]: pure arithmetic on stops, settings and dials
//! 2. [`statistics`]: the median, the quantiles and the correlation that all others use
//! 3. [`response`]: what a camera's code values say about light
//! 4. [`files`]: small files of greyhold's own, replaced whole
//! 5. [`wording`]: what parsers find wrong, in words for people
//! 6. [`optics`]: pure arithmetic on depth of field and diffraction
//! 7. [`numbers`]: which record, and which frame, of a log is meant
//! 8. [`container`]: the structure of picture files, and whether they are whole
//! 9. [`intake`]: which files are new, whole frames
//! 10. [`frame`]: one photograph's settings and its pixels
//! 11. [`workers`]: the processes in which strangers' files are read
//! 12. [`align`]: the same points of a scene in two frames
//! 13. [`meter`]: readings of the frame and its spots
//! 14. [`sharpness`]: how sharp the same piece of a scene is in two frames
//! 15. [`drift`]: what the settings explain, what the light did
//! 16. [`calibration`]: a camera's own response curve
//! 17. [`rig`]: light groups, surveys, and the solver for single lights
//! 18. [`advice`]: cause, sentence, correction, other ways
//! 19. [`config`]: the configuration as written, then as meant
//! 20. [`session`]: records, and the state as their fold
//! 21. [`report`]: what a sitting came to, looked back on
//! 22. [`outlet`]: shot log, socket, stand page, terminal
//! 23. [`studio`]: a rendered sitter and a camera of known light
//! 24. [`daemon`]: the tasks, tied together and ended in order
//! 25. [`commands`]: one file a subcommand
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used, clippy::indexing_slicing))]

pub mod advice;
pub mod align;
pub mod calibration;
pub mod commands;
pub mod config;
pub mod container;
pub mod daemon;
pub mod drift;
pub mod files;
pub mod frame;
pub mod intake;
pub mod meter;
pub mod numbers;
pub mod optics;
pub mod outlet;
pub mod photometry;
pub mod report;
pub mod response;
pub mod rig;
pub mod session;
pub mod sharpness;
pub mod statistics;
pub mod studio;
pub mod wording;
pub mod workers;
