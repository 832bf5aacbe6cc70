//! The page's name on the local network, by multicast DNS (RFC 6762): announced while the page is open, and withdrawn.

use std::time::Duration;

use mdns_sd::{DaemonEvent, RRType, ServiceDaemon, ServiceInfo};
use thiserror::Error;
use tokio::task::JoinHandle;
use tokio::time::timeout;

/// The end of the watch waits this long for the farewell to be sent.
const FAREWELL: Duration = Duration::from_millis(300);
/// Of a label in a domain name (RFC 1035).
const LONGEST: usize = 63;

/// A name can't be one on the network.
#[derive(Debug, Error, PartialEq, Eq)]
#[error(
    "a name has 1 to {LONGEST} letters a to z, digits and hyphens, begins and ends with a letter or digit, and is not 'localhost'"
)]
pub struct NoName;

/// The name as it is announced, without `.local`.
pub fn checked(typed: &str) -> Result<String, NoName> {
    let lower = typed.to_ascii_lowercase();
    let name = lower.strip_suffix(".local").unwrap_or(&lower);
    let is_fine = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let edges = !name.starts_with('-') && !name.ends_with('-');
    let is_name = (1..=LONGEST).contains(&name.len()) && name.chars().all(is_fine) && edges && name != "localhost";
    if is_name { Ok(name.to_owned()) } else { Err(NoName) }
}

/// An announced name.
pub struct Named {
    daemon: ServiceDaemon,
    service: String,
    listening: JoinHandle<()>,
}

/// Announces a name. That it can't be is told, and the page is open all the same.
pub fn announce(name: &str, port: u16, encrypted: bool) -> Option<Named> {
    match begin(name, port, encrypted) {
        Ok(named) => Some(named),
        Err(e) => {
            not_announced(name, &e.to_string());
            None
        }
    }
}

fn not_announced(name: &str, why: &str) {
    tracing::warn!("{name}.local can't be announced on this network ({why}): open the page by its number");
}

fn begin(name: &str, port: u16, encrypted: bool) -> mdns_sd::Result<Named> {
    let daemon = ServiceDaemon::new()?;
    let kind = if encrypted { "_https._tcp.local." } else { "_http._tcp.local." };
    let host = format!("{name}.local.");
    let service = ServiceInfo::new(kind, name, &host, "", port, None)?.enable_addr_auto();
    let fullname = service.get_fullname().to_owned();
    let events = daemon.monitor()?;
    daemon.register(service)?;
    let (name, again, own) = (name.to_owned(), daemon.clone(), fullname.clone());
    let listening = tokio::spawn(async move {
        while let Ok(event) = events.recv_async().await {
            match event {
                DaemonEvent::Announce(..) => tracing::info!("{name}.local is announced"),
                DaemonEvent::Error(e) => {
                    not_announced(&name, &e.to_string());
                    return;
                }
                // The page answers to its own name alone, so that another one would lead to nothing.
                DaemonEvent::NameChange(change) if matches!(change.rr_type, RRType::A | RRType::AAAA) => {
                    let _ = again.unregister(&own);
                    not_announced(&name, "another machine has that name: choose another with --name");
                    return;
                }
                _ => {}
            }
        }
    });
    Ok(Named { daemon, service: fullname, listening })
}

impl Named {
    /// Takes the name back, so that nobody looks for the page where it is no more.
    pub async fn withdraw(self) {
        self.listening.abort();
        if let Ok(done) = self.daemon.unregister(&self.service) {
            let _ = timeout(FAREWELL, done.recv_async()).await;
        }
        let _ = self.daemon.shutdown();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_one_label_of_letters_digits_and_hyphens() {
        for (typed, name) in [("studio", "studio"), ("Studio-2", "studio-2"), ("light.local", "light")] {
            assert_eq!(checked(typed).as_deref(), Ok(name));
        }
        let long = "x".repeat(64);
        for typed in ["", "-a", "a-", "a.b", "a b", "ä", "localhost", ".local", "a.example", "<b>", &long] {
            assert_eq!(checked(typed), Err(NoName), "{typed}");
        }
    }
}
