//! Requests written by hand, so that a test can say what no browser would.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use greyhold::outlet::stand_page::addresses;
use serde_json::{Value, json};

use super::{PATIENCE, SEARCH, Studio};

/// An answer.
#[derive(Debug)]
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: Vec<u8>,
}

impl Answer {
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// A header's value; names in small letters.
    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|l| l.strip_prefix(name)?.strip_prefix(": "))
    }
}

pub fn connect(to: SocketAddr) -> TcpStream {
    let stream = TcpStream::connect(to).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream
}

pub fn here(port: u16) -> SocketAddr {
    SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), port)
}

/// A request as it goes over the line. It ends its connection.
pub fn request(line: &str, headers: &[(&str, &str)], body: &str) -> String {
    let mut text = format!("{line} HTTP/1.1\r\nConnection: close\r\n");
    for (name, value) in headers {
        text.push_str(&format!("{name}: {value}\r\n"));
    }
    if !body.is_empty() {
        text.push_str(&format!("Content-Length: {}\r\n", body.len()));
    }
    format!("{text}\r\n{body}")
}

/// Sends a request's lines, and reads the answer to its end.
pub fn send(to: SocketAddr, line: &str, headers: &[(&str, &str)], body: &str) -> Answer {
    try_send(to, line, headers, body).unwrap_or_else(|| panic!("no answer to {line}"))
}

/// As `send`; nothing where the connection ends without an answer.
pub fn try_send(to: SocketAddr, line: &str, headers: &[(&str, &str)], body: &str) -> Option<Answer> {
    exchange(connect(to), &request(line, headers, body))
}

/// Sends text over a connection, whatever it is made of, and reads the answer to its end.
pub fn exchange(mut stream: impl Read + Write, text: &str) -> Option<Answer> {
    // Who is turned away before he has said all has his answer all the same.
    let _ = stream.write_all(text.as_bytes());
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer);
    let end = answer.windows(4).position(|w| w == b"\r\n\r\n")?;
    let head = String::from_utf8_lossy(&answer[..end]).into_owned();
    let status = head.split(' ').nth(1)?.parse().ok()?;
    Some(Answer { status, head, body: answer[end + 4..].to_vec() })
}

/// Offers a token as the page does.
pub fn enter(to: SocketAddr, token: &str) -> Answer {
    let host = to.to_string();
    let headers =
        [("Host", host.as_str()), ("Origin", &format!("http://{host}")), ("Content-Type", "application/json")];
    send(to, "POST /enter", &headers, &json!({"token": token}).to_string())
}

/// Signs in, and gives the cookie for it.
pub fn sign_in(to: SocketAddr, token: &str) -> String {
    let entered = enter(to, token);
    assert_eq!(entered.status, 204, "{}", entered.text());
    entered.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
}

impl Studio {
    /// The cookie of somebody who has signed in on this machine.
    pub fn session(&self) -> String {
        let mut session = self.session.lock().unwrap();
        if let Some((port, cookie)) = &*session
            && *port == self.port()
        {
            return cookie.clone();
        }
        let cookie = sign_in(here(self.port()), self.token.as_deref().unwrap());
        *session = Some((self.port(), cookie.clone()));
        cookie
    }

    /// An address of the page as it is opened for the first time, with what signs in.
    pub fn address(&self, path: &str) -> String {
        format!("{}{path}#{}", self.page, self.token.as_deref().unwrap())
    }
}

/// A watch that is open to the local network, the address it has there, and its token.
pub fn open_to_the_network() -> Option<(Studio, SocketAddr, String)> {
    let mut studio = Studio::empty();
    studio.extra = vec!["--lan".into()];
    studio.start();
    let token = studio.token.clone().unwrap();
    let to = own_address(studio.port())?;
    Some((studio, to, token))
}

/// This machine's side of a network that a test makes for itself, and takes away again: no address for other tests.
pub const OF_A_TEST: Ipv4Addr = Ipv4Addr::new(10, 231, 77, 1);

