//! The page of a start that knows no capture folder: it asks for one, on this machine alone, and goes away when it has it.
//!
//! Its gate is the stand page's: the same token, hosts, origins and number of wrong tries. It keeps no session: each request
//! brings the token, and none is answered without.

mod beginnings;
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

use self::beginnings::Beginnings;
use self::folders::{Seen, beginnings, home};
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
/// A folder that can be watched tells within this what lies in it.
const LOOK: Duration = Duration::from_secs(10);

/// Tells what stands in a folder's way, in a sentence.
pub type Remark = fn(&Path) -> Option<String>;

/// The page, open but not yet served.
#[derive(Debug)]
pub struct Choosing {
    listener: TcpListener,
    token: Token,
    token_file: PathBuf,
    /// Why it is asked, where there was a folder before.
    why: Option<String>,
    remark: Remark,
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
    remark: Remark,
    beginnings: Beginnings,
    chosen: mpsc::Sender<PathBuf>,
}

impl Choosing {
    /// Opens the port, for this machine alone, and writes the address with its token where this user alone can read it.
    pub async fn open(token: Token, token_file: PathBuf, why: Option<String>, remark: Remark) -> io::Result<Choosing> {
        let listener = listen(Audience::ThisMachine, None).await?;
        let port = listener.local_addr()?.port();
        private::write(&token_file, &address(port, &token)).map_err(|e| {
            io::Error::new(e.kind(), format!("its token can't be written to {}: {e}", token_file.display()))
        })?;
        Ok(Choosing { listener, token, token_file, why, remark, port })
    }

    /// Where the address with its token is read.
    pub fn token_file(&self) -> &Path {
        &self.token_file
    }

    /// Serves until a folder is chosen, or until one comes by itself.
    pub async fn serve(self, comes: impl Future<Output = PathBuf>) -> Chosen {
        tokio::pin!(comes);
        let (chosen, mut choice) = mpsc::channel(1);
        let asking = Asking {
            gate: Gate::new(Audience::ThisMachine, self.port, false, None),
            token: self.token.clone(),
            why: self.why.clone(),
            remark: self.remark,
            beginnings: Beginnings::new(home().into_iter().collect(), beginnings),
            chosen,
        };
        let (router, seats) = (router(Arc::new(asking)), Arc::new(Seats::default()));
        let mut connections = JoinSet::new();
        let folder = loop {
            while connections.try_join_next().is_some() {}
            tokio::select! {
                // The sender lives as long as the router does.
                Some(folder) = choice.recv() => break folder,
                folder = &mut comes => break folder,
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
        // It opens nothing any more; that of another start, which took its place, does.
        private::remove(&self.token_file, &address(self.port, &self.token));
    }
}

/// The address that signs in, as the token's file has it.
fn address(port: u16, token: &Token) -> String {
    format!("http://127.0.0.1:{port}/#{}\n", token.as_str())
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

/// Looks into a folder. A share that hangs holds up this answer alone, and not for ever.
async fn seen(folder: PathBuf, remark: Remark) -> Result<(Seen, Option<String>), String> {
    let silent = format!("{} doesn't answer: look whether its disk or share is still there", folder.display());
    let looked = spawn_blocking(move || Seen::of(&folder).map(|seen| (seen, remark(&folder))));
    match timeout(LOOK, looked).await {
        Ok(Ok(seen)) => seen,
        Ok(Err(_)) => Err("this folder can't be looked into, which is a defect: please report it".to_owned()),
        Err(_) => Err(silent),
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
    let beginnings = asking.beginnings.now().await;
    let seen = match folder.or_else(|| beginnings.first().map(|b| b.path.clone())) {
        Some(at) => seen(at, asking.remark).await,
        None => Err("this user has no home folder: type the folder's path".to_owned()),
    };
    // Every path is text: it came as such, or was left out where it is none.
    match seen {
        Ok((seen, remark)) => Json(json!({"seen": seen, "fault": remark, "beginnings": beginnings, "why": asking.why})),
        Err(fault) => Json(json!({"fault": fault, "beginnings": beginnings, "why": asking.why})),
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
    match seen(folder, asking.remark).await {
        // One choice is enough: a second one at the same moment finds no place and changes nothing.
        Ok((seen, _)) => {
            let _ = asking.chosen.try_send(seen.path);
            StatusCode::NO_CONTENT.into_response()
        }
        Err(fault) => (StatusCode::CONFLICT, fault).into_response(),
    }
}

impl Gate {
    /// Whether a request is for this page, from it, and not one too many.
    fn lets_in(&self, machine: std::net::IpAddr, request: &Request) -> Result<(), super::gate::Refusal> {
        self.check_site(request)?;
        self.keeps_machines_pace(machine, request.method())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn the_end_of_one_start_leaves_the_token_of_another() {
        let home = tempfile::tempdir().unwrap();
        let file = home.path().join("greyhold/page.token");
        let open = async || Choosing::open(Token::fresh().unwrap(), file.clone(), None, |_| None).await.unwrap();
        let first = open().await;
        let second = open().await;
        drop(first);
        assert_eq!(std::fs::read_to_string(&file).unwrap(), address(second.port, &second.token));
        drop(second);
        assert!(!file.exists());
    }
}
