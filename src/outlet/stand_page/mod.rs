//! The stand page: what to do at each light, on a phone at its stand; and the whole sitting on a
//! tablet beside the camera.
//!
//! A few fixed files and a stream of server-sent events. Serves this machine alone unless it is told
//! to open itself to the local network, and then only those who have the token.

mod feed;
mod gate;
mod marks;
mod qr;
mod trend;
mod wish;

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Router, middleware};
use hyper_util::rt::{TokioIo, TokioTimer};
use serde::Deserialize;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;
use tower::ServiceExt;

pub use self::gate::{Gate, Token};
pub use self::qr::code as qr_code;
pub use self::wish::command_in;
use super::screen::{Picture, Shown};
use super::socket::Hub;

/// Where the page is served when nothing else is said, if that is free.
pub const USUAL_PORT: u16 = 4718;
/// Pages that follow the sitting at one time.
const MOST_FEEDS: usize = 64;
/// Connections at one time; a browser keeps up to six.
const MOST_CONNECTIONS: usize = 256;
/// A client gets this long to write the head of a request.
const HEAD_PATIENCE: Duration = Duration::from_secs(5);
/// Pages get this long to hear that the watch ends.
const GOODBYE: Duration = Duration::from_millis(300);
/// Most bytes of a request's head.
const LONGEST_HEAD: usize = 16 * 1024;

/// How far the page is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Audience {
    /// This machine alone.
    ThisMachine,
    /// The local network, with the token.
    LocalNetwork,
}

/// Everything that serving needs.
pub struct Page {
    hub: Hub,
    screens: watch::Receiver<Arc<Shown>>,
    gate: Gate,
    feeds: Arc<Semaphore>,
    charts: trend::Charts,
    /// Many pages that open at once take turns at the log: a thread for each would take memory from the metering.
    log_reads: Semaphore,
}

/// Opens the port: `None` is the usual one, or any when that is taken.
pub async fn listen(audience: Audience, port: Option<u16>) -> io::Result<TcpListener> {
    let host = match audience {
        Audience::ThisMachine => Ipv4Addr::LOCALHOST,
        Audience::LocalNetwork => Ipv4Addr::UNSPECIFIED,
    };
    match (TcpListener::bind((host, port.unwrap_or(USUAL_PORT))).await, port) {
        (Err(e), None) if e.kind() == io::ErrorKind::AddrInUse => TcpListener::bind((host, 0)).await,
        (bound, _) => bound,
    }
}

/// Addresses by which others on the local network reach this machine, likeliest first.
pub fn addresses() -> Vec<IpAddr> {
    let mut found: Vec<Ipv4Addr> = if_addrs::get_if_addrs()
        .unwrap_or_default()
        .into_iter()
        .filter(|i| !i.is_loopback() && !i.is_link_local())
        .filter_map(|i| match i.ip() {
            IpAddr::V4(ip) => Some(ip),
            IpAddr::V6(_) => None,
        })
        .collect();
    // Studio routers hand out these (RFC 1918); the rest is mostly virtual.
    found.sort_by_key(|ip| (!ip.is_private(), ip.octets()[0] != 192));
    found.into_iter().map(IpAddr::V4).collect()
}

impl Page {
    pub fn new(hub: Hub, screens: watch::Receiver<Arc<Shown>>, gate: Gate) -> Page {
        Page {
            hub,
            screens,
            gate,
            feeds: Arc::new(Semaphore::new(MOST_FEEDS)),
            charts: trend::Charts::default(),
            log_reads: Semaphore::new(1),
        }
    }

