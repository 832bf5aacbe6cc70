//! The plan of apertures, as the page asks for it: worked out by the sitting, and logged nowhere.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;
use serde_json::json;

use super::Page;
use crate::photometry::Series;
use crate::session::Command;
use crate::session::plan::{LensWords, PlanWords};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WhichPlan {
    /// With blanks between them.
    apertures: String,
    iso: Option<String>,
    camera_steps: Option<Series>,
    focal_length: Option<String>,
    distance: Option<String>,
    sensor: Option<String>,
    pixels: Option<String>,
}

impl From<WhichPlan> for Command {
    fn from(asked: WhichPlan) -> Command {
        let WhichPlan { apertures, iso, camera_steps, focal_length, distance, sensor, pixels } = asked;
        // Without a distance nothing is sharp or blurred; a sensor alone is no mistake on a page.
        let lens = distance.map(|distance| LensWords {
            focal_length,
            distance: Some(distance),
            sensor,
            pixels,
            ..LensWords::default()
        });
        let apertures = apertures.split_whitespace().map(str::to_owned).collect();
        Command::Plan(Box::new(PlanWords { apertures, iso, camera_steps, lens }))
    }
}

/// The answer to the same command on the socket.
pub async fn plan(State(page): State<Arc<Page>>, Query(asked): Query<WhichPlan>) -> Response {
    let reply = page.hub.ask(asked.into()).await;
    let status = if reply.ok { StatusCode::OK } else { StatusCode::CONFLICT };
    (status, Json(json!({"ok": reply.ok, "message": reply.message, "plan": reply.value}))).into_response()
}
