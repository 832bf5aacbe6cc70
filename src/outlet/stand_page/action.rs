//! What people ask for on the page. Fewer things than the socket takes: nothing here names a file.

use std::sync::Arc;

use axum::Json;
use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;

use super::{Page, gate};
use crate::config::typed::TypedThing;
use crate::meter::Area;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::Series;
use crate::rig::GroupName;
use crate::session::{Command, SittingAsk, SurveyAsk};

#[derive(Debug, Deserialize)]
#[serde(tag = "action", rename_all = "snake_case", deny_unknown_fields)]
enum Action {
    /// The group is set as this correction asks.
    Set {
        group: GroupName,
        correction: RecordNumber,
    },
    /// All groups are.
    AllSet {
        correction: RecordNumber,
    },
    SetAt {
        group: GroupName,
        setting: String,
    },
    Undo {
        group: GroupName,
    },
    Next {
        f_number: Option<String>,
        iso: Option<String>,
        exposure_time: Option<String>,
        filter: Option<String>,
        camera_steps: Option<Series>,
    },
    /// The last frame, if it is still this one, is as it was meant.
    Accept {
        frame: FrameNumber,
    },
    NewSitter,
    Look {
        look: String,
    },
    Survey {
        what: SurveyAsk,
    },
    Sitting {
        what: SittingAsk,
        #[serde(default)]
        name: Option<String>,
    },
    /// Without an area a drawn spot goes.
    Spot {
        name: String,
        area: Option<Area>,
    },
    /// What stands where; without any fact, as the configuration says.
    SetUp(Box<TypedThing>),
    /// Without notes they are the configuration's.
    SetUpNotes {
        notes: Option<Vec<String>>,
    },
}

impl From<Action> for Command {
    fn from(action: Action) -> Command {
        match action {
            Action::Set { group, correction } => Command::Confirm { group: Some(group), correction: Some(correction) },
            Action::AllSet { correction } => Command::Confirm { group: None, correction: Some(correction) },
            Action::SetAt { group, setting } => Command::Power { group, setting },
            Action::Undo { group } => Command::Undo { group: Some(group) },
            Action::Next { f_number, iso, exposure_time, filter, camera_steps } => {
                Command::Next { f_number, iso, exposure_time, filter, camera_steps }
            }
            Action::Accept { frame } => Command::Accept { frame: Some(frame) },
            Action::NewSitter => Command::NewSitter {},
            Action::Look { look } => Command::Look { look },
            Action::Sitting { what, name } => Command::Sitting { what, name },
            Action::Survey { what } => Command::Survey { what, groups: Vec::new() },
            Action::Spot { name, area } => Command::Spot { name, area },
            Action::SetUp(thing) => Command::SetUp(thing),
            Action::SetUpNotes { notes } => Command::SetUpNotes { notes },
        }
    }
}

/// The command that a page's action stands for; `None` when it can't be understood.
pub fn command_in(body: &[u8]) -> Option<Command> {
    serde_json::from_slice::<Action>(body).ok().map(Command::from)
}

/// Hands an action to the engine; the answer says in words what came of it.
pub async fn act(State(page): State<Arc<Page>>, headers: HeaderMap, body: Body) -> Response {
    match gate::posted::<Action>(&headers, body).await {
        Ok(action) => {
            let reply = page.hub.ask(action.into()).await;
            let status = if reply.ok { StatusCode::OK } else { StatusCode::CONFLICT };
            (status, Json(json!({"ok": reply.ok, "message": reply.message}))).into_response()
        }
        Err((status, message)) => (status, Json(json!({"ok": false, "message": message}))).into_response(),
    }
}
