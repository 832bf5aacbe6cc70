//! The session: the one state of a sitting, as the fold of the shot log's records.
//!
//! What is not in the log did not happen. One engine owns the state and writes the records;
//! everybody else listens.

mod board;
mod carried;
mod command;
mod curve;
mod earlier;
mod engine;
mod files;
mod metering;
mod record;
mod remembered;
mod rows;
mod state;
mod told;

pub use board::{Board, Card, CardState, SurveyGuide};
pub use carried::{Carried, Portion};
pub use command::{Command, Reply, SurveyAsk};
pub use curve::response_for;
pub use earlier::{LoggedSubject, LoggedSurveyFrame};
pub use engine::{Engine, FrameInput, Input, Landed, Ledger, Published};
pub use metering::{Compared, FrameOutcome, Metering};
pub use record::{
    Body, Completed, FrameRecord, GroupPower, How, Learning, LineFault, PowerSource, Purpose, Record, SurveyStep,
    VERSION,
};
pub use remembered::{LearnedCurve, Look, Pending, Surveyed, TrendPoint};
pub use state::State;
