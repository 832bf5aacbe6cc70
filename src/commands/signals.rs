//! Requests to end, as systems make them: the first one ends a sitting in order, a second one at once.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::process;
use std::time::Duration;

use tokio::sync::oneshot;

/// The exit code of a program that was ended by somebody who pressed Ctrl-C, as shells count it.
const INTERRUPTED: i32 = 130;
/// A terminal gets this long to be given back.
const GIVING_BACK: Duration = Duration::from_millis(100);

/// Resolves on the first request to end, also where that came while nobody waited for it.
pub type Stop = Pin<Box<dyn Future<Output = ()> + Send>>;

/// Resolves on the first request to end. On the second, the program ends at once, after it tried `give_back`.
///
/// They are listened to on a thread of their own: nothing that hangs elsewhere can make a request be missed.
pub fn stop(give_back: impl FnOnce() + Send + 'static) -> io::Result<Stop> {
    let (first, came) = oneshot::channel();
    let (set_up, is_set_up) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        let started = runtime.and_then(|runtime| {
            let requests = {
                let _within = runtime.enter();
                Requests::new()?
            };
            Ok((runtime, requests))
        });
        match started {
            Ok((runtime, mut requests)) => {
                let _ = set_up.send(Ok(()));
                runtime.block_on(requests.next());
                let _ = first.send(());
                while !runtime.block_on(requests.next()).ends_at_once() {}
                // A terminal that is stuck takes nothing back.
                std::thread::spawn(give_back);
                std::thread::sleep(GIVING_BACK);
                process::exit(INTERRUPTED);
            }
            Err(e) => {
                let _ = set_up.send(Err(e));
            }
        }
    });
    is_set_up.recv().map_err(io::Error::other)??;
    Ok(Box::pin(async move {
        // The other end is never dropped before it has sent.
        let _ = came.await;
    }))
}

/// What somebody, or the system, asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Request {
    /// By a key, or by another program.
    Asked,
    /// The terminal's window is closed, the user logs off, the machine is shut down.
    WindowCloses,
}

impl Request {
    /// Whether this ends a program that is ending already. A window that is closed may say so twice and more, and a log-off says
    /// so to each window first: that hurries nobody.
    fn ends_at_once(self) -> bool {
        self == Request::Asked
    }
}

#[cfg(unix)]
struct Requests {
    interrupt: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
    /// Closing a terminal's window asks this; `None` where the user had that ignored (nohup).
    hang_up: Option<tokio::signal::unix::Signal>,
}

#[cfg(unix)]
impl Requests {
    fn new() -> io::Result<Requests> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Requests {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: (!is_hang_up_ignored()).then(|| signal(SignalKind::hangup())).transpose()?,
        })
    }

    async fn next(&mut self) -> Request {
        let hang_up = async {
            match &mut self.hang_up {
                Some(hang_up) => hang_up.recv().await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.interrupt.recv() => Request::Asked,
            _ = self.terminate.recv() => Request::Asked,
            _ = hang_up => Request::WindowCloses,
        }
    }
}

/// Whether this program was started to outlive its terminal. Only Linux tells; elsewhere it ends with it.
#[cfg(unix)]
fn is_hang_up_ignored() -> bool {
    ignores_hang_up(&std::fs::read_to_string("/proc/self/status").unwrap_or_default())
}

#[cfg(unix)]
fn ignores_hang_up(status: &str) -> bool {
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // Bit 0 is signal 1, which is SIGHUP (proc(5), signal(7)).
    ignored.and_then(|bits| u64::from_str_radix(bits.trim(), 16).ok()).is_some_and(|bits| bits & 1 == 1)
}

/// Where a window is closed, the system ends the program as soon as tokio's handler returns, which it never does, or after
/// some seconds: time enough for an end in order.
#[cfg(windows)]
struct Requests {
    c: tokio::signal::windows::CtrlC,
    brk: tokio::signal::windows::CtrlBreak,
    close: tokio::signal::windows::CtrlClose,
    shutdown: tokio::signal::windows::CtrlShutdown,
    logoff: tokio::signal::windows::CtrlLogoff,
}

#[cfg(windows)]
impl Requests {
    fn new() -> io::Result<Requests> {
        use tokio::signal::windows::{ctrl_break, ctrl_c, ctrl_close, ctrl_logoff, ctrl_shutdown};
        Ok(Requests {
            c: ctrl_c()?,
            brk: ctrl_break()?,
            close: ctrl_close()?,
            shutdown: ctrl_shutdown()?,
            logoff: ctrl_logoff()?,
        })
    }

    async fn next(&mut self) -> Request {
        tokio::select! {
            _ = self.c.recv() => Request::Asked,
            _ = self.brk.recv() => Request::Asked,
            _ = self.close.recv() => Request::WindowCloses,
            _ = self.shutdown.recv() => Request::WindowCloses,
            _ = self.logoff.recv() => Request::WindowCloses,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Where in a row of requests the program ends at once; before, the first of them ends it in order.
    fn ends_at(requests: &[Request]) -> Option<usize> {
        requests.iter().skip(1).position(|request| request.ends_at_once()).map(|at| at + 1)
    }

    #[test]
    fn a_second_key_hurries_and_a_window_that_closes_does_not() {
        use Request::{Asked, WindowCloses};
        assert_eq!(ends_at(&[Asked]), None);
        assert_eq!(ends_at(&[Asked, Asked]), Some(1));
        // Windows: the window, then the log-off, then the shutdown. Linux: the shell, then the terminal.
        assert_eq!(ends_at(&[WindowCloses, WindowCloses, WindowCloses]), None);
        assert_eq!(ends_at(&[WindowCloses, WindowCloses, Asked]), Some(2));
        assert_eq!(ends_at(&[Asked, WindowCloses]), None);
    }

    #[cfg(unix)]
    #[test]
    fn who_is_to_outlive_the_terminal_is_read_from_the_status() {
        assert!(ignores_hang_up("Name:\tx\nSigIgn:\t0000000000000001\n"));
        assert!(!ignores_hang_up("SigIgn:\t0000000000001000\n"));
        assert!(!ignores_hang_up(""), "the system tells nothing");
    }
}
