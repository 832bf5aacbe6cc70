//! Pages and strangers that ask and never read, ask by halves, or ask again and again: metering goes on, memory holds.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use serde_json::json;

use crate::sitting::Sitting;

fn address(sitting: &Sitting) -> Option<(SocketAddr, String)> {
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(10) {
        let printed = sitting.daemon().printed.lock().unwrap().clone();
        let url = printed.split_whitespace().find_map(|word| word.strip_prefix("http://127.0.0.1:"));
        if let Some(rest) = url {
            let port: String = rest.chars().take_while(char::is_ascii_digit).collect();
            let token = rest.split_once('#').map(|(_, token)| token.to_owned()).unwrap_or_default();
            return Some((SocketAddr::from(([127, 0, 0, 1], port.parse().ok()?)), token));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    None
}

fn ask(at: SocketAddr, text: &str) -> Option<TcpStream> {
    let mut stream = TcpStream::connect_timeout(&at, Duration::from_secs(1)).ok()?;
    stream.set_write_timeout(Some(Duration::from_secs(1))).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(1))).ok()?;
    stream.write_all(text.replace("HOST", &at.to_string()).as_bytes()).ok()?;
    Some(stream)
}

fn status_line(mut stream: TcpStream) -> Option<String> {
    let mut bytes = [0; 64];
    let n = stream.read(&mut bytes).ok().filter(|n| *n > 0)?;
    Some(String::from_utf8_lossy(&bytes[..n]).lines().next()?.to_owned())
}

/// An honest page is answered again soon after the trouble; the page has promises of its own for what happens meanwhile.
fn is_answered_again(at: SocketAddr) -> bool {
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(30) {
        if ask(at, "GET / HTTP/1.1\r\nHost: HOST\r\nConnection: close\r\n\r\n").and_then(status_line).is_some() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(200));
    }
    false
}

#[test]
fn pages_that_never_read_and_half_requests() {
    let mut sitting = Sitting::new("pages that never read");
    sitting.place.page = true;
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    let Some((at, token)) = address(&sitting) else { panic!("no page's address was printed") };
    let cookie = enter(at, &token);
    let mut held = Vec::new();
    for k in 0..240 {
        held.extend(match k % 4 {
            0 => ask(at, &"GET /page.js HTTP/1.1\r\nHost: HOST\r\n\r\n".repeat(40)),
            1 => ask(at, "GET /marks HTTP/1.1\r\nHo"),
            2 => ask(at, &format!("GET /feed HTTP/1.1\r\nHost: HOST\r\n{cookie}\r\n")),
            _ => ask(at, "POST /action HTTP/1.1\r\nHost: HOST\r\nContent-Length: 100000\r\n\r\n{"),
        });
    }
    let count = held.len();
    let wish = json!({"action": "spot", "name": "cheek",
        "area": {"left": 0.3, "top": 0.3, "right": 0.6, "bottom": 0.6}})
    .to_string();
    for _ in 0..if sitting.effort.is_whole() { 40 } else { 8 } {
        let picture = sitting.fresh();
        sitting.put(picture);
        // One phone that draws without end.
        for _ in 0..5 {
            let head =
                "POST /action HTTP/1.1\r\nHost: HOST\r\nOrigin: http://HOST\r\nContent-Type: application/json\r\n";
            let text = format!("{head}{cookie}Content-Length: {}\r\n\r\n{wish}", wish.len());
            drop(ask(at, &text));
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    sitting.wait_for_all();
    sitting.tell(format!("{count} connections held"));
    drop(held);
    let again = is_answered_again(at);
    sitting.promise(again, "an honest page was not answered within 30 s after the trouble");
    // Asked to end with all of them open again.
    let _held: Vec<_> = (0..40).filter_map(|_| ask(at, "GET /page.js HTTP/1.1\r\nHo")).collect();
    sitting.end();
    sitting.done();
}

/// A cookie for the token, where the page wants one; an empty line part where it doesn't.
fn enter(at: SocketAddr, token: &str) -> String {
    let token = token.rsplit('=').next().unwrap_or_default();
    let body = json!({"token": token}).to_string();
    let head = "POST /enter HTTP/1.1\r\nHost: HOST\r\nOrigin: http://HOST\r\nContent-Type: application/json\r\n";
    let text = format!("{head}Connection: close\r\nContent-Length: {}\r\n\r\n{body}", body.len());
    let mut answer = String::new();
    if let Some(mut stream) = ask(at, &text).filter(|_| !token.is_empty()) {
        let _ = stream.read_to_string(&mut answer);
    }
    let set = answer.lines().find_map(|l| l.to_lowercase().starts_with("set-cookie: ").then(|| l[12..].to_owned()));
    set.and_then(|c| Some(format!("Cookie: {}\r\n", c.split(';').next()?))).unwrap_or_default()
}