pub fn own_address(port: u16) -> Option<SocketAddr> {
    let address = addresses().into_iter().find(|ip| *ip != IpAddr::V4(OF_A_TEST));
    if address.is_none() {
        println!("skipped: this machine has no address but its own");
    }
    address.map(|ip| SocketAddr::new(ip, port))
}

/// As a page of this address asks, with a cookie.
pub fn ask(to: SocketAddr, line: &str, cookie: &str) -> Answer {
    let host = to.to_string();
    let origin = format!("http://{host}");
    let mut headers = vec![("Host", host.as_str()), ("Origin", &origin), ("Content-Type", "application/json")];
    headers.extend((!cookie.is_empty()).then_some(("Cookie", cookie)));
    send(to, line, &headers, if line.starts_with("POST") { "{}" } else { "" })
}

/// Follows a watch as a page does, on a thread of its own: reads its feed, and fetches new pictures and charts.
pub fn follow_as_a_page(port: u16, cookie: String) {
    std::thread::spawn(move || {
        let Ok(mut feed) = Feed::open_at(here(port), &cookie, None) else { return };
        let host = format!("127.0.0.1:{port}");
        let mut seen = None;
        // As the page does: in a burst not every picture is fetched.
        let mut fetched = Instant::now();
        while let Some((kind, board)) = feed.event() {
            let Some(frame) = board["picture"][0].as_u64().filter(|_| kind == "board") else { continue };
            if Some(frame) != seen && fetched.elapsed() > Duration::from_millis(500) {
                (seen, fetched) = (Some(frame), Instant::now());
                for path in [format!("/picture?frame={frame}"), "/trend.svg?ink=on_dark".to_owned()] {
                    send(here(port), &format!("GET {path}"), &[("Host", &host), ("Cookie", &cookie)], "");
                }
            }
        }
    });
}

/// A page that follows the sitting, without a browser.
pub struct Feed {
    lines: BufReader<TcpStream>,
}

impl Feed {
    /// Opens it for who has signed in on this machine; the status if it isn't let in.
    pub fn open(studio: &Studio, after: Option<u64>) -> Result<Feed, u16> {
        Feed::open_at(here(studio.port()), &studio.session(), after)
    }

    pub fn open_at(to: SocketAddr, cookie: &str, after: Option<u64>) -> Result<Feed, u16> {
        let mut stream = connect(to);
        let path = after.map_or_else(|| "/feed".to_owned(), |n| format!("/feed?after={n}"));
        stream.write_all(format!("GET {path} HTTP/1.1\r\nHost: {to}\r\nCookie: {cookie}\r\n\r\n").as_bytes()).unwrap();
        let mut feed = Feed { lines: BufReader::new(stream) };
        let status: u16 = feed.line().unwrap().split(' ').nth(1).unwrap().parse().unwrap();
        if status != 200 {
            return Err(status);
        }
        while feed.line().is_some_and(|l| !l.is_empty()) {}
        Ok(feed)
    }

    /// `None` at its end.
    fn line(&mut self) -> Option<String> {
        let mut line = String::new();
        match self.lines.read_line(&mut line) {
            Ok(0) | Err(_) => None,
            Ok(_) => Some(line.trim_end().to_owned()),
        }
    }

    /// The next event of a kind, as JSON.
    pub fn next(&mut self, kind: &str) -> Value {
        self.try_next(kind).unwrap_or_else(|| panic!("waited in vain for '{kind}': the feed ended"))
    }

    /// The same; `None` where the feed ends before. It beats for as long as it stands, so that the search has an end of its own.
    pub fn try_next(&mut self, kind: &str) -> Option<Value> {
        let began = Instant::now();
        loop {
            let (found, data) = self.event()?;
            if found == kind {
                return Some(data);
            }
            assert!(began.elapsed() < SEARCH, "waited in vain for '{kind}', among many other events");
        }
    }

    /// Any event.
    fn event(&mut self) -> Option<(String, Value)> {
        let kind = loop {
            if let Some(kind) = self.line()?.strip_prefix("event: ") {
                break kind.to_owned();
            }
        };
        loop {
            if let Some(data) = self.line()?.strip_prefix("data: ") {
                return Some((kind, serde_json::from_str(data).unwrap_or(Value::Null)));
            }
        }
    }
}
