//! What happens, as server-sent events (WHATWG HTML, 9.2): the board whenever it changes, each
//! record's words once, and a beat by which a page knows that it is still connected.

use std::convert::Infallible;
use std::future::pending;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Extension;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::sse::{Event, Sse};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::json;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};
use tokio_stream::wrappers::ReceiverStream;

use super::Page;
use super::gate::{Peer, SignedIn};
use crate::numbers::RecordNumber;
use crate::outlet::plain::{Paint, block};
use crate::outlet::shot_log::{LogReader, PORTION, portion};
use crate::session::{Body, Published, Record};

/// A page takes its connection for lost after two of these and a half.
const BEAT: Duration = Duration::from_secs(1);
/// In a burst a page is not sent every state of the board; the last one always.
const BOARDS_APART: Duration = Duration::from_millis(100);
/// Events on their way to one page; while it does not read, the rest stays in the log.
const WAITING: usize = 16;
/// A page that takes nothing for this long is gone.
const SEND_PATIENCE: Duration = Duration::from_secs(10);
/// What a page that has just opened is told of what was before.
const BEFORE: u64 = 80;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Resume {
    /// The last record that the page was told.
    after: Option<RecordNumber>,
}

type Sender = mpsc::Sender<Result<Event, Infallible>>;
/// The page went away, or may stay no longer.
struct Gone;

pub async fn feed(
    State(page): State<Arc<Page>>,
    Extension(Peer { machine, .. }): Extension<Peer>,
    Extension(SignedIn(session)): Extension<SignedIn>,
    Query(Resume { after }): Query<Resume>,
) -> Response {
    let Some(seat) = page.seats.feed(machine) else {
        return (StatusCode::SERVICE_UNAVAILABLE, "as many pages as can be are open already").into_response();
    };
    let (to_page, events) = mpsc::channel(WAITING);
    tokio::spawn(async move {
        let _seat = seat;
        tokio::select! {
            _ = follow(&page, session, after, &to_page) => {}
            () = signed_out(&page, session) => {}
        }
        if !page.sessions.touch(session) {
            // A page that doesn't read isn't told, but ended all the same.
            let _ = to_page.try_send(Ok(Event::default().event("signed_out").data("-")));
        }
    });
    Sse::new(ReceiverStream::new(events)).into_response()
}

/// Resolves when a session was ended.
async fn signed_out(page: &Page, session: u64) {
    let mut changes = page.sessions.changes();
    while page.sessions.touch(session) {
        if changes.changed().await.is_err() {
            return;
        }
    }
}

async fn follow(page: &Page, session: u64, after: Option<RecordNumber>, to_page: &Sender) -> Result<(), Gone> {
    // Before the log is read, so that nothing falls in between.
    let mut records = page.hub.events.subscribe();
    let mut screens = page.screens.clone();
    let mut phones = page.sessions.changes();
    let now = screens.borrow_and_update().board.n;
    // A page that knows more than there is has followed another log.
    let mut last_sent = after.filter(|after| *after <= now).unwrap_or(now.back(BEFORE));
    send(Event::default().event("begin").data(json!({"after": last_sent}).to_string()), to_page).await?;
    let mut log = LogReader::new(&page.hub.log, last_sent.next());
    tell_from_log(page, &mut log, &mut last_sent, to_page).await?;
    let json = screens.borrow_and_update().json.clone();
    send_board(&json, to_page).await?;
    let mut story = page.story.clone();
    // What is being told already is told to who comes late.
    story.iter_mut().for_each(watch::Receiver::mark_changed);
    let (mut rest, mut resting) = (pin!(sleep(BOARDS_APART)), true);
    let mut beats = interval(BEAT);
    beats.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            record = records.recv() => match record {
                Ok(published) => {
                    if published.record.n > last_sent.next() {
                        tell_from_log(page, &mut log, &mut last_sent, to_page).await?;
                    }
                    if published.record.n > last_sent {
                        tell_gap(last_sent, published.record.n, to_page).await?;
                        last_sent = published.record.n;
                        send_news(&published.record, to_page).await?;
                    }
                }
                // Too slow to be told from memory: the log has it all.
                Err(broadcast::error::RecvError::Lagged(_)) => tell_from_log(page, &mut log, &mut last_sent, to_page).await?,
                Err(broadcast::error::RecvError::Closed) => return Ok(()),
            },
            Ok(()) = phones.changed() => send(Event::default().event("phones").data("-"), to_page).await?,
            text = next_of(&mut story) => send_story(&text, to_page).await?,
            () = &mut rest, if resting => resting = false,
            changed = screens.changed(), if !resting => {
                if changed.is_err() {
                    return tell_the_end(&mut records, last_sent, to_page).await;
                }
                let json = screens.borrow_and_update().json.clone();
                send_board(&json, to_page).await?;
                rest.as_mut().reset(Instant::now() + BOARDS_APART);
                resting = true;
            }
            _ = beats.tick() => {
                // An open page is a session in use.
                if !page.sessions.touch(session) {
                    return Err(Gone);
                }
                send(Event::default().event("beat").data("-"), to_page).await?;
            }
        }
    }
}

