//! Who may come in: the right host, the right origin, a session, and not too often. Who has none learns nothing:
//! whatever he asks for but the empty page, the answer is the same.

use std::net::IpAddr;
use std::num::NonZeroU32;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use serde::Deserialize;
use tokio::time::timeout;

use super::seats::Seat;
use super::tries::{Tried, Tries};
use super::{Audience, Page, shell};

/// Where a request comes from.
#[derive(Debug, Clone)]
pub struct Peer {
    pub machine: IpAddr,
    pub seat: Arc<Seat>,
}

/// The session that a request belongs to.
#[derive(Debug, Clone, Copy)]
pub struct SignedIn(pub u64);

/// Whose pace is measured. A session has its own, so that nobody behind the same address uses it up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
enum Who {
    Machine(IpAddr),
    Session(u64),
}

/// Decides who comes in.
pub struct Gate {
    audience: Audience,
    port: u16,
    scheme: &'static str,
    /// The page's own name on the network.
    name: Option<String>,
    requests: DefaultKeyedRateLimiter<Who>,
    actions: DefaultKeyedRateLimiter<Who>,
    connections: DefaultKeyedRateLimiter<IpAddr>,
    tries: Tries,
}

/// Twenty pages that load at once need a hundred.
const REQUESTS: Quota = Quota::per_second(per(60)).allow_burst(per(400));
/// What people do on a page.
const ACTIONS: Quota = Quota::per_second(per(10)).allow_burst(per(40));
/// Connections that another machine opens. Agreeing on how to encrypt one costs most of what a stranger can cause.
const CONNECTIONS: Quota = Quota::per_second(per(100)).allow_burst(per(500));
/// More of them than this have forgotten ones among them.
const MANY: usize = 1000;

const fn per(n: u32) -> NonZeroU32 {
    match NonZeroU32::new(n) {
        Some(n) => n,
        None => NonZeroU32::MIN,
    }
}

fn keeps_pace<K: std::hash::Hash + Eq + Clone>(limiter: &DefaultKeyedRateLimiter<K>, who: &K) -> bool {
    if limiter.len() > MANY {
        limiter.retain_recent();
    }
    limiter.check_key(who).is_ok()
}

