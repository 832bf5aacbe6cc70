//! The stand page is this machine's, or theirs who have the token: each way round that is tried here.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod harness;

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Command, Stdio};

use greyhold::outlet::stand_page::addresses;
use harness::http::{Answer, Feed, connect, here, send};
use harness::{Studio, shot};
use serde_json::json;

const RIG: &str = include_str!("../fixtures/three_groups.yaml");

fn get(studio: &Studio, path: &str, headers: &[(&str, &str)]) -> Answer {
    send(here(studio.port()), &format!("GET {path}"), headers, "")
}

/// A post as the page itself makes it, but for what is said otherwise.
fn post(studio: &Studio, headers: &[(&str, &str)], body: &str) -> Answer {
    let host = format!("127.0.0.1:{}", studio.port());
    let origin = format!("http://{host}");
    let mut all = vec![("Host", host.as_str()), ("Origin", &origin), ("Content-Type", "application/json")];
    all.retain(|(name, _)| !headers.iter().any(|(n, _)| n == name));
    all.extend(headers.iter().filter(|(_, value)| !value.is_empty()));
    send(here(studio.port()), "POST /wish", &all, body)
}

/// DNS rebinding: a name of somebody else's that leads to this machine is not this page's.
#[test]
fn a_foreign_host_is_refused() {
    let studio = Studio::with_config(RIG);
    let port = studio.port();
    let own = [format!("127.0.0.1:{port}"), format!("localhost:{port}"), format!("[::1]:{port}")];
    for host in &own {
        assert_eq!(get(&studio, "/marks", &[("Host", host)]).status, 200, "{host}");
    }
    let foreign = [
        format!("rebound.example:{port}"),
        "127.0.0.1".to_owned(),
        format!("127.0.0.1:{}", port - 1),
        format!("192.168.1.5:{port}"),
        format!("localhost.example:{port}"),
        format!("127.0.0.1.example:{port}"),
        String::new(),
    ];
    for host in &foreign {
        for path in ["/", "/feed", "/picture?frame=1"] {
            assert_eq!(get(&studio, path, &[("Host", host)]).status, 421, "{host} {path}");
        }
    }
    let twice = get(&studio, "/marks", &[("Host", &own[0]), ("Host", "rebound.example")]);
    assert!([400, 421].contains(&twice.status), "{twice:?}");
}

#[test]
fn another_site_can_neither_ask_nor_listen() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let host = format!("127.0.0.1:{}", studio.port());
    let before = studio.records().len();
    let wish = json!({"wish": "set_at", "group": "key", "setting": "1/8"}).to_string();
    for origin in
        ["http://elsewhere.example", "null", "", &format!("https://{host}"), &format!("http://{host}.example")]
    {
        assert_eq!(post(&studio, &[("Origin", origin)], &wish).status, 403, "{origin:?}");
    }
    assert_eq!(post(&studio, &[("Sec-Fetch-Site", "cross-site")], &wish).status, 403);
    // What a form, or a script without leave, can send.
    for kind in ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""] {
        assert_eq!(post(&studio, &[("Content-Type", kind)], &wish).status, 415, "{kind:?}");
    }
    for path in ["/feed", "/picture?frame=1", "/trend.svg?ink=on_dark", "/page.js"] {
        let listening =
            get(&studio, path, &[("Host", &host), ("Sec-Fetch-Site", "cross-site"), ("Sec-Fetch-Mode", "no-cors")]);
        assert_eq!(listening.status, 403, "{path}");
        assert_eq!(
            get(&studio, path, &[("Host", &host), ("Origin", "http://elsewhere.example")]).status,
            403,
            "{path}"
        );
    }
    assert_eq!(studio.records().len(), before, "nothing was done");
    // A link from elsewhere may open the page itself, and the page may ask.
    let link = [("Host", host.as_str()), ("Sec-Fetch-Site", "cross-site"), ("Sec-Fetch-Mode", "navigate")];
    assert_eq!(get(&studio, "/", &link).status, 200);
    assert_eq!(post(&studio, &[], &wish).status, 200);
    assert_eq!(studio.of_type("power").pop().unwrap()["shown"], "1/8");
}

