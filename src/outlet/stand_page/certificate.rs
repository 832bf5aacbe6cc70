//! The certificate that encrypts the page: of its own, made once and kept, known by its fingerprint.

use std::net::IpAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan, tz::TimeZone};
use rcgen::{CertificateParams, DistinguishedName, DnType, KeyPair, date_time_ymd};
use sha2::{Digest, Sha256};
use thiserror::Error;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::{self, ServerConfig};

use super::private;

/// From the first day of the year in which it was made; browsers take none that lasts longer than 825 days.
const LASTS_DAYS: i32 = 820;
/// The line of its file that tells its last day.
const LAST_DAY: &str = "last day: ";

/// A certificate can't be made, kept or used.
#[derive(Debug, Error)]
pub enum CertificateError {
    #[error("the page's certificate {path} can't be used: {cause}")]
    File { path: PathBuf, cause: std::io::Error },
    #[error("a certificate for the page can't be made: {0}")]
    Make(#[from] rcgen::Error),
    #[error("the page can't be encrypted: {0}")]
    Use(#[from] rustls::Error),
    #[error("{path} holds no certificate with its key: delete it, a new one is made at the next start")]
    Damaged { path: PathBuf },
}

/// What the page is encrypted by.
#[derive(Debug, Clone)]
pub struct Certificate {
    pub(super) config: Arc<ServerConfig>,
    fingerprint: [u8; 32],
}

impl Certificate {
    /// The one that is kept there, or a new one for these addresses and this name. A kept one stays when addresses
    /// change: phones compare its fingerprint, not its names.
    pub fn kept(path: &Path, addresses: &[IpAddr], name: Option<&str>) -> Result<Certificate, CertificateError> {
        let fault = |cause| CertificateError::File { path: path.to_owned(), cause };
        let today = Timestamp::now().to_zoned_datetime(TimeZone::UTC).date();
        if let Some(text) = private::read(path).map_err(fault)? {
            let damaged = || CertificateError::Damaged { path: path.to_owned() };
            if last_day(&text).ok_or_else(damaged)? > today {
                return Certificate::of(&text)?.ok_or_else(damaged);
            }
            tracing::warn!("the page's certificate has run out: a new one is made, with another fingerprint");
        }
        let text = make(addresses, name, today)?;
        private::write(path, &text).map_err(fault)?;
        Certificate::of(&text)?.ok_or(CertificateError::Damaged { path: path.to_owned() })
    }

    fn of(text: &str) -> Result<Option<Certificate>, CertificateError> {
        let certificate = CertificateDer::from_pem_slice(text.as_bytes());
        let key = PrivateKeyDer::from_pem_slice(text.as_bytes());
        let Some((certificate, key)) = certificate.ok().zip(key.ok()) else { return Ok(None) };
        let fingerprint = Sha256::digest(&certificate).into();
        let mut config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_single_cert(vec![certificate], key)?;
        config.alpn_protocols = vec![b"http/1.1".to_vec()];
        Ok(Some(Certificate { config: Arc::new(config), fingerprint }))
    }

    /// The SHA-256 fingerprint as browsers show it.
    pub fn fingerprint(&self) -> String {
        let pairs: Vec<String> = self.fingerprint.iter().map(|b| format!("{b:02X}")).collect();
        pairs.join(":")
    }

    /// The fingerprint for an address, in small digits alone.
    pub(super) fn fingerprint_bare(&self) -> String {
        self.fingerprint().replace(':', "").to_lowercase()
    }
}

fn make(addresses: &[IpAddr], name: Option<&str>, today: Date) -> Result<String, CertificateError> {
    let own = ["localhost".to_owned(), "127.0.0.1".to_owned()];
    let names =
        own.into_iter().chain(addresses.iter().map(IpAddr::to_string)).chain(name.map(|n| format!("{n}.local")));
    let mut params = CertificateParams::new(names.collect::<Vec<_>>())?;
    params.distinguished_name = DistinguishedName::new();
    params.distinguished_name.push(DnType::CommonName, "greyhold");
    // Everybody can read it: it tells the year in which it was made, and no time.
    let first = Date::constant(today.year(), 1, 1);
    let last = first.saturating_add(LASTS_DAYS.days());
    let at = |day: Date| date_time_ymd(i32::from(day.year()), day.month() as u8, day.day() as u8);
    (params.not_before, params.not_after) = (at(first), at(last));
    let key = KeyPair::generate()?;
    let certificate = params.self_signed(&key)?;
    Ok(format!(
        "The certificate of greyhold's page, and its key. Who has the key can pretend to be this page.\n{LAST_DAY}{last}\n{}{}",
        certificate.pem(),
        key.serialize_pem()
    ))
}

fn last_day(text: &str) -> Option<Date> {
    text.lines().find_map(|l| l.strip_prefix(LAST_DAY)?.parse().ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_certificate_is_made_once_and_kept() {
        let home = tempfile::tempdir().unwrap();
        let path = home.path().join("state/page-certificate.pem");
        let first = Certificate::kept(&path, &[], Some("studio")).unwrap();
        let again = Certificate::kept(&path, &[IpAddr::from([10, 0, 0, 1])], None).unwrap();
        assert_eq!(first.fingerprint(), again.fingerprint());
        assert_eq!(first.fingerprint().replace(':', "").to_lowercase(), first.fingerprint_bare());
        assert_eq!(first.fingerprint_bare().len(), 64);
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text.replace(LAST_DAY, "last day: 2001-01-01\nonce: ")).unwrap();
        assert_ne!(Certificate::kept(&path, &[], None).unwrap().fingerprint(), first.fingerprint(), "it had run out");
        std::fs::write(&path, "last day: 9999-01-01\n").unwrap();
        assert!(matches!(Certificate::kept(&path, &[], None), Err(CertificateError::Damaged { .. })));
    }

    /// CHECK: browsers take no certificate that lasts longer than 825 days (from memory: a rule of theirs since 2019).
    #[test]
    fn a_certificate_holds_for_more_than_a_year_and_tells_no_day() {
        for today in [Date::constant(2026, 1, 1), Date::constant(2026, 12, 31)] {
            let last = last_day(&make(&[], None, today).unwrap()).unwrap();
            assert_eq!(last, Date::constant(2028, 3, 31));
            assert!(today.until(last).unwrap().get_days() > 365);
        }
    }
}
