//! The stand page: what to do at each light, on a phone at its stand; and the whole sitting on a
//! tablet beside the camera.
//!
//! A few fixed files and a stream of server-sent events, for those who signed in with the token. Serves this machine
//! alone unless it is told to open itself to the local network.

mod action;
mod certificate;
mod choosing;
mod feed;
mod gate;
mod light_map;
mod marks;
mod named;
mod opening;
mod phones;
mod plan;
mod private;
mod qr;
mod seats;
mod serve;
mod sessions;
mod sheet;
mod shell;
mod token;
mod trend;
mod tries;
mod wire;

use std::net::{IpAddr, Ipv4Addr};
use std::sync::{Arc, LazyLock};

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Router, middleware};
use serde::Deserialize;
use tokio::sync::{Semaphore, watch};

pub use self::action::command_in;
pub use self::certificate::{Certificate, CertificateError};
pub use self::choosing::{Choosing, Chosen};
use self::gate::Gate;
pub use self::named::checked as checked_name;
pub use self::opening::{Opened, PageSetup};
pub use self::qr::code as qr_code;
use self::seats::Seats;
use self::sessions::Sessions;
use self::shell::file;
pub use self::token::Token;
use super::screen::{Shown, Thumbnail};
use super::socket::Hub;
use crate::numbers::FrameNumber;

/// How far the page is open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Audience {
    /// This machine alone.
    ThisMachine,
    /// The local network.
    LocalNetwork,
}

/// Everything that serving needs.
struct Page {
    hub: Hub,
    screens: watch::Receiver<Arc<Shown>>,
    gate: Gate,
    token: Token,
    sessions: Sessions,
    seats: Arc<Seats>,
    charts: trend::Charts,
    /// Many pages that open at once take turns at the log: a thread for each would take memory from the metering.
    log_reads: Semaphore,
    story: Option<watch::Receiver<String>>,
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

fn router(page: Arc<Page>) -> Router {
    let inside = shell::router(post(phones::enter))
        .route("/feed", get(feed::feed))
        .route("/picture", get(picture))
        .route("/light-map", get(map_of_light))
        .route("/spot", get(spot_picture))
        .route("/trend.svg", get(trend_chart))
        .route("/marks", get(|| async { file("application/json", MARKS.as_str()) }))
        .route("/plan", get(plan::plan))
        .route("/sheet", get(sheet::sheet))
        .route("/action", post(action::act))
        .route("/phones", get(phones::phones))
        .route("/sign-out", post(phones::sign_out))
        .fallback(|| async { StatusCode::NOT_FOUND })
        .with_state(Arc::clone(&page));
    // Around all of it: what a route adds to an answer would tell that there is one.
    Router::new().fallback_service(inside).layer(middleware::from_fn_with_state(page, gate::guard))
}

/// The same for everybody and for ever.
static MARKS: LazyLock<String> = LazyLock::new(marks::all);

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhichFrame {
    frame: FrameNumber,
}

/// The small picture of the last frame, out of memory; an older one is gone.
async fn picture(State(page): State<Arc<Page>>, Query(which): Query<WhichFrame>) -> Response {
    let picture = page.screens.borrow().picture.clone().filter(|p| p.frame == which.frame);
    match picture {
        Some(picture) => match Thumbnail::jpeg(&picture).await {
            Some(jpeg) => file("image/jpeg", jpeg),
            None => (StatusCode::INTERNAL_SERVER_ERROR, "this frame's picture can't be made").into_response(),
        },
        None => (StatusCode::NOT_FOUND, "this frame's picture is not at hand any more").into_response(),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhichMap {
    frame: FrameNumber,
    /// A frame may be judged anew, and then its map is another one.
    #[serde(rename = "n")]
    _n: u64,
}

/// The map of the last frame's light. Drawing it costs less than sending it, so that none is kept.
async fn map_of_light(State(page): State<Arc<Page>>, Query(which): Query<WhichMap>) -> Response {
    let laid = page.screens.borrow().laid.clone().filter(|laid| laid.frame == which.frame);
    match laid.as_ref().and_then(light_map::json) {
        Some(json) => file("application/json", json),
        None => (StatusCode::NOT_FOUND, "there is no light map of this frame").into_response(),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhichSpot {
    picture: u64,
    spot: usize,
}

/// A spot at 1:1.
async fn spot_picture(State(page): State<Arc<Page>>, Query(which): Query<WhichSpot>) -> Response {
    let pictures = Arc::clone(&page.screens.borrow().spot_pictures);
    match pictures.picture(which.picture, which.spot) {
        Some(picture) => file("image/jpeg", picture.jpeg.clone()),
        None => (StatusCode::NOT_FOUND, "this spot's picture is not at hand any more").into_response(),
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WhichChart {
    ink: trend::Ink,
    #[serde(default)]
    width: trend::Width,
    /// Only makes the address another one.
    #[serde(rename = "n")]
    _n: Option<u64>,
}

async fn trend_chart(State(page): State<Arc<Page>>, Query(which): Query<WhichChart>) -> Response {
    let shown = Arc::clone(&page.screens.borrow());
    match page.charts.chart(shown, which.ink, which.width).await {
        Some(svg) => file("image/svg+xml", svg),
        None => (StatusCode::INTERNAL_SERVER_ERROR, "the trend can't be drawn").into_response(),
    }
}