/// CHECK: Content Security Policy Level 3 and Fetch (W3C, WHATWG): the directives that keep scripts and frames out.
#[test]
fn every_answer_keeps_the_page_to_itself() {
    let studio = Studio::with_config(RIG);
    let host = format!("127.0.0.1:{}", studio.port());
    for (path, status) in [
        ("/", 200),
        ("/page.js", 200),
        ("/marks", 200),
        ("/nowhere", 404),
        ("/picture?frame=9", 404),
        ("/trend.svg", 400),
    ] {
        let answer = get(&studio, path, &[("Host", &host)]);
        assert_eq!(answer.status, status, "{path}");
        let policy = answer.header("content-security-policy").unwrap();
        for part in [
            "default-src 'none'",
            "script-src 'self'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
            "form-action 'none'",
            "require-trusted-types-for 'script'",
        ] {
            assert!(policy.contains(part), "{path}: {policy}");
        }
        assert!(!policy.contains("unsafe"), "{policy}");
        assert_eq!(answer.header("x-content-type-options"), Some("nosniff"));
        assert_eq!(answer.header("referrer-policy"), Some("no-referrer"));
        assert_eq!(answer.header("cross-origin-resource-policy"), Some("same-origin"));
        assert_eq!(answer.header("cache-control"), Some("no-store"));
        assert_eq!(answer.header("access-control-allow-origin"), None);
    }
}

#[test]
fn no_path_from_a_client_reaches_the_disk() {
    let studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    let host = format!("127.0.0.1:{}", studio.port());
    let files = |studio: &Studio| -> BTreeSet<String> {
        std::fs::read_dir(studio.home.path())
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect()
    };
    let before = files(&studio);
    for path in [
        "/../../../../etc/passwd",
        "/%2e%2e/%2e%2e/etc/passwd",
        "/capture/1.jpg",
        "/1.jpg",
        "/picture?frame=../1.jpg",
        "/picture?frame=1&file=/etc/passwd",
        "/trend.svg?ink=/etc/passwd",
        "/feed?after=../1",
    ] {
        let answer = get(&studio, path, &[("Host", &host)]);
        assert!([400, 404].contains(&answer.status), "{path}: {}", answer.status);
        assert!(!answer.text().contains("root:"), "{path}");
    }
    for body in [
        r#"{"wish":"refer","frame":1,"file":"/etc/passwd"}"#,
        r#"{"wish":"reference","file":"/etc/passwd"}"#,
        r#"{"command":"reference","file":"/etc/passwd"}"#,
        r#"{"wish":"since","n":1}"#,
        "[]",
        "",
        "{",
        "\"\\ud800\"",
    ] {
        assert_eq!(post(&studio, &[], body).status, 400, "{body}");
    }
    // A name is a name, wherever it seems to lead.
    let spot = r#"{"wish":"spot","name":"../../up","area":{"left":0.1,"top":0.1,"right":0.2,"bottom":0.2}}"#;
    assert_eq!(post(&studio, &[], spot).status, 200);
    let after = files(&studio);
    assert_eq!(after.difference(&before).collect::<Vec<_>>(), ["greyhold.spots.yaml"]);
    let look = r#"{"wish":"look","look":"../../etc/passwd"}"#;
    assert_eq!(post(&studio, &[], look).status, 409);
}

