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
use crate::meter::Area;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::photometry::Series;
use crate::rig::GroupName;
use crate::session::{Command, SurveyAsk};

#[derive(Debug, Deserialize)]
#[serde(tag = "wish", rename_all = "snake_case", deny_unknown_fields)]
enum Wish {
    /// The group is set as this correction asks.
    Set {
        group: GroupName,
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
        marks: Option<Series>,
    },
    /// The last frame, if it is still this one, is the reference.
    Refer {
        frame: FrameNumber,
    },
    Look {
        look: String,
    },
    Survey {
        what: SurveyAsk,
    },
    /// Without an area a drawn spot goes.
    Spot {
        name: String,
        area: Option<Area>,
    },
}

impl From<Wish> for Command {
    fn from(wish: Wish) -> Command {
        match wish {
            Wish::Set { group, correction } => Command::Confirm { group: Some(group), correction: Some(correction) },
            Wish::SetAt { group, setting } => Command::Power { group, setting },
            Wish::Undo { group } => Command::Undo { group },
            Wish::Next { f_number, iso, exposure_time, marks } => Command::Next { f_number, iso, exposure_time, marks },
            Wish::Refer { frame } => Command::Reference { file: None, look: None, frame: Some(frame) },
            Wish::Look { look } => Command::Look { look },
            Wish::Survey { what } => Command::Survey { what, groups: Vec::new() },
            Wish::Spot { name, area } => Command::Spot { name, area },
        }
    }
}

/// The command that a page's wish stands for; `None` when it can't be understood.
pub fn command_in(body: &[u8]) -> Option<Command> {
    serde_json::from_slice::<Wish>(body).ok().map(Command::from)
}

/// Hands a wish to the engine; the answer says in words what came of it.
pub async fn wish(State(page): State<Arc<Page>>, headers: HeaderMap, body: Body) -> Response {
    match gate::posted::<Wish>(&headers, body).await {
        Ok(wish) => {
            let reply = page.hub.ask(wish.into()).await;
            let status = if reply.ok { StatusCode::OK } else { StatusCode::CONFLICT };
            (status, Json(json!({"ok": reply.ok, "says": reply.says}))).into_response()
        }
        Err((status, says)) => (status, Json(json!({"ok": false, "says": says}))).into_response(),
    }
}
