//! The set-up sheet of the running sitting, as a page of its own: worked out by the sitting, with the notes and pictures that
//! lie in the log and beside it. What is written down on it comes as an action.

use std::path::Path;
use std::sync::Arc;

use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::ZonedDateTime;
use serde::Deserialize;
use tokio::task::spawn_blocking;

use super::{Page, file};
use crate::numbers::RecordNumber;
use crate::outlet::scene_pictures::ScenePictures;
use crate::outlet::sheet::{PicturesOfLooks, Read, notes, page};
use crate::session::Command;
use crate::session::sheet::Sheet;

/// It has a style of its own, and its pictures in itself.
const POLICY: &str = "default-src 'none'; script-src 'self'; connect-src 'self'; img-src data:; style-src 'unsafe-inline'; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'";

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WhichLook {
    look: Option<String>,
}

pub async fn sheet(State(of): State<Arc<Page>>, Query(WhichLook { look }): Query<WhichLook>) -> Response {
    let reply = of.hub.ask(Command::Sheet { look }).await;
    if !reply.ok {
        return (StatusCode::CONFLICT, reply.message).into_response();
    }
    let failed = || (StatusCode::INTERNAL_SERVER_ERROR, "the sheet can't be made").into_response();
    // The semaphore is never closed.
    let Ok(_turn) = of.log_reads.acquire().await else { return failed() };
    let log = of.hub.log.clone();
    let made = spawn_blocking(move || made(serde_json::from_value(reply.value).ok()?, &log)).await;
    let Ok(Some(html)) = made else { return failed() };
    let mut response = file("text/html; charset=utf-8", html);
    response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    response
}

fn made(sheet: Sheet, log: &Path) -> Option<String> {
    // A log that can't be read just now costs the notes alone.
    let began = sheet.now.as_ref().map(|now| now.set_up_began).unwrap_or_default();
    let log_notes = notes(log, [began, RecordNumber::new(u64::MAX)]).unwrap_or_default();
    let sheet = Sheet { log_notes, ..sheet };
    let pictures = PicturesOfLooks::of(&sheet, &ScenePictures::beside(log));
    let made = ZonedDateTime::now().strftime("%Y-%m-%d %H:%M").to_string();
    let name = log.file_name()?.to_string_lossy().into_owned();
    Some(page(&sheet, &pictures, &name, &made, Read::Served))
}
