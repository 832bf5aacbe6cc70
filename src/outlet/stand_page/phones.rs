//! Signing in, who has signed in, and signing one of them out.

use std::sync::Arc;

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use serde::Deserialize;
use serde_json::json;

use super::Page;
use super::gate::{Peer, SignedIn, posted};
use super::sessions::Kind;
use super::tries::Tried;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    token: String,
}

/// Takes the token and gives a session for it.
pub async fn enter(
    State(page): State<Arc<Page>>,
    Extension(Peer { machine, .. }): Extension<Peer>,
    session: Option<Extension<SignedIn>>,
    headers: HeaderMap,
    body: Body,
) -> Response {
    let said = match posted::<Entry>(&headers, body).await {
        Ok(entry) => entry.token,
        Err(refusal) => return refusal.into_response(),
    };
    match page.gate.tries(machine, || page.token.is(&said)) {
        Tried::Right => {}
        Tried::Wrong => {
            return (StatusCode::UNAUTHORIZED, "this is not the token: look at greyhold's terminal").into_response();
        }
        Tried::TooOften => {
            return (StatusCode::TOO_MANY_REQUESTS, "ten tries a minute: wait a little, then try again")
                .into_response();
        }
    }
    let agent = headers.get(header::USER_AGENT).and_then(|a| a.to_str().ok()).unwrap_or_default();
    let has = session.map(|Extension(SignedIn(number))| number);
    match page.sessions.enter(Kind::of(agent), machine, has).await {
        Ok(id) => (StatusCode::NO_CONTENT, [(header::SET_COOKIE, page.gate.session_cookie(&id))]).into_response(),
        Err(_) => (StatusCode::INTERNAL_SERVER_ERROR, "this system gives no random numbers").into_response(),
    }
}

/// Everybody who has signed in.
pub async fn phones(State(page): State<Arc<Page>>, Extension(SignedIn(here)): Extension<SignedIn>) -> Response {
    Json(json!({"phones": page.sessions.listed(Some(here)), "most": super::sessions::MOST})).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SignOut {
    number: u64,
}

/// Ends one of them: its page closes at once.
pub async fn sign_out(State(page): State<Arc<Page>>, headers: HeaderMap, body: Body) -> Response {
    let number = match posted::<SignOut>(&headers, body).await {
        Ok(asked) => asked.number,
        Err((status, message)) => return (status, Json(json!({"ok": false, "message": message}))).into_response(),
    };
    if page.sessions.end(number).await {
        Json(json!({"ok": true, "message": "signed out; to come back it needs the token"})).into_response()
    } else {
        let message = "it is signed out already";
        (StatusCode::CONFLICT, Json(json!({"ok": false, "message": message}))).into_response()
    }
}
