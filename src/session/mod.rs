//! The session: the one state of a sitting, as the fold of the shot log's records.
//!
//! What is not in the log did not happen. One engine owns the state and writes the records;
//! everybody else listens.

mod board;
mod board_words;
mod cards;
mod carried;
mod command;
mod curve;
mod decide;
mod dials;
mod earlier;
mod engine;
mod exposures;
mod files;
mod judgement;
mod knowledge;
mod last_laid;
mod ledger;
mod light_of_file;
mod metering;
mod record;
mod remembered;
mod rows;
mod scenes;
mod sealed;
mod setup;
mod sitting;
mod standing;
mod state;
mod undecided;

pub use board::{Board, SurveyGuide};
pub use cards::{Card, CardState};
pub use carried::{Carried, Portion};
pub use command::{Command, Planned, Reply, SurveyAsk};
pub use curve::response_for;
pub use decide::{Decision, FrameInput, Input, Landed, decide};
pub use earlier::{LoggedObservation, LoggedSurveyFrame};
pub use engine::Engine;
pub use exposures::{Exposure, Exposures};
pub use files::Files;
pub use judgement::{Asked, Ended, How, Judgement, Occasion, PositionRead};
pub use knowledge::Knowledge;
pub use last_laid::LastLaid;
pub use ledger::{Ledger, Published};
pub use light_of_file::{HEAD as LIGHT_HEAD, LightOfFile};
pub use metering::{Compared, MeteredFrame, MeteringPlan};
pub use record::{Added, Body, FrameRecord, GroupPower, Learning, PowerSource, Purpose, Record, SurveyStep};
pub use remembered::{Last, LearnedCurve, Look, OpenCorrection, Surveyed, TrendPoint};
pub use scenes::{PictureKeeping, PicturesToKeep, Scenes};
pub use sealed::{LineFault, VERSION};
pub use setup::Setup;
pub use sitting::Sitting;
pub use standing::{FIRST_LOOK, ReferenceBy, Standing};
pub use state::State;
pub use undecided::{Begun, Decided, Undecided};