    /// Serves until the screens go away; then tells every page, and gives them a moment to hear it.
    pub async fn serve(self, listener: TcpListener) {
        let mut screens = self.screens.clone();
        let router = router(Arc::new(self));
        let seats = Arc::new(Semaphore::new(MOST_CONNECTIONS));
        let mut connections = JoinSet::new();
        loop {
            while connections.try_join_next().is_some() {}
            let Ok(seat) = Arc::clone(&seats).acquire_owned().await else { return };
            let accepted = tokio::select! {
                accepted = listener.accept() => accepted,
                () = ended(&mut screens) => break,
            };
            match accepted {
                Ok((stream, peer)) => {
                    let router = router.clone();
                    connections.spawn(async move {
                        let _seat = seat;
                        // A client that goes away is no fault of anybody's.
                        let _ = connection(stream, peer, router).await;
                    });
                }
                // Out of file handles, most likely: wait for some to come back.
                Err(e) => {
                    tracing::warn!("the page can't take a client: {e}");
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
            }
        }
        // Connections that are only kept open have nothing to hear.
        let _ = timeout(GOODBYE, async { while connections.join_next().await.is_some() {} }).await;
    }
}

async fn ended(screens: &mut watch::Receiver<Arc<Shown>>) {
    while screens.changed().await.is_ok() {}
}

async fn connection(stream: tokio::net::TcpStream, peer: SocketAddr, router: Router) -> hyper::Result<()> {
    let service = hyper::service::service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        request.extensions_mut().insert(gate::Peer(peer.ip()));
        router.clone().oneshot(request)
    });
    hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_PATIENCE)
        .max_buf_size(LONGEST_HEAD)
        .serve_connection(TokioIo::new(stream), service)
        .await
}

fn router(page: Arc<Page>) -> Router {
    let html = || async { file("text/html; charset=utf-8", include_str!("assets/page.html")) };
    // The empty page is anybody's: by it people come in.
    let shell = Router::new()
        .route("/", get(html))
        .route("/set", get(html))
        .route("/page.css", get(|| async { file("text/css; charset=utf-8", include_str!("assets/page.css")) }))
        .route("/page.js", get(|| async { file(SCRIPT, include_str!("assets/page.js")) }))
        .route("/stand.js", get(|| async { file(SCRIPT, include_str!("assets/stand.js")) }))
        .route("/set.js", get(|| async { file(SCRIPT, include_str!("assets/set.js")) }))
        .route("/icon.svg", get(|| async { file("image/svg+xml", include_str!("assets/icon.svg")) }))
        .route("/enter", post(gate::enter));
    let sitting = Router::new()
        .route("/feed", get(feed::feed))
        .route("/picture", get(picture))
        .route("/trend.svg", get(trend_chart))
        .route("/marks", get(|| async { file("application/json", marks::all()) }))
        .route("/wish", post(wish::wish))
        .fallback(|| async { StatusCode::NOT_FOUND })
        .layer(middleware::from_fn_with_state(Arc::clone(&page), gate::need_token));
    shell.merge(sitting).layer(middleware::from_fn_with_state(Arc::clone(&page), gate::guard)).with_state(page)
}

const SCRIPT: &str = "text/javascript; charset=utf-8";

fn file(kind: &'static str, text: impl Into<axum::body::Body>) -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], text.into()).into_response()
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhichFrame {
    frame: u64,
}

/// The small picture of the last frame, out of memory; an older one is gone.
async fn picture(State(page): State<Arc<Page>>, Query(which): Query<WhichFrame>) -> Response {
    let picture = page.screens.borrow().picture.clone().filter(|p| p.frame == which.frame);
    match picture {
        Some(picture) => match Picture::jpeg(&picture).await {
            Some(jpeg) => file("image/jpeg", jpeg),
            None => (StatusCode::INTERNAL_SERVER_ERROR, "this frame's picture can't be made").into_response(),
        },
        None => (StatusCode::NOT_FOUND, "this frame's picture is not at hand any more").into_response(),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Ink {
    ink: trend::Ink,
    /// Only makes the address another one.
    #[serde(rename = "n")]
    _n: Option<u64>,
}

async fn trend_chart(State(page): State<Arc<Page>>, Query(Ink { ink, .. }): Query<Ink>) -> Response {
    let shown = Arc::clone(&page.screens.borrow());
    file("image/svg+xml", page.charts.chart(&shown.board.trend, shown.board.tolerance, ink))
}
