//! Printing that holds nobody up: a thread of its own writes, and what a reader doesn't take in time is left out and
//! counted. A terminal that is held, or a pipe that nobody reads, costs its own lines and nothing else.

use std::collections::VecDeque;
use std::io::{self, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use tokio::sync::broadcast::{self, error::RecvError};
use tokio::task::JoinHandle;

use crate::session::Published;

/// Text that waits for its reader.
const MOST_BYTES: usize = 256 << 10;
/// Texts that wait for their reader.
const MOST_TEXTS: usize = 2048;

/// Where text is handed over. All that are cloned from one print through one thread, in order.
#[derive(Debug, Clone)]
pub struct Printer(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    queue: Mutex<Queue>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Queue {
    waiting: VecDeque<Waiting>,
    bytes: usize,
    /// A text is being written.
    writes: bool,
    /// Its reader is gone for good.
    is_closed: bool,
}

#[derive(Debug)]
enum Waiting {
    Text(String),
    /// So many lines were left out here.
    LeftOut(usize),
}

impl Printer {
    pub fn to_stdout() -> Printer {
        Printer::to(io::stdout())
    }

    pub fn to_stderr() -> Printer {
        Printer::to(io::stderr())
    }

    /// Prints into whatever takes bytes, for as long as it does.
    pub fn to(out: impl Write + Send + 'static) -> Printer {
        let shared = Arc::new(Shared::default());
        let queue = Arc::clone(&shared);
        // Not one of the async workers': a write that never ends must not hold up the end either.
        std::thread::spawn(move || queue.print(out));
        Printer(shared)
    }

    /// Hands over text that is printed with a line's end after it. Never waits.
    pub fn say(&self, text: &str) {
        let mut queue = self.0.lock();
        if queue.is_closed {
            return;
        }
        let lines = text.lines().count().max(1);
        let is_full = queue.bytes + text.len() > MOST_BYTES || queue.waiting.len() >= MOST_TEXTS;
        match queue.waiting.back_mut() {
            Some(Waiting::LeftOut(before)) if is_full => *before += lines,
            _ if is_full => queue.waiting.push_back(Waiting::LeftOut(lines)),
            _ => {
                queue.bytes += text.len();
                queue.waiting.push_back(Waiting::Text(text.to_owned()));
            }
        }
        drop(queue);
        self.0.changed.notify_all();
    }

    /// Waits until everything is printed; not longer than this.
    pub fn finish(&self, patience: Duration) {
        let until = Instant::now() + patience;
        let mut queue = self.0.lock();
        while !queue.is_closed && (queue.writes || !queue.waiting.is_empty()) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return;
            }
            queue = self.0.changed.wait_timeout(queue, left).map_or_else(|e| e.into_inner().0, |(queue, _)| queue);
        }
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Writes what waits until nobody reads it any more.
    fn print(&self, mut out: impl Write) {
        loop {
            let text = match self.next() {
                Waiting::Text(text) => text,
                Waiting::LeftOut(1) => "(1 line not shown)".to_owned(),
                Waiting::LeftOut(lines) => format!("({lines} lines not shown)"),
            };
            let written = writeln!(out, "{text}").and_then(|()| out.flush());
            let mut queue = self.lock();
            queue.writes = false;
            if written.is_err() {
                *queue = Queue { is_closed: true, ..Queue::default() };
            }
            let is_closed = queue.is_closed;
            drop(queue);
            self.changed.notify_all();
            if is_closed {
                return;
            }
        }
    }

    fn next(&self) -> Waiting {
        let mut queue = self.lock();
        loop {
            if let Some(next) = queue.waiting.pop_front() {
                if let Waiting::Text(text) = &next {
                    queue.bytes -= text.len();
                }
                queue.writes = true;
                return next;
            }
            queue = self.changed.wait(queue).unwrap_or_else(PoisonError::into_inner);
        }
    }
}

/// Hands every record on as it is announced, until the sitting ends; `left_out` hears how many were missed.
pub fn each_record(
    mut events: broadcast::Receiver<Arc<Published>>,
    mut show: impl FnMut(&Published) + Send + 'static,
    mut left_out: impl FnMut(u64) + Send + 'static,
) -> JoinHandle<()> {
    tokio::spawn(async move {
        loop {
            match events.recv().await {
                Ok(published) => show(&published),
                Err(RecvError::Lagged(missed)) => left_out(missed),
                Err(RecvError::Closed) => return,
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc;

    use super::*;

    /// A reader that takes what is written only when it is let.
    struct Held {
        go: mpsc::Receiver<()>,
        taken: Arc<Mutex<String>>,
    }

    impl Write for Held {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.go.recv().map_err(io::Error::other)?;
            self.taken.lock().unwrap().push_str(&String::from_utf8_lossy(bytes));
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn held() -> (Printer, mpsc::Sender<()>, Arc<Mutex<String>>) {
        let (let_go, go) = mpsc::channel();
        let taken = Arc::new(Mutex::new(String::new()));
        (Printer::to(Held { go, taken: Arc::clone(&taken) }), let_go, taken)
    }

    #[test]
    fn what_a_reader_does_not_take_is_left_out_and_counted() {
        let (printer, let_go, taken) = held();
        let began = Instant::now();
        for number in 0..MOST_TEXTS + 100 {
            printer.say(&format!("line {number}"));
        }
        printer.finish(Duration::from_millis(10));
        assert!(began.elapsed() < Duration::from_secs(10), "nobody waits for the reader");
        (0..10_000).for_each(|_| let_go.send(()).unwrap());
        printer.finish(Duration::from_secs(20));
        printer.say("after");
        printer.finish(Duration::from_secs(20));
        let text = taken.lock().unwrap().clone();
        let shown = text.lines().filter(|l| l.starts_with("line ")).count();
        let left_out = MOST_TEXTS + 100 - shown;
        assert!(left_out >= 99, "{left_out}");
        assert!(text.ends_with(&format!("({left_out} lines not shown)\nafter\n")), "{}", &text[text.len() - 60..]);
    }

    #[test]
    fn long_text_is_bounded_too() {
        let (printer, _let_go, _) = held();
        for _ in 0..100 {
            printer.say(&"x".repeat(100_000));
        }
        assert!(printer.0.lock().bytes <= MOST_BYTES);
    }

    #[test]
    fn a_reader_that_is_gone_costs_nothing() {
        let (printer, let_go, _) = held();
        drop(let_go);
        printer.say("never read");
        printer.finish(Duration::from_secs(20));
        printer.say("nor this");
        assert!(printer.0.lock().waiting.is_empty());
    }
}
