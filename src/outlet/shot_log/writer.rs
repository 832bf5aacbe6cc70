//! The shot log on a thread of its own, and the handle that others have of it. A disk that hangs holds up that thread
//! alone: whoever appends waits a moment for the sync, and goes on without it when that is over. How lines get onto the
//! disk is the log's own affair.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::{Duration, Instant};

use super::rescue::{self, Rescue, Unwritten};
use super::{MOST_WAITING, ShotLog};
use crate::session::Ledger;

/// A healthy disk syncs within this.
const SYNC: Duration = Duration::from_millis(400);
/// A disk that answers nothing for so long is told of. Each time that passed by itself it gets twice the time, so that
/// a slow one is not told of without end.
const SILENCE: Duration = Duration::from_secs(1);
const LONGEST_SILENCE: Duration = Duration::from_secs(16);

/// Keeps the lines that the log's thread has not confirmed.
pub struct LogWriter {
    path: PathBuf,
    requests: Sender<Request>,
    stands: Receiver<Stand>,
    /// Requests so far, and how many of them are answered.
    asked: u64,
    answered: u64,
    /// When the thread last had nothing to do, or answered.
    heard: Instant,
    /// The disk was silent for too long, and what it was asked for since is not all done.
    is_silent: bool,
    patience: Duration,
    /// Lines that are known to be on the disk.
    confirmed: u64,
    /// The lines behind those.
    unconfirmed: VecDeque<Arc<str>>,
    /// Lines kept elsewhere until those that wait are written.
    rescue: Option<Rescue>,
    trouble: Option<String>,
    wants_state: bool,
    news: Vec<String>,
}

enum Request {
    Append(Vec<Arc<str>>),
    Retry,
    Carry(Vec<String>),
    End,
}

/// How the log stands after some requests.
struct Stand {
    answered: u64,
    confirmed: u64,
    trouble: Option<String>,
    wants_state: bool,
    news: Vec<String>,
}

impl LogWriter {
    /// Gives a log a thread of its own.
    pub fn of(mut log: ShotLog) -> LogWriter {
        let (requests, asked) = channel();
        let (tell, stands) = channel();
        let writer = LogWriter {
            path: log.path.clone(),
            requests,
            stands,
            asked: 0,
            answered: 0,
            heard: Instant::now(),
            is_silent: false,
            patience: SILENCE,
            confirmed: 0,
            unconfirmed: log.waiting.clone(),
            // What an earlier end kept is needed until the handle knows that its lines are written.
            rescue: log.rescue.take(),
            trouble: log.trouble.clone(),
            wants_state: log.wants_state(),
            news: Vec::new(),
        };
        // Nobody waits for it to end: it may hang in the disk for ever.
        std::thread::spawn(move || work(log, &asked, &tell));
        writer
    }

    /// Where it lies: what a link points to.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Why the disk takes nothing, while it doesn't.
    pub fn trouble(&self) -> Option<&str> {
        if self.is_silent {
            return Some("its disk doesn't answer");
        }
        self.trouble.as_deref()
    }

    /// Lines that are not known to be on the disk.
    pub fn waiting(&self) -> usize {
        self.unconfirmed.len()
    }

    /// The last attempt before the end: what can't be written within a time is kept elsewhere, and told.
    pub fn end(&mut self, within: Duration) -> Result<(), Unwritten> {
        self.request(Request::End);
        self.listen(within);
        if self.unconfirmed.is_empty() {
            return Ok(());
        }
        let why = if self.is_behind() { Some("its disk doesn't answer") } else { self.trouble() };
        let why = why.unwrap_or_default().to_owned();
        Err(rescue::keep(&self.path, self.rescue.as_ref(), &self.unconfirmed, why))
    }

    /// Something that was asked for is not done yet.
    fn is_behind(&self) -> bool {
        self.answered < self.asked
    }

    /// Asks the thread for something, and waits a moment for it; but not behind something that takes long already.
    fn ask(&mut self, request: Request) {
        self.listen(Duration::ZERO);
        let wait = if self.is_behind() { Duration::ZERO } else { SYNC };
        self.request(request);
        self.listen(wait);
    }

