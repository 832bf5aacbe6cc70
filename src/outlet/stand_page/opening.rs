//! Opening the page and closing it: its port, its name, the file for its token, and what is kept from one start to the
//! next.

use std::fs;
use std::io;
use std::net::{IpAddr, Ipv4Addr};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use tokio_rustls::TlsAcceptor;
use xxhash_rust::xxh3::xxh3_64;

use super::gate::Gate;
use super::named::{self, Named};
use super::seats::Seats;
use super::sessions::Sessions;
use super::{Audience, Certificate, Page, Token, addresses, private, router, serve, trend};
use crate::outlet::screen::Shown;
use crate::outlet::socket::Hub;

/// Where the page is served when nothing else is said, if that is free.
const USUAL_PORT: u16 = 4718;
/// What is kept of other sittings is removed after this long: all their sessions have ended by then.
const FORGOTTEN_AFTER: Duration = Duration::from_secs(48 * 3600);

/// How the stand page is served.
#[derive(Debug, Clone)]
pub struct PageSetup {
    pub audience: Audience,
    /// `None`: the usual one, or any if that is taken. One that nobody asked for is that of a page before, taken while it is free.
    pub port: Option<u16>,
    /// What a phone or a browser needs to sign in.
    pub token: Token,
    /// What the page is encrypted by, if it is.
    pub certificate: Option<Certificate>,
    /// Its name on the local network, without `.local`.
    pub name: Option<String>,
    /// Where sessions are kept from one start to the next, if anywhere.
    pub sessions: Option<PathBuf>,
    /// Where the token stands when no terminal shows it.
    pub token_file: Option<PathBuf>,
    /// What is going on in the studio, told beside the sitting, where somebody tells it.
    pub story: Option<watch::Receiver<String>>,
    /// Somebody asked for it. A page that nobody asked for and that can't be opened is only told as missing.
    pub is_asked: bool,
}

impl PageSetup {
    /// A file of the page's own for a shot log.
    pub fn file_for(folder: &Path, log: &Path, kind: &str) -> PathBuf {
        let log = whole(log);
        folder.join(format!("page-{:016x}.{kind}", xxh3_64(log.as_os_str().as_encoded_bytes())))
    }

    /// An address of the page, without the token.
    pub fn address(&self, host: &str, port: u16) -> String {
        let scheme = if self.certificate.is_some() { "https" } else { "http" };
        format!("{scheme}://{host}:{port}/")
    }

    /// What stands behind the `#` of an address that signs in: no server and no log ever sees it.
    pub fn key(&self) -> String {
        let fingerprint = self.certificate.as_ref().map(|c| format!(".{}", c.fingerprint_bare())).unwrap_or_default();
        format!("{}{fingerprint}", self.token.as_str())
    }

    /// Hosts by which other machines reach the page, likeliest first.
    pub fn hosts(&self) -> Vec<String> {
        let name = self.name.iter().map(|name| format!("{name}.local"));
        name.chain(addresses().iter().map(IpAddr::to_string)).collect()
    }

    async fn listen(&self) -> io::Result<TcpListener> {
        match listen(self.audience, self.port).await {
            Err(e) if e.kind() == io::ErrorKind::AddrInUse && !self.is_asked => listen(self.audience, None).await,
            bound => bound,
        }
    }

    fn write_token(&self, port: u16) -> io::Result<()> {
        let Some(path) = &self.token_file else { return Ok(()) };
        let others = if self.audience == Audience::LocalNetwork { self.hosts() } else { Vec::new() };
        let hosts = std::iter::once(Ipv4Addr::LOCALHOST.to_string()).chain(others);
        let lines: String = hosts.map(|host| format!("{}#{}\n", self.address(&host, port), self.key())).collect();
        private::write(path, &lines)
            .map_err(|e| io::Error::new(e.kind(), format!("its token can't be written to {}: {e}", path.display())))
    }
}

/// The page, open but not yet served.
pub struct Opened {
    page: Arc<Page>,
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    name: Option<Named>,
    token_file: Option<PathBuf>,
    pub port: u16,
}

impl Opened {
    /// Opens the port, reads the sessions, writes the token where it is to stand, and announces the name.
    pub async fn open(setup: &PageSetup, hub: Hub, screens: watch::Receiver<Arc<Shown>>) -> io::Result<Opened> {
        let listener = setup.listen().await?;
        let port = listener.local_addr()?.port();
        setup.write_token(port)?;
        forget_old_sittings(setup.sessions.as_deref());
        let is_encrypted = setup.certificate.is_some();
        let page = Page {
            gate: Gate::new(setup.audience, port, is_encrypted, setup.name.clone()),
            token: setup.token.clone(),
            sessions: Sessions::kept(setup.sessions.clone(), &whole(&hub.log)),
            seats: Arc::new(Seats::default()),
            charts: trend::Charts::default(),
            log_reads: Semaphore::new(1),
            story: setup.story.clone(),
            hub,
            screens,
        };
        Ok(Opened {
            page: Arc::new(page),
            listener,
            tls: setup.certificate.as_ref().map(|c| TlsAcceptor::from(Arc::clone(&c.config))),
            name: setup.name.as_ref().and_then(|name| named::announce(name, port, is_encrypted)),
            token_file: setup.token_file.clone(),
            port,
        })
    }

    /// Serves until the screens go away. Then the name is taken back, and the token's file is removed.
    pub async fn serve(self) {
        let router = router(Arc::clone(&self.page));
        serve::serve(Arc::clone(&self.page), router, self.listener, self.tls).await;
        let withdrawing = async {
            if let Some(name) = self.name {
                name.withdraw().await;
            }
        };
        tokio::join!(withdrawing, self.page.sessions.save());
        if let Some(file) = self.token_file {
            // It opens nothing any more.
            let _ = fs::remove_file(file);
        }
    }
}

/// However a log is named, it is the same one.
fn whole(log: &Path) -> PathBuf {
    std::path::absolute(log).unwrap_or_else(|_| log.to_owned())
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

/// Removes what this program kept of sittings that are long over.
fn forget_old_sittings(own: Option<&Path>) {
    let Some(own) = own else { return };
    for entry in own.parent().into_iter().flat_map(fs::read_dir).flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let is_ours = name.starts_with("page-") && name.ends_with(".sessions");
        let written = entry.metadata().and_then(|m| m.modified()).ok();
        let is_old =
            written.and_then(|at| SystemTime::now().duration_since(at).ok()).is_some_and(|a| a > FORGOTTEN_AFTER);
        if is_ours && is_old && entry.path() != own {
            let _ = fs::remove_file(entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn only_a_port_that_was_asked_for_must_be_free() {
        let taken = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.unwrap();
        let setup = |is_asked| PageSetup {
            audience: Audience::ThisMachine,
            port: taken.local_addr().ok().map(|at| at.port()),
            token: Token::fresh().unwrap(),
            certificate: None,
            name: None,
            sessions: None,
            token_file: None,
            story: None,
            is_asked,
        };
        assert_eq!(setup(true).listen().await.unwrap_err().kind(), io::ErrorKind::AddrInUse);
        assert!(setup(false).listen().await.is_ok());
    }
}