/// The watch ends: what is on its way is still told, its last record above all.
async fn tell_the_end(
    records: &mut broadcast::Receiver<Arc<Published>>,
    last_sent: RecordNumber,
    to_page: &Sender,
) -> Result<(), Gone> {
    while let Ok(published) = records.try_recv() {
        if published.record.n > last_sent {
            send_news(&published.record, to_page).await?;
        }
    }
    Ok(())
}

async fn tell_from_log(
    page: &Page,
    log: &mut LogReader,
    last_sent: &mut RecordNumber,
    to_page: &Sender,
) -> Result<(), Gone> {
    log.skip_to(last_sent.next());
    loop {
        // A log that can't be read now is read at the next gap.
        let lines = {
            let _turn = page.log_reads.acquire().await;
            portion(log).await.unwrap_or_default()
        };
        for (n, line) in &lines {
            tell_gap(*last_sent, *n, to_page).await?;
            *last_sent = *n;
            if let Ok(record) = Record::from_line(line) {
                send_news(&record, to_page).await?;
            }
        }
        if lines.len() < PORTION {
            return Ok(());
        }
    }
}

/// Says which records between the last one told and this one are in no log, as while the disk takes nothing.
async fn tell_gap(last_sent: RecordNumber, n: RecordNumber, to_page: &Sender) -> Result<(), Gone> {
    if n <= last_sent.next() {
        return Ok(());
    }
    let (first, last) = (last_sent.next(), n.back(1));
    let at = Timestamp::now().to_zoned_datetime(TimeZone::system()).strftime("%H:%M:%S").to_string();
    let message = format!("! records {first} to {last} can't be shown: the shot log doesn't have them, or not yet");
    let news = json!({"n": last, "at": at, "message": message, "ended": false});
    send(Event::default().event("news").id(last.to_string()).data(news.to_string()), to_page).await
}

async fn send(event: Event, to_page: &Sender) -> Result<(), Gone> {
    timeout(SEND_PATIENCE, to_page.send(Ok(event))).await.map_err(|_| Gone)?.map_err(|_| Gone)
}

async fn send_board(json: &str, to_page: &Sender) -> Result<(), Gone> {
    send(Event::default().event("board").data(json), to_page).await
}

/// What is told next of the studio; never resolves where nothing is.
async fn next_of(story: &mut Option<watch::Receiver<String>>) -> String {
    let Some(told) = story else { return pending().await };
    while told.changed().await.is_ok() {
        let text = told.borrow_and_update().clone();
        if !text.is_empty() {
            return text;
        }
    }
    pending().await
}

async fn send_story(text: &str, to_page: &Sender) -> Result<(), Gone> {
    send(Event::default().event("story").data(json!(text).to_string()), to_page).await
}

/// A record in words, with its number as the event's id. One that has no words still moves the number.
async fn send_news(record: &Record, to_page: &Sender) -> Result<(), Gone> {
    let at = record.at.to_zoned_datetime(TimeZone::system()).strftime("%H:%M:%S").to_string();
    let message = block(record, Paint::Plain);
    let news = json!({"n": record.n, "at": at, "message": message, "ended": record.body == Body::Closed});
    send(Event::default().event("news").id(record.n.to_string()).data(news.to_string()), to_page).await
}