#[test]
fn too_much_and_too_often_is_refused_and_costs_nothing() {
    let studio = Studio::with_config(RIG);
    let host = format!("127.0.0.1:{}", studio.port());
    let long = format!(r#"{{"wish":"look","look":"{}"}}"#, "x".repeat(5000));
    assert_eq!(post(&studio, &[], &long).status, 413);
    assert_eq!(get(&studio, "/marks", &[("Host", &host), ("X-Long", &"x".repeat(20_000))]).status, 431);
    // Feeds have their number.
    let mut feeds = Vec::new();
    let refused = loop {
        match Feed::open(studio.port(), None) {
            Ok(feed) => feeds.push(feed),
            Err(status) => break status,
        }
    };
    assert_eq!((feeds.len(), refused), (64, 503));
    drop(feeds);
    // A head that never ends holds its connection for a while only.
    let mut slow = connect(here(studio.port()));
    slow.write_all(b"GET / HTTP/1.1\r\nHost: ").unwrap();
    let mut rest = Vec::new();
    let _ = slow.read_to_end(&mut rest);
    assert!(!String::from_utf8_lossy(&rest).contains("200 OK"));
    // Wishes without end.
    let statuses: Vec<u16> = (0..80).map(|_| post(&studio, &[], "{}").status).collect();
    assert!(statuses.contains(&429), "{statuses:?}");
    let frame = studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(frame["frame"], 1, "metering went on");
    assert!(Feed::open(studio.port(), None).is_ok(), "a feed that ended gave its place back");
}

/// CHECK: ISO/IEC 10918-5 (JFIF) and Exif 2.32: metadata of a JPEG stands in application segments; one APP0 is the picture's
/// own header.
#[test]
fn the_small_picture_bears_no_metadata() {
    let studio = Studio::with_config(RIG);
    let original = shot(8.0, 0.0, 1).jpeg();
    assert!(original.windows(4).any(|w| w == b"Exif"), "there is something to lose");
    studio.put("1.jpg", &original);
    studio.sync();
    let host = format!("127.0.0.1:{}", studio.port());
    let answer = get(&studio, "/picture?frame=1", &[("Host", &host)]);
    assert_eq!((answer.status, answer.header("content-type")), (200, Some("image/jpeg")));
    let mut at = 2;
    let mut segments = Vec::new();
    while answer.body[at + 1] != 0xDA {
        segments.push(answer.body[at + 1]);
        at += 2 + usize::from(u16::from_be_bytes([answer.body[at + 2], answer.body[at + 3]]));
    }
    let application: Vec<u8> = segments.iter().copied().filter(|m| (0xE0..=0xEF).contains(m) || *m == 0xFE).collect();
    assert_eq!(application, [0xE0], "of {segments:x?}");
    let picture = image::load_from_memory(&answer.body).unwrap();
    assert_eq!((picture.width(), picture.height()), (480, 320));
    assert_eq!(get(&studio, "/picture?frame=2", &[("Host", &host)]).status, 404);
}

// --- the local network ---

/// A watch that is open to the local network, and its token as the terminal shows it.
fn open_to_the_network() -> (Studio, String) {
    let mut studio = Studio::empty();
    studio.extra = vec!["--lan".into()];
    studio.start();
    let token = studio.token.clone().expect("the terminal shows the token");
    (studio, token)
}

fn own_address(port: u16) -> Option<SocketAddr> {
    let address = addresses().into_iter().next();
    if address.is_none() {
        println!("skipped: this machine has no address but its own");
    }
    address.map(|ip| SocketAddr::new(ip, port))
}

#[test]
fn without_leave_only_this_machine_is_answered() {
    let studio = Studio::with_config(RIG);
    let Some(from_outside) = own_address(studio.port()) else { return };
    assert!(TcpStream::connect(from_outside).is_err(), "nothing listens on {from_outside}");
}

#[test]
fn the_network_needs_the_token() {
    let (studio, token) = open_to_the_network();
    let Some(to) = own_address(studio.port()) else { return };
    let host = to.to_string();
    let origin = format!("http://{host}");
    let ask = |path: &str, cookie: &str| {
        send(
            to,
            path,
            &[("Host", &host), ("Origin", &origin), ("Content-Type", "application/json"), ("Cookie", cookie)],
            "{}",
        )
    };
    assert_eq!(ask("GET /", "").status, 200, "the empty page is anybody's");
    let cookie_name = format!("greyhold-{}", studio.port());
    let wrong = format!("{cookie_name}={}", "2".repeat(16));
    for path in ["GET /feed", "GET /picture?frame=1", "GET /trend.svg?ink=on_dark", "GET /marks", "POST /wish"] {
        for cookie in ["", &wrong, &format!("greyhold-1={token}")] {
            assert_eq!(ask(path, cookie).status, 401, "{path} {cookie}");
        }
    }
    let enter = |token: &str| {
        send(
            to,
            "POST /enter",
            &[("Host", &host), ("Origin", &origin), ("Content-Type", "application/json")],
            &json!({"token": token}).to_string(),
        )
    };
    assert_eq!(enter("2222-2222-2222-2222").status, 401);
    // As typed, with small letters and gaps.
    let groups: Vec<String> = token.as_bytes().chunks(4).map(|c| String::from_utf8_lossy(c).to_lowercase()).collect();
    let entered = enter(&groups.join(" "));
    assert_eq!(entered.status, 204);
    let cookie = entered.header("set-cookie").unwrap();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict") && cookie.contains("Path=/"), "{cookie}");
    let cookie = cookie.split(';').next().unwrap();
    assert_eq!(ask("GET /marks", cookie).status, 200);
    assert_eq!(ask("POST /wish", cookie).status, 400, "let in; it is no wish");
    let rebound = format!("rebound.example:{}", studio.port());
    assert_eq!(send(to, "GET /marks", &[("Host", &rebound), ("Cookie", cookie)], "").status, 421);
    // Guessing has its pace.
    let guesses: Vec<u16> = (0..20).map(|_| enter("3333-3333-3333-3333").status).collect();
    assert!(guesses.contains(&429), "{guesses:?}");
}

#[test]
fn the_token_is_new_at_every_start() {
    let (mut studio, first) = open_to_the_network();
    assert_eq!(first.len(), 16);
    studio.stop();
    studio.start();
    assert_ne!(studio.token.clone().unwrap(), first);
}

#[test]
fn a_port_that_is_taken_is_said() {
    let studio = Studio::with_config(RIG);
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["watch", "--port", &studio.port().to_string()])
        .arg(folder.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("stand page") && said.contains("--port"), "{said}");
}
