//! The page of a start that knows no capture folder: it asks for one, on this machine alone, and goes away when it has it.
//!
//! Its gate is the stand page's: the same token, hosts, origins and number of wrong tries. It keeps no session: each request
//! brings the token, and none is answered without.

mod folders;

use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Extension, Json, Router};
use serde::Deserialize;
use serde_json::json;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio::task::{JoinSet, spawn_blocking};
use tokio::time::{sleep, timeout};

use self::folders::{Seen, beginnings};
use super::gate::{Gate, Peer, keep_to_itself, posted};
use super::opening::listen;
use super::seats::Seats;
use super::shell::file;
use super::tries::Tried;
use super::{Audience, Token, private, serve};

const HTML: &[u8] = include_bytes!("../assets/choose.html");
const SCRIPT: &[u8] = include_bytes!("../assets/choose.js");
const STYLE: &[u8] = include_bytes!("../assets/page.css");
const OWN_STYLE: &[u8] = include_bytes!("../assets/choose.css");
const ICON: &[u8] = include_bytes!("../assets/icon.svg");
/// The page gets this long to hear that its choice was taken.
const GOODBYE: Duration = Duration::from_millis(300);

/// The page, open but not yet served.
#[derive(Debug)]
pub struct Choosing {
    listener: TcpListener,
    token: Token,
    token_file: PathBuf,
    /// Why it is asked, where there was a folder before.
    why: Option<String>,
    pub port: u16,
}

/// What came of it, with what the stand page needs to go on at the same address.
#[derive(Debug, Clone)]
pub struct Chosen {
    pub folder: PathBuf,
    pub port: u16,
    pub token: Token,
}

struct Asking {
    gate: Gate,
    token: Token,
    why: Option<String>,
    chosen: mpsc::Sender<PathBuf>,
}

impl Choosing {
    /// Opens the port, for this machine alone, and writes the address with its token where this user alone can read it.
    pub async fn open(token: Token, token_file: PathBuf, why: Option<String>) -> io::Result<Choosing> {
        let listener = listen(Audience::ThisMachine, None).await?;
        let port = listener.local_addr()?.port();
        private::write(&token_file, &format!("http://127.0.0.1:{port}/#{}\n", token.as_str())).map_err(|e| {
            io::Error::new(e.kind(), format!("its token can't be written to {}: {e}", token_file.display()))
        })?;
        Ok(Choosing { listener, token, token_file, why, port })
    }

    /// Where the address with its token is read.
    pub fn token_file(&self) -> &Path {
        &self.token_file
    }

    /// Serves until a folder is chosen.
    pub async fn serve(self) -> Chosen {
        let (chosen, mut choice) = mpsc::channel(1);
        let asking = Asking {
            gate: Gate::new(Audience::ThisMachine, self.port, false, None),
            token: self.token.clone(),
            why: self.why.clone(),
            chosen,
        };
        let (router, seats) = (router(Arc::new(asking)), Arc::new(Seats::default()));
        let mut connections = JoinSet::new();
        let folder = loop {
            while connections.try_join_next().is_some() {}
            tokio::select! {
                // The sender lives as long as the router does.
                Some(folder) = choice.recv() => break folder,
                accepted = self.listener.accept() => match accepted {
                    Ok((stream, peer)) => {
                        connections.spawn(answer(stream, peer, router.clone(), Arc::clone(&seats)));
                    }
                    // Out of file handles, most likely: wait for some to come back.
                    Err(_) => sleep(Duration::from_millis(200)).await,
                },
            }
        };
        let _ = timeout(GOODBYE, async { while connections.join_next().await.is_some() {} }).await;
        Chosen { folder, port: self.port, token: self.token.clone() }
    }
}

impl Drop for Choosing {
    fn drop(&mut self) {
        // It opens nothing any more.
        let _ = std::fs::remove_file(&self.token_file);
    }
}

/// One client's connection. None of them signs in, so that the newest stranger takes an older one's place.
async fn answer(stream: TcpStream, peer: SocketAddr, router: Router, seats: Arc<Seats>) {
    let seat = Arc::new(seats.sit(peer.ip()));
    tokio::select! {
        biased;
        // A client that goes away is no fault of anybody's.
        _ = serve::connection(stream, peer, router, None, Arc::clone(&seat)) => {}
        () = seat.displaced() => {}
    }
}

