//! Who may come in: the right host, the right origin, this machine or the token, and not too often.

use std::net::IpAddr;
use std::num::NonZeroU32;
use std::sync::Arc;
use std::time::Duration;

use axum::body::{Body, to_bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use serde::Deserialize;
use subtle::ConstantTimeEq;
use tokio::time::timeout;

use super::{Audience, Page};

/// Where a request comes from.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub IpAddr);

/// The word that opens the page to other machines: 80 random bits, new at every start.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token(String);

/// Letters and digits that are not taken for one another, 32 of them.
const LETTERS: &[u8; 32] = b"23456789ABCDEFGHJKLMNPQRSTUVWXYZ";
const TOKEN_LETTERS: usize = 16;

impl Token {
    pub fn fresh() -> Result<Token, getrandom::Error> {
        let mut bytes = [0_u8; TOKEN_LETTERS];
        getrandom::fill(&mut bytes)?;
        Ok(Token(bytes.iter().map(|b| char::from(LETTERS[usize::from(b % 32)])).collect()))
    }

    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// In groups of four, for typing.
    pub fn in_groups(&self) -> String {
        let groups: Vec<&str> = (0..TOKEN_LETTERS).step_by(4).map(|at| &self.0[at..at + 4]).collect();
        groups.join("-")
    }

    /// Compares in constant time what somebody typed or brought.
    fn is(&self, said: &str) -> bool {
        let bare: String = said.chars().filter(|c| !c.is_whitespace() && *c != '-').collect();
        self.0.as_bytes().ct_eq(bare.to_ascii_uppercase().as_bytes()).into()
    }
}

/// Decides who comes in.
pub struct Gate {
    audience: Audience,
    port: u16,
    token: Option<Token>,
    requests: DefaultKeyedRateLimiter<IpAddr>,
    wishes: DefaultKeyedRateLimiter<IpAddr>,
    tries: DefaultKeyedRateLimiter<IpAddr>,
}

/// A machine's requests: twenty pages that load at once need a hundred.
const REQUESTS: Quota = Quota::per_second(per(60)).allow_burst(per(400));
/// What people do on a page.
const WISHES: Quota = Quota::per_second(per(10)).allow_burst(per(40));
/// Tries of a token.
const TRIES: Quota = Quota::per_minute(per(10)).allow_burst(per(10));
/// More machines than this have forgotten ones among them.
const MANY_MACHINES: usize = 1000;

const fn per(n: u32) -> NonZeroU32 {
    match NonZeroU32::new(n) {
        Some(n) => n,
        None => NonZeroU32::MIN,
    }
}

/// A request that is not let in, with what its sender may read.
type Refusal = (StatusCode, &'static str);

impl Gate {
    /// `token` is needed by everybody but this machine.
    pub fn new(audience: Audience, port: u16, token: Option<Token>) -> Gate {
        let limiter = RateLimiter::keyed;
        Gate { audience, port, token, requests: limiter(REQUESTS), wishes: limiter(WISHES), tries: limiter(TRIES) }
    }

    fn admit(&self, peer: IpAddr, request: &Request) -> Result<(), Refusal> {
        let posts = request.method() == Method::POST;
        let limiter = match request.uri().path() {
            "/enter" => &self.tries,
            _ if posts => &self.wishes,
            _ => &self.requests,
        };
        if limiter.len() > MANY_MACHINES {
            limiter.retain_recent();
        }
        limiter.check_key(&peer).map_err(|_| (StatusCode::TOO_MANY_REQUESTS, "too many requests: wait a little"))?;
        let headers = request.headers();
        let host =
            self.host(headers).ok_or((StatusCode::MISDIRECTED_REQUEST, "this is not the address of this page"))?;
        self.check_origin(headers, &host, request)
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
        let ours = match address {
            Ok(ip) => ip.is_loopback() || self.audience == Audience::LocalNetwork,
            Err(_) => name == "localhost",
        };
        (ours && port.parse() == Ok(self.port)).then_some(host)
    }

    fn check_origin(&self, headers: &HeaderMap, host: &str, request: &Request) -> Result<(), Refusal> {
        let foreign = (StatusCode::FORBIDDEN, "another site may not ask this page for anything");
        match headers.get(header::ORIGIN) {
            Some(origin) if origin.to_str().ok() != Some(&format!("http://{host}")) => return Err(foreign),
            None if request.method() == Method::POST => return Err(foreign),
            _ => {}
        }
        // A link from elsewhere may open the page, and nothing else.
        let opens = matches!(request.uri().path(), "/" | "/set")
            && headers.get("sec-fetch-mode").is_some_and(|mode| mode == "navigate");
        let site = headers.get("sec-fetch-site").and_then(|s| s.to_str().ok());
        match site {
            Some("same-origin" | "none") | None => Ok(()),
            Some(_) if opens => Ok(()),
            Some(_) => Err(foreign),
        }
    }

    fn cookie(&self) -> String {
        // Cookies don't tell ports apart, and two sittings may run on one machine.
        format!("greyhold-{}", self.port)
    }

    fn has_token(&self, headers: &HeaderMap) -> bool {
        let Some(token) = &self.token else { return false };
        let name = self.cookie();
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|c| c.to_str().ok());
        let mut pairs = cookies.flat_map(|c| c.split(';')).filter_map(|pair| pair.trim().split_once('='));
        pairs.any(|(key, value)| key == name && token.is(value))
    }
}

/// Stops what comes too often, to another host or from another site; every answer bears the headers that keep a page to itself.
pub async fn guard(State(page): State<Arc<Page>>, request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    let mut response = match peer.map(|Peer(ip)| page.gate.admit(ip, &request)) {
        Some(Ok(())) => next.run(request).await,
        Some(Err(refusal)) => refusal.into_response(),
        None => StatusCode::FORBIDDEN.into_response(),
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    response
}

/// Lets this machine in, and whoever has the token.
pub async fn need_token(State(page): State<Arc<Page>>, request: Request, next: Next) -> Response {
    let is_here = request.extensions().get::<Peer>().is_some_and(|Peer(ip)| ip.is_loopback());
    if is_here || page.gate.has_token(request.headers()) {
        return next.run(request).await;
    }
    (StatusCode::UNAUTHORIZED, "this page needs the token that greyhold's terminal shows").into_response()
}

const HEADERS: [(&str, &str); 7] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cache-control", "no-store"),
    ("permissions-policy", "camera=(), microphone=(), geolocation=(), screen-wake-lock=(self)"),
];

/// Most bytes that a page sends.
const LONGEST_BODY: usize = 4 * 1024;
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    token: String,
}

/// Takes the token and gives the cookie for it.
pub async fn enter(State(page): State<Arc<Page>>, headers: HeaderMap, body: Body) -> Response {
    let Entry { token: said } = match posted(&headers, body).await {
        Ok(entry) => entry,
        Err(refusal) => return refusal.into_response(),
    };
    match &page.gate.token {
        Some(token) if token.is(&said) => {
            let cookie = format!("{}={}; HttpOnly; SameSite=Strict; Path=/", page.gate.cookie(), token.as_str());
            (StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response()
        }
        _ => (StatusCode::UNAUTHORIZED, "this is not the token: look at greyhold's terminal").into_response(),
    }
}
