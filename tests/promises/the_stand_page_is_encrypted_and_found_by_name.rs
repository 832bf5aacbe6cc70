//! With `--tls` nobody on the network reads along; with `--name` the page is found without its number.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use crate::harness::browser::Driver;
use crate::harness::http::{Answer, connect, exchange, here, request, send};
use crate::harness::process::run;
use crate::harness::{PATIENCE, Studio, shot, wait_for};
use mdns_sd::{HostnameResolutionEvent, ServiceDaemon, ServiceInfo};
use serde_json::json;
use sha2::{Digest, Sha256};
use tokio_rustls::rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use tokio_rustls::rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use tokio_rustls::rustls::{self, ClientConfig, ClientConnection, DigitallySignedStruct, SignatureScheme, StreamOwned};

/// Trusts the certificate whose fingerprint was scanned, as a careful person does.
#[derive(Debug)]
struct ByFingerprint {
    fingerprint: String,
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for ByFingerprint {
    fn verify_server_cert(
        &self,
        certificate: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        let seen: String = Sha256::digest(certificate).iter().map(|b| format!("{b:02x}")).collect();
        if seen == self.fingerprint {
            Ok(ServerCertVerified::assertion())
        } else {
            Err(rustls::Error::General(format!("another certificate: {seen}")))
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls12_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        verify_tls13_signature(message, certificate, signed, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}

fn encrypted(to: SocketAddr, fingerprint: &str) -> StreamOwned<ClientConnection, TcpStream> {
    let provider = Arc::new(ring::default_provider());
    let verifier = ByFingerprint { fingerprint: fingerprint.to_owned(), provider: Arc::clone(&provider) };
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(verifier))
        .with_no_client_auth();
    let name = ServerName::IpAddress(to.ip().into());
    StreamOwned::new(ClientConnection::new(Arc::new(config), name).unwrap(), connect(to))
}

/// A watch whose page is encrypted, its token and its fingerprint as they are scanned.
fn with_tls(extra: &[&str]) -> (Studio, String, String) {
    let mut studio = Studio::empty();
    studio.extra = extra.iter().map(|e| (*e).to_owned()).chain(["--tls".to_owned()]).collect();
    studio.start();
    let (token, fingerprint) = scanned(&studio);
    (studio, token, fingerprint)
}

fn scanned(studio: &Studio) -> (String, String) {
    assert!(studio.page.starts_with("https://"), "{}", studio.page);
    let (token, fingerprint) = studio.token.as_deref().unwrap().split_once('.').unwrap();
    (token.to_owned(), fingerprint.to_owned())
}

fn enter(to: SocketAddr, scheme: &str, token: &str, fingerprint: &str) -> Answer {
    let origin = format!("{scheme}://{to}");
    let headers = [("Host", &*to.to_string()), ("Origin", &origin), ("Content-Type", "application/json")];
    let text = request("POST /enter", &headers, &json!({"token": token}).to_string());
    exchange(encrypted(to, fingerprint), &text).unwrap()
}

#[test]
fn everything_goes_over_an_encrypted_line_and_the_certificate_is_kept() {
    let (mut studio, token, fingerprint) = with_tls(&[]);
    let to = here(studio.port());
    assert_eq!(enter(to, "http", &token, &fingerprint).status, 403, "the page is not that one any more");
    let entered = enter(to, "https", &token, &fingerprint);
    assert_eq!(entered.status, 204);
    let cookie = entered.header("set-cookie").unwrap();
    assert!(cookie.contains("; Secure"), "{cookie}");
    assert!(entered.header("strict-transport-security").is_none(), "other pages of this machine may not be encrypted");
    let cookie = cookie.split(';').next().unwrap().to_owned();
    let ask = |studio: &Studio, fingerprint: &str, cookie: &str| {
        let to = here(studio.port());
        let text = request("GET /marks", &[("Host", &to.to_string()), ("Cookie", cookie)], "");
        exchange(encrypted(to, fingerprint), &text).map(|a| a.status)
    };
    assert_eq!(ask(&studio, &fingerprint, &cookie), Some(200));
    assert_eq!(ask(&studio, &fingerprint, ""), Some(401));
    assert_eq!(ask(&studio, &"0".repeat(64), &cookie), None, "another certificate is noticed");
    // Without encryption nothing is answered.
    let mut bare = connect(to);
    bare.write_all(format!("GET / HTTP/1.1\r\nHost: {to}\r\n\r\n").as_bytes()).unwrap();
    let mut answer = Vec::new();
    let _ = bare.read_to_end(&mut answer);
    assert!(!String::from_utf8_lossy(&answer).contains("HTTP"), "{answer:?}");
    // The next start has the same certificate and knows the phone.
    let port = studio.port().to_string();
    studio.stop();
    studio.extra.extend(["--port".to_owned(), port]);
    studio.start();
    assert_eq!(scanned(&studio).1, fingerprint);
    assert_eq!(ask(&studio, &fingerprint, &cookie), Some(200));
}

#[cfg(unix)]
#[test]
fn a_key_that_others_could_read_is_not_used() {
    use std::os::unix::fs::PermissionsExt;
    let (mut studio, ..) = with_tls(&[]);
    let key = studio.state().join("greyhold/page-certificate.pem");
    assert_eq!(std::fs::metadata(&key).unwrap().permissions().mode() & 0o777, 0o600);
    studio.stop();
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o640)).unwrap();
    let output = studio.start_and_end();
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("page-certificate.pem") && said.contains("delete it"), "{said}");
}