fn router(asking: Arc<Asking>) -> Router {
    let script = "text/javascript; charset=utf-8";
    let style = "text/css; charset=utf-8";
    let inside = Router::new()
        .route("/", get(|| async { file("text/html; charset=utf-8", HTML) }))
        .route("/choose.js", get(move || async move { file(script, SCRIPT) }))
        .route("/page.css", get(move || async move { file(style, STYLE) }))
        .route("/choose.css", get(move || async move { file(style, OWN_STYLE) }))
        .route("/icon.svg", get(|| async { file("image/svg+xml", ICON) }))
        // The other view of the page that comes after this one; a browser keeps what stands behind the '#'.
        .route("/set", get(|| async { Redirect::to("/") }))
        .route("/folders", post(look))
        .route("/choose", post(choose))
        .fallback(|| async { StatusCode::NOT_FOUND })
        .with_state(Arc::clone(&asking));
    Router::new().fallback_service(inside).layer(middleware::from_fn_with_state(asking, guard))
}

/// Stops what comes to another host, from another site or too often.
async fn guard(State(asking): State<Arc<Asking>>, request: Request, next: Next) -> Response {
    let Some(peer) = request.extensions().get::<Peer>().cloned() else {
        return StatusCode::FORBIDDEN.into_response();
    };
    let mut response = match asking.gate.lets_in(peer.machine, &request) {
        Ok(()) => next.run(request).await,
        Err(refusal) => {
            let mut response = refusal.into_response();
            response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
            response
        }
    };
    keep_to_itself(response.headers_mut());
    response
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    token: String,
    /// The folder to look into, or to watch; none: where one begins to look.
    folder: Option<PathBuf>,
}

/// A request's folder, if it brought the token.
async fn asked(asking: &Asking, peer: &Peer, headers: &HeaderMap, body: Body) -> Result<Option<PathBuf>, Response> {
    let asked: Asked = posted(headers, body).await.map_err(IntoResponse::into_response)?;
    match asking.gate.tries(peer.machine, || asking.token.is(&asked.token)) {
        Tried::Right => Ok(asked.folder),
        Tried::Wrong => Err((StatusCode::UNAUTHORIZED, "this is not the token").into_response()),
        Tried::TooOften => {
            Err((StatusCode::TOO_MANY_REQUESTS, "ten tries a minute: wait a little, then try again").into_response())
        }
    }
}

/// What lies in a folder.
async fn look(
    State(asking): State<Arc<Asking>>,
    Extension(peer): Extension<Peer>,
    headers: HeaderMap,
    body: Body,
) -> Response {
    let folder = match asked(&asking, &peer, &headers, body).await {
        Ok(folder) => folder,
        Err(refused) => return refused,
    };
    // A share that hangs holds up this answer alone.
    let seen = spawn_blocking(move || {
        let beginnings = beginnings();
        let at = folder.or_else(|| beginnings.first().map(|b| b.path.clone()));
        let seen = at.ok_or_else(|| "this user has no home folder: type the folder's path".to_owned());
        (beginnings, seen.and_then(|at| Seen::of(&at)))
    });
    match seen.await {
        Ok((beginnings, Ok(seen))) => Json(json!({"seen": seen, "beginnings": beginnings, "why": asking.why})),
        Ok((beginnings, Err(fault))) => Json(json!({"fault": fault, "beginnings": beginnings, "why": asking.why})),
        Err(_) => return StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
    .into_response()
}

/// Takes the folder, if it can be looked into.
async fn choose(
    State(asking): State<Arc<Asking>>,
    Extension(peer): Extension<Peer>,
    headers: HeaderMap,
    body: Body,
) -> Response {
    let folder = match asked(&asking, &peer, &headers, body).await {
        Ok(Some(folder)) => folder,
        Ok(None) => return (StatusCode::BAD_REQUEST, "which folder?").into_response(),
        Err(refused) => return refused,
    };
    let looked = spawn_blocking(move || Seen::of(&folder)).await;
    match looked {
        // One choice is enough: a second one at the same moment finds no place and changes nothing.
        Ok(Ok(seen)) => {
            let _ = asking.chosen.try_send(seen.path);
            StatusCode::NO_CONTENT.into_response()
        }
        Ok(Err(fault)) => (StatusCode::CONFLICT, fault).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

impl Gate {
    /// Whether a request is for this page, from it, and not one too many.
    fn lets_in(&self, machine: std::net::IpAddr, request: &Request) -> Result<(), super::gate::Refusal> {
        self.check_site(request)?;
        self.keeps_machines_pace(machine, request.method())
    }
}