    fn request(&mut self, request: Request) {
        if !self.is_behind() {
            self.heard = Instant::now();
        }
        self.asked += 1;
        // Where there is no thread any more, listening finds that out.
        let _ = self.requests.send(request);
    }

    /// Takes what the thread tells, until it has done everything or the time is over.
    fn listen(&mut self, within: Duration) {
        let until = Instant::now() + within;
        while self.is_behind() {
            match self.stands.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(stand) => self.take_in(stand),
                Err(RecvTimeoutError::Timeout) => break,
                Err(RecvTimeoutError::Disconnected) => {
                    self.trouble = Some("its thread broke off, which is a defect: please report it".to_owned());
                    return;
                }
            }
        }
        if self.is_behind() {
            self.is_silent |= self.heard.elapsed() > self.patience;
        } else if std::mem::take(&mut self.is_silent) {
            self.patience = (self.patience * 2).min(LONGEST_SILENCE);
        }
    }

    fn take_in(&mut self, stand: Stand) {
        self.heard = Instant::now();
        let lines = stand.confirmed.saturating_sub(self.confirmed);
        let lines = usize::try_from(lines).unwrap_or(usize::MAX).min(self.unconfirmed.len());
        self.unconfirmed.drain(..lines);
        self.answered = stand.answered;
        self.confirmed = stand.confirmed;
        self.trouble = stand.trouble;
        self.wants_state = stand.wants_state;
        self.news.extend(stand.news);
        if self.unconfirmed.is_empty()
            && let Some(rescue) = self.rescue.take()
        {
            rescue.done();
        }
    }
}

impl Ledger for LogWriter {
    fn append(&mut self, lines: Vec<String>) -> bool {
        let lines: Vec<Arc<str>> = lines.into_iter().map(Arc::from).collect();
        self.unconfirmed.extend(lines.iter().cloned());
        self.ask(Request::Append(lines));
        self.unconfirmed.is_empty()
    }

    fn retry(&mut self) -> bool {
        self.listen(Duration::ZERO);
        // What the thread is at is an attempt already.
        if !self.is_behind() {
            self.ask(Request::Retry);
        }
        self.unconfirmed.is_empty()
    }

    fn is_full(&self) -> bool {
        self.unconfirmed.len() >= MOST_WAITING
    }

    fn wants_state(&self) -> bool {
        self.wants_state && !self.is_behind() && self.unconfirmed.is_empty()
    }

    fn carry(&mut self, state: &[String]) {
        self.ask(Request::Carry(state.to_vec()));
    }

    fn take_news(&mut self) -> Vec<String> {
        std::mem::take(&mut self.news)
    }
}

/// The thread's work: what is asked for, in order, until the end or until nobody is there to ask.
fn work(mut log: ShotLog, asked: &Receiver<Request>, tell: &Sender<Stand>) {
    let mut received = log.waiting.len() as u64;
    let mut answered = 0;
    while let Ok(first) = asked.recv() {
        let mut next = Some(first);
        let (mut is_to_try, mut is_end) = (false, false);
        // Lines that came in while the disk was busy go onto it together.
        while let Some(request) = next {
            answered += 1;
            match request {
                Request::Append(lines) => {
                    received += lines.len() as u64;
                    log.waiting.extend(lines);
                    is_to_try = true;
                }
                Request::Retry => is_to_try = true,
                Request::Carry(state) => {
                    // A state stands behind all the lines that it comes of. One that can't is asked for again.
                    if std::mem::take(&mut is_to_try) {
                        log.retry();
                    }
                    if log.can_carry() {
                        log.carry(&state);
                    }
                }
                Request::End => is_end = true,
            }
            next = asked.try_recv().ok();
        }
        if is_end {
            log.try_at_last();
        } else if is_to_try {
            log.retry();
        }
        let stand = Stand {
            answered,
            confirmed: received - log.waiting.len() as u64,
            trouble: log.trouble.clone(),
            wants_state: log.wants_state(),
            news: log.take_news(),
        };
        if is_end {
            // Whoever hears of the end may open the log again.
            drop(log);
            let _ = tell.send(stand);
            return;
        }
        if tell.send(stand).is_err() {
            return;
        }
    }
}
