//! Requests to end, as systems make them: the first one ends a sitting in order, a second one at once.

use std::future::Future;
use std::io;
use std::process;
use std::time::Duration;

use tokio::sync::oneshot;

/// The exit code of a program that was ended by somebody who pressed Ctrl-C, as shells count it.
const INTERRUPTED: i32 = 130;
/// A terminal gets this long to be given back.
const GIVING_BACK: Duration = Duration::from_millis(100);

/// Resolves on the first request to end. On the second, the program ends at once, after it tried `give_back`.
///
/// They are listened to on a thread of their own: nothing that hangs elsewhere can make a request be missed.
pub fn stop(give_back: impl FnOnce() + Send + 'static) -> io::Result<impl Future<Output = ()>> {
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
                // A window that is closed may hang up twice and more.
                requests.heed_no_hang_up();
                runtime.block_on(requests.next());
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
    Ok(async move {
        // The other end is never dropped before it has sent.
        let _ = came.await;
    })
}

#[cfg(unix)]
struct Requests {
    interrupt: tokio::signal::unix::Signal,
    terminate: tokio::signal::unix::Signal,
    /// Closing a terminal's window asks this; `None` where the user had that ignored (nohup).
    hang_up: Option<tokio::signal::unix::Signal>,
    heeds_hang_up: bool,
}

#[cfg(unix)]
impl Requests {
    fn new() -> io::Result<Requests> {
        use tokio::signal::unix::{SignalKind, signal};
        Ok(Requests {
            interrupt: signal(SignalKind::interrupt())?,
            terminate: signal(SignalKind::terminate())?,
            hang_up: (!is_hang_up_ignored()).then(|| signal(SignalKind::hangup())).transpose()?,
            heeds_hang_up: true,
        })
    }

    /// The signal goes on being taken, so that it ends nothing by itself.
    fn heed_no_hang_up(&mut self) {
        self.heeds_hang_up = false;
    }

    async fn next(&mut self) {
        let hang_up = async {
            match &mut self.hang_up {
                Some(hang_up) if self.heeds_hang_up => hang_up.recv().await,
                _ => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = self.interrupt.recv() => {}
            _ = self.terminate.recv() => {}
            _ = hang_up => {}
        }
    }
}

/// Whether this program was started to outlive its terminal. Only Linux tells; elsewhere it ends with it.
#[cfg(unix)]
fn is_hang_up_ignored() -> bool {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    // Bit 0 is signal 1, which is SIGHUP (proc(5), signal(7)).
    ignored.and_then(|bits| u64::from_str_radix(bits.trim(), 16).ok()).is_some_and(|bits| bits & 1 == 1)
}

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

    /// Nothing here comes twice by itself.
    fn heed_no_hang_up(&mut self) {}

    async fn next(&mut self) {
        tokio::select! {
            _ = self.c.recv() => {}
            _ = self.brk.recv() => {}
            _ = self.close.recv() => {}
            _ = self.shutdown.recv() => {}
            _ = self.logoff.recv() => {}
        }
    }
}
