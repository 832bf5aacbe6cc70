//! What the system's service manager is told, where one started this program and asked for it (sd_notify(3)): that the watch is
//! up, that it lives, and that it ends. Elsewhere nothing is told to anybody.

use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::time::Duration;

use tokio::sync::mpsc;

use crate::outlet::socket::{Ask, ask};
use crate::session::Command;

/// The service is up; the words stand in its status.
pub fn is_up(status: &str) {
    told::say(&[told::State::Ready, told::State::Status(status)]);
}

/// The service ends in order.
pub fn ends() {
    told::say(&[told::State::Stopping]);
}

/// Tells the manager again and again that the sitting answers, as often as it wants to hear it; never ends before the sitting does.
pub async fn keep_told(commands: mpsc::Sender<Ask>) {
    let Some(every) = told::asked_every().map(pause_between) else { return };
    loop {
        // A sitting that answers nobody hangs, whatever else of the program still runs.
        if !ask(&commands, Command::Status {}).await.ok {
            return;
        }
        told::say(&[told::State::Watchdog]);
        tokio::time::sleep(every).await;
    }
}

/// Twice within the manager's patience, as sd_watchdog_enabled(3) recommends.
fn pause_between(patience: Duration) -> Duration {
    patience / 2
}

/// Pings by a timer alone until this is dropped, for a time in which no sitting can answer yet.
pub struct Pings {
    _ends: Sender<()>,
}

impl Pings {
    /// None where nobody wants to be told.
    pub fn begin() -> Option<Pings> {
        let every = told::asked_every().map(pause_between)?;
        Some(Pings::each(every, || told::say(&[told::State::Watchdog])))
    }

    /// On a thread of its own: from the question for the folder to the sitting no runtime goes through.
    fn each(every: Duration, ping: impl Fn() + Send + 'static) -> Pings {
        let (ends, ended) = channel::<()>();
        std::thread::spawn(move || {
            loop {
                ping();
                if ended.recv_timeout(every) != Err(RecvTimeoutError::Timeout) {
                    return;
                }
            }
        });
        Pings { _ends: ends }
    }
}

#[cfg(target_os = "linux")]
mod told {
    use std::time::Duration;

    pub use sd_notify::NotifyState as State;

    pub fn say(states: &[State<'_>]) {
        if let Err(e) = sd_notify::notify(states) {
            tracing::warn!("the service manager can't be told how this service stands: {e}");
        }
    }

    pub fn asked_every() -> Option<Duration> {
        sd_notify::watchdog_enabled()
    }
}

#[cfg(not(target_os = "linux"))]
mod told {
    use std::time::Duration;

    #[allow(dead_code, reason = "there is nobody to be told")]
    pub enum State<'a> {
        Ready,
        Stopping,
        Watchdog,
        Status(&'a str),
    }

    pub fn say(_: &[State<'_>]) {}

    pub fn asked_every() -> Option<Duration> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pings_come_until_somebody_else_pings() {
        let (ping, pinged) = channel();
        let patience = Duration::from_secs(60);
        let pings = Pings::each(Duration::from_millis(10), move || {
            let _ = ping.send(());
        });
        for _ in 0..5 {
            pinged.recv_timeout(patience).unwrap();
        }
        drop(pings);
        // The thread's end takes its sender away.
        while let Ok(()) = pinged.recv_timeout(patience) {}
        assert_eq!(pinged.recv_timeout(patience), Err(RecvTimeoutError::Disconnected));
    }
}