/// A request that is not let in, with what its sender may read.
pub type Refusal = (StatusCode, &'static str);

const FOREIGN: Refusal = (StatusCode::FORBIDDEN, "another site may not ask this page for anything");
const TOO_OFTEN: Refusal = (StatusCode::TOO_MANY_REQUESTS, "too many requests: wait a minute");
const NOT_SIGNED_IN: Refusal = (StatusCode::UNAUTHORIZED, "sign in first");
const FULL: Refusal = (StatusCode::SERVICE_UNAVAILABLE, "this machine has as many connections open as can be");

/// The sessions' ids that a request offers.
#[derive(Debug, PartialEq, Eq)]
enum Offered<'a> {
    None,
    One(&'a str),
    /// No browser sends two: somebody guesses.
    Several,
}

impl Gate {
    pub fn new(audience: Audience, port: u16, is_encrypted: bool, name: Option<String>) -> Gate {
        Gate {
            audience,
            port,
            scheme: if is_encrypted { "https" } else { "http" },
            name,
            requests: RateLimiter::keyed(REQUESTS),
            actions: RateLimiter::keyed(ACTIONS),
            connections: RateLimiter::keyed(CONNECTIONS),
            tries: Tries::default(),
        }
    }

    /// Whether another connection of this machine is taken.
    pub fn takes_connection(&self, machine: IpAddr) -> bool {
        machine.is_loopback() || keeps_pace(&self.connections, &machine)
    }

    /// The one host that the request names, if it can be ours. A name that somebody's name server
    /// turned to this machine is not (DNS rebinding); an address can't be turned.
    fn host(&self, headers: &HeaderMap) -> Option<String> {
        let mut hosts = headers.get_all(header::HOST).iter();
        let host = hosts.next()?.to_str().ok()?.to_ascii_lowercase();
        if hosts.next().is_some() {
            return None;
        }
        let (name, port) = host.rsplit_once(':')?;
        let address = name.trim_start_matches('[').trim_end_matches(']').parse::<IpAddr>();
        let own_name = self.name.as_deref().is_some_and(|own| name.strip_suffix(".local") == Some(own));
        let ours = match address {
            Ok(ip) => ip.is_loopback() || self.audience == Audience::LocalNetwork,
            Err(_) => name == "localhost" || own_name,
        };
        (ours && port.parse() == Ok(self.port)).then_some(host)
    }

    /// Refuses what another site's page asks, or a page under a name that isn't ours.
    pub fn check_site(&self, request: &Request) -> Result<(), Refusal> {
        let headers = request.headers();
        let host =
            self.host(headers).ok_or((StatusCode::MISDIRECTED_REQUEST, "this is not the address of this page"))?;
        match headers.get(header::ORIGIN) {
            Some(origin) if origin.to_str().ok() != Some(&format!("{}://{host}", self.scheme)) => return Err(FOREIGN),
            None if request.method() == Method::POST => return Err(FOREIGN),
            _ => {}
        }
        // A link from elsewhere may open the page, and nothing else.
        let opens = matches!(request.uri().path(), "/" | "/set")
            && headers.get("sec-fetch-mode").is_some_and(|mode| mode == "navigate");
        let site = headers.get("sec-fetch-site").and_then(|s| s.to_str().ok());
        match site {
            Some("same-origin" | "none") | None => Ok(()),
            Some(_) if opens => Ok(()),
            Some(_) => Err(FOREIGN),
        }
    }

    fn cookie(&self) -> String {
        // Cookies don't tell ports apart, and two sittings may run on one machine. A browser lets no plain page replace
        // a cookie that an encrypted one made under the same name.
        let kind = if self.scheme == "https" { "-tls" } else { "" };
        format!("greyhold-{}{kind}", self.port)
    }

    /// What a browser is told to keep; nothing, and it forgets.
    fn set_cookie(&self, id: Option<&str>) -> String {
        // The session's own end comes earlier, by the last use.
        let (value, seconds) = id.map_or(("", 0), |id| (id, 30 * 24 * 3600));
        let secure = if self.scheme == "https" { "; Secure" } else { "" };
        format!("{}={value}; HttpOnly; SameSite=Strict; Path=/; Max-Age={seconds}{secure}", self.cookie())
    }

    fn offered<'a>(&self, headers: &'a HeaderMap) -> Offered<'a> {
        let name = self.cookie();
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|c| c.to_str().ok());
        let pairs = cookies.flat_map(|c| c.split(';')).filter_map(|pair| pair.trim().split_once('='));
        let mut ids = pairs.filter(|(key, _)| *key == name).map(|(_, id)| id);
        match (ids.next(), ids.next()) {
            (None, _) => Offered::None,
            (Some(id), None) => Offered::One(id),
            _ => Offered::Several,
        }
    }

    /// The same for a page without sessions.
    pub fn keeps_machines_pace(&self, machine: IpAddr, method: &Method) -> Result<(), Refusal> {
        self.keeps_pace(Who::Machine(machine), method)
    }

    fn keeps_pace(&self, who: Who, method: &Method) -> Result<(), Refusal> {
        let limiter = if *method == Method::POST { &self.actions } else { &self.requests };
        if keeps_pace(limiter, &who) { Ok(()) } else { Err(TOO_OFTEN) }
    }
}

/// What came of looking at a request.
struct Examined {
    let_in: Result<Option<SignedIn>, Refusal>,
    /// It bore a cookie that opens nothing, which the browser had better forget.
    has_stale_cookie: bool,
}

impl Page {
    fn examine(&self, Peer { machine, seat }: &Peer, request: &Request) -> Examined {
        let refused = |refusal, has_stale_cookie| Examined { let_in: Err(refusal), has_stale_cookie };
        let gate = &self.gate;
        // First of all: what another site's page asks uses nothing up.
        if let Err(refusal) = gate.check_site(request) {
            return refused(refusal, false);
        }
        let offered = gate.offered(request.headers());
        let session = match offered {
            Offered::One(id) => self.sessions.of(id),
            Offered::None | Offered::Several => None,
        };
        let is_wrong = session.is_none() && offered != Offered::None;
        if is_wrong && gate.tries.attempt(*machine, Instant::now(), || false) == Tried::TooOften {
            return refused(TOO_OFTEN, true);
        }
        let who = session.map_or(Who::Machine(*machine), Who::Session);
        if let Err(refusal) = gate.keeps_pace(who, request.method()) {
            return refused(refusal, is_wrong);
        }
        match session {
            Some(_) if !seat.sign_in() => refused(FULL, false),
            Some(number) => Examined { let_in: Ok(Some(SignedIn(number))), has_stale_cookie: false },
            None if shell::is_open(request.method(), request.uri().path()) && offered != Offered::Several => {
                Examined { let_in: Ok(None), has_stale_cookie: is_wrong }
            }
            None => refused(NOT_SIGNED_IN, is_wrong),
        }
    }
}

