//! The page's connections: who gets one, for how long, and what it may cost.

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use axum::Router;
use axum::http::{HeaderValue, header};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};
use tokio_rustls::TlsAcceptor;
use tower::ServiceExt;

use super::seats::Seat;
use super::wire::{self, Timed};
use super::{Page, gate};
use crate::outlet::screen::Shown;

/// A client gets this long to write the head of a request, and as long between two.
const HEAD_PATIENCE: Duration = Duration::from_secs(5);
/// A client gets this long to agree on how to encrypt.
const HANDSHAKE_PATIENCE: Duration = Duration::from_secs(5);
/// Most bytes of a request's head.
const LONGEST_HEAD: usize = 16 * 1024;
/// Then a connection ends, and its place is anybody's again.
const MOST_REQUESTS: usize = 100;
/// Pages get this long to hear that the watch ends.
const GOODBYE: Duration = Duration::from_millis(300);
/// When a session was used last is put on the disk this often.
const SAVE_EVERY: Duration = Duration::from_secs(60);

/// Serves until the screens go away; then tells every page, and gives them a moment to hear it.
pub async fn serve(page: Arc<Page>, router: Router, listener: TcpListener, tls: Option<TlsAcceptor>) {
    let mut screens = page.screens.clone();
    let mut connections = JoinSet::new();
    let mut saves = interval(SAVE_EVERY);
    saves.set_missed_tick_behavior(MissedTickBehavior::Delay);
    saves.reset();
    loop {
        while connections.try_join_next().is_some() {}
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = ended(&mut screens) => break,
            _ = saves.tick() => {
                page.sessions.save().await;
                continue;
            }
        };
        match accepted {
            Ok((_, peer)) if !page.gate.takes_connection(peer.ip()) => {}
            Ok((stream, peer)) => {
                let seat = Arc::new(page.seats.sit(peer.ip()));
                let (router, tls) = (router.clone(), tls.clone());
                connections.spawn(async move {
                    tokio::select! {
                        // What has come already is looked at first: it may be from one who signed in.
                        biased;
                        // A client that goes away is no fault of anybody's.
                        _ = connection(stream, peer, router, tls, Arc::clone(&seat)) => {}
                        () = seat.displaced() => {}
                    }
                });
            }
            // Out of file handles, most likely: wait for some to come back.
            Err(e) => {
                tracing::warn!("the page can't take a client: {e}");
                sleep(Duration::from_millis(200)).await;
            }
        }
    }
    // Connections that are only kept open have nothing to hear.
    let _ = timeout(GOODBYE, async { while connections.join_next().await.is_some() {} }).await;
}

async fn ended(screens: &mut watch::Receiver<Arc<Shown>>) {
    while screens.changed().await.is_ok() {}
}

/// A client's connection can't be served.
pub type Fault = Box<dyn std::error::Error + Send + Sync>;

/// Answers one client's requests, within the bounds of this file.
pub async fn connection(
    stream: TcpStream,
    peer: SocketAddr,
    router: Router,
    tls: Option<TlsAcceptor>,
    seat: Arc<Seat>,
) -> Result<(), Fault> {
    wire::set_up(&stream)?;
    let stream = Timed::new(stream);
    match tls {
        None => requests(stream, peer, router, seat).await,
        Some(tls) => {
            let stream = timeout(HANDSHAKE_PATIENCE, tls.accept(stream)).await.map_err(io::Error::from)??;
            requests(stream, peer, router, seat).await
        }
    }
}

async fn requests<S: AsyncRead + AsyncWrite + Unpin + Send + 'static>(
    stream: S,
    peer: SocketAddr,
    router: Router,
    seat: Arc<Seat>,
) -> Result<(), Fault> {
    let asked = AtomicUsize::new(0);
    let service = hyper::service::service_fn(move |mut request: hyper::Request<hyper::body::Incoming>| {
        let is_last = asked.fetch_add(1, Ordering::Relaxed) + 1 >= MOST_REQUESTS;
        request.extensions_mut().insert(gate::Peer { machine: peer.ip(), seat: Arc::clone(&seat) });
        let answer = router.clone().oneshot(request);
        async move {
            let mut response = answer.await?;
            if is_last {
                response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
            }
            Ok::<_, std::convert::Infallible>(response)
        }
    });
    hyper::server::conn::http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD_PATIENCE)
        .max_buf_size(LONGEST_HEAD)
        // Strangers need not be told how this machine's clock stands.
        .auto_date_header(false)
        .serve_connection(TokioIo::new(stream), service)
        .await
        .map_err(Fault::from)
}