/// Connections that never agree on how to encrypt have a deadline as others have.
#[test]
fn half_handshakes_keep_nobody_out() {
    let (studio, token, fingerprint) = with_tls(&[]);
    let to = here(studio.port());
    let silent: Vec<TcpStream> = (0..256)
        .map(|n: u32| {
            let mut stream = connect(to);
            // A handshake's first bytes, and no more.
            if n.is_multiple_of(2) {
                stream.write_all(&[0x16, 3, 1, 2, 0, 1]).unwrap();
            }
            stream
        })
        .collect();
    assert_eq!(enter(to, "https", &token, &fingerprint).status, 204);
    assert_eq!(studio.take("1.jpg", shot(8.0, 0.0, 1))["frame"], 1);
    let began = Instant::now();
    for mut stream in silent {
        let _ = stream.read_to_end(&mut Vec::new());
    }
    assert!(began.elapsed() < PATIENCE, "each was ended");
}

#[test]
fn a_phone_keeps_its_screen_on_and_the_page_can_be_installed() {
    let Some(driver) = Driver::start() else { return };
    let (studio, ..) = with_tls(&[]);
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(async {
        let page = driver.open(&studio.address(""), (390, 844)).await;
        page.until("the page", "document.querySelector('#link').dataset.n > 0").await;
        assert_eq!(page.client.current_url().await.unwrap().as_str(), studio.page, "what was scanned is gone from it");
        assert_eq!(page.run("return [isSecureContext, 'wakeLock' in navigator]", vec![]).await, json!([true, true]));
        page.click("[data-way=awake]").await;
        page.until("the lock", "document.querySelector('[data-way=awake]').getAttribute('aria-pressed') === 'true'").await;
        assert_eq!(page.text("#ways-says").await, "", "nothing is wrong");
        let script = "const done = arguments[arguments.length - 1]; \
            fetch(document.querySelector('link[rel=manifest]').href).then(r => r.json()).then(async m => \
            done(await Promise.all(m.icons.map(async i => [i.sizes, (await createImageBitmap(await (await fetch(i.src)).blob()).catch(() => ({width: 0}))).width]))))";
        let icons = page.client.execute_async(script, vec![]).await.unwrap();
        assert_eq!(icons[0], json!(["192x192", 192]));
        assert_eq!(icons[1], json!(["512x512", 512]));
        page.close().await;
    });
}

// --- by name ---

/// Looks a name up as a phone does; whether it led here within the time.
fn is_found(looking: &ServiceDaemon, name: &str, within: Duration) -> bool {
    let answers = looking.resolve_hostname(&format!("{name}.local."), Some(within.as_millis() as u64)).unwrap();
    let began = Instant::now();
    while began.elapsed() < within {
        match answers.recv_timeout(within) {
            Ok(HostnameResolutionEvent::AddressesFound(_, addresses)) if !addresses.is_empty() => return true,
            Ok(HostnameResolutionEvent::SearchTimeout(_)) | Err(_) => return false,
            Ok(_) => {}
        }
    }
    false
}

/// Whether names are carried on this machine's networks at all.
fn names_are_carried() -> bool {
    let (telling, looking) = (ServiceDaemon::new().unwrap(), ServiceDaemon::new().unwrap());
    let name = format!("try-{}", std::process::id());
    let service = ServiceInfo::new("_http._tcp.local.", &name, &format!("{name}.local."), "", 9, None).unwrap();
    telling.register(service.enable_addr_auto()).unwrap();
    let carried = is_found(&looking, &name, Duration::from_secs(8));
    let _ = (telling.shutdown(), looking.shutdown());
    if !carried {
        println!("skipped: this machine's networks carry no names (multicast DNS)");
    }
    carried
}

#[test]
fn the_page_is_found_by_its_own_name_and_by_no_other() {
    let name = format!("studio-{}", std::process::id());
    let mut studio = Studio::empty();
    studio.extra = ["--lan", "--name", &name].map(str::to_owned).to_vec();
    studio.start();
    let port = studio.port();
    let status = |host: &str| send(here(port), "GET /", &[("Host", &format!("{host}:{port}"))], "").status;
    assert_eq!(status(&format!("{name}.local")), 200);
    for other in [name.clone(), "other.local".to_owned(), format!("{name}.local.example"), format!("a.{name}.local")] {
        assert_eq!(status(&other), 421, "{other}");
    }
    if names_are_carried() {
        let looking = ServiceDaemon::new().unwrap();
        assert!(is_found(&looking, &name, PATIENCE), "it is announced");
        let (code, took) = studio.stop();
        assert!(code == Some(0) && took < Duration::from_secs(2), "{code:?} {took:?}");
        let anew = ServiceDaemon::new().unwrap();
        wait_for("the name to be taken back", || !is_found(&anew, &name, Duration::from_secs(2)));
        let _ = (looking.shutdown(), anew.shutdown());
    }
}

#[test]
fn a_name_that_cant_be_one_is_refused_in_words() {
    let home = tempfile::tempdir().unwrap();
    for (args, word) in [(&["--lan", "--name", "my studio"][..], "letters"), (&["--name", "studio"], "--lan")] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
        let output = run(command.arg("watch").arg(home.path()).args(args));
        assert_eq!(output.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&output.stderr).contains(word), "{output:?}");
    }
}