/// Stops who has no session, what comes too often, to another host or from another site; every answer bears the headers
/// that keep a page to itself.
pub async fn guard(State(page): State<Arc<Page>>, mut request: Request, next: Next) -> Response {
    let Some(peer) = request.extensions().get::<Peer>().cloned() else {
        return StatusCode::FORBIDDEN.into_response();
    };
    let Examined { let_in, has_stale_cookie } = page.examine(&peer, &request);
    let mut response = match let_in {
        Ok(session) => {
            if let Some(session) = session {
                request.extensions_mut().insert(session);
            }
            next.run(request).await
        }
        Err(refusal) => {
            let mut response = refusal.into_response();
            // Who is turned away keeps no place.
            response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
            response
        }
    };
    let headers = response.headers_mut();
    keep_to_itself(headers);
    if has_stale_cookie && let Ok(forget) = HeaderValue::from_str(&page.gate.set_cookie(None)) {
        headers.entry(header::SET_COOKIE).or_insert(forget);
    }
    response
}

/// Puts in what keeps a page to itself. The set-up sheet, which has its style and its pictures in itself, brings a policy of its own.
pub fn keep_to_itself(headers: &mut HeaderMap) {
    for (name, value) in HEADERS {
        headers.entry(HeaderName::from_static(name)).or_insert(HeaderValue::from_static(value));
    }
}

const HEADERS: [(&str, &str); 7] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; manifest-src 'self'; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cache-control", "no-store"),
    ("permissions-policy", "camera=(), microphone=(), geolocation=(), screen-wake-lock=(self)"),
];

/// Most bytes that a page sends: the notes of a set, 20 of 200 characters, have at most 16,000 in UTF-8.
const LONGEST_BODY: usize = 17 * 1024;
const BODY_PATIENCE: Duration = Duration::from_secs(5);

/// Reads what a page posted. Only JSON is taken: a form of another site can't send that.
pub async fn posted<T: for<'de> Deserialize<'de>>(headers: &HeaderMap, body: Body) -> Result<T, (StatusCode, String)> {
    if headers.get(header::CONTENT_TYPE).is_none_or(|kind| kind != "application/json") {
        return Err((StatusCode::UNSUPPORTED_MEDIA_TYPE, "only application/json is taken".to_owned()));
    }
    let bytes = timeout(BODY_PATIENCE, to_bytes(body, LONGEST_BODY))
        .await
        .map_err(|_| (StatusCode::REQUEST_TIMEOUT, "it took too long to come".to_owned()))?
        .map_err(|_| (StatusCode::PAYLOAD_TOO_LARGE, format!("at most {LONGEST_BODY} bytes are taken")))?;
    serde_json::from_slice(&bytes).map_err(|e| (StatusCode::BAD_REQUEST, format!("it can't be understood: {e}")))
}

impl Gate {
    /// Whether what a machine offers is the token, if it may offer one at all.
    pub fn tries(&self, machine: IpAddr, is_right: impl FnOnce() -> bool) -> Tried {
        self.tries.attempt(machine, Instant::now(), is_right)
    }

    /// The header that gives a browser its session.
    pub fn session_cookie(&self, id: &str) -> String {
        self.set_cookie(Some(id))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gate(name: Option<&str>) -> Gate {
        Gate::new(Audience::LocalNetwork, 4718, false, name.map(str::to_owned))
    }

    fn headers(name: header::HeaderName, values: &[&str]) -> HeaderMap {
        values.iter().map(|v| (name.clone(), HeaderValue::from_str(v).unwrap())).collect()
    }

    fn is_ours(gate: &Gate, host: &str) -> bool {
        gate.host(&headers(header::HOST, &[host])).is_some()
    }

    #[test]
    fn of_names_only_its_own_is_answered_to() {
        let (named, nameless) = (gate(Some("studio")), gate(None));
        for host in ["studio.local:4718", "STUDIO.local:4718"] {
            assert!(is_ours(&named, host) && !is_ours(&nameless, host), "{host}");
        }
        for host in [
            "studio:4718",
            "studio.local",
            "studio.local:80",
            "studio.local.:4718",
            "studio.local.example:4718",
            "a.studio.local:4718",
            "studio2.local:4718",
            ".local:4718",
            "studio.example:4718",
        ] {
            assert!(!is_ours(&named, host), "{host}");
        }
        assert!(is_ours(&named, "192.168.1.5:4718") && is_ours(&named, "localhost:4718"));
    }

    #[test]
    fn one_cookie_of_its_name_counts() {
        let gate = gate(None);
        let offered = |cookies: &[&str]| match gate.offered(&headers(header::COOKIE, cookies)) {
            Offered::None => "none".to_owned(),
            Offered::One(id) => id.to_owned(),
            Offered::Several => "several".to_owned(),
        };
        assert_eq!(offered(&[]), "none");
        assert_eq!(offered(&["a=b; greyhold-4719=x; xgreyhold-4718=y"]), "none");
        assert_eq!(offered(&["a=b; greyhold-4718=x"]), "x");
        assert_eq!(offered(&["greyhold-4718=x; greyhold-4718=x"]), "several");
        assert_eq!(offered(&["greyhold-4718=x", "greyhold-4718=y"]), "several");
    }
}
