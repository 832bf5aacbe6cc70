//! The stand page is this machine's, or theirs who have the token: each way round that is tried here.
#![allow(clippy::unwrap_used, clippy::expect_used)]

mod harness;

use std::collections::BTreeSet;
use std::net::{SocketAddr, TcpStream};
use std::process::{Command, Stdio};

use greyhold::outlet::stand_page::addresses;
use harness::http::{Answer, Feed, enter, here, send, sign_in};
use harness::{Studio, shot};
use serde_json::json;

const RIG: &str = include_str!("../fixtures/three_groups.yaml");

/// Asked by who has signed in.
fn get(studio: &Studio, path: &str, headers: &[(&str, &str)]) -> Answer {
    let session = studio.session();
    let all: Vec<_> = headers.iter().copied().chain([("Cookie", session.as_str())]).collect();
    send(here(studio.port()), &format!("GET {path}"), &all, "")
}

/// A post as the page itself makes it, but for what is said otherwise.
fn post(studio: &Studio, headers: &[(&str, &str)], body: &str) -> Answer {
    let host = format!("127.0.0.1:{}", studio.port());
    let (origin, session) = (format!("http://{host}"), studio.session());
    let mut all = vec![
        ("Host", host.as_str()),
        ("Origin", &origin),
        ("Content-Type", "application/json"),
        ("Cookie", session.as_str()),
    ];
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
    // Wishes without end.
    let statuses: Vec<u16> = (0..80).map(|_| post(&studio, &[], "{}").status).collect();
    assert!(statuses.contains(&429), "{statuses:?}");
    let frame = studio.take("1.jpg", shot(8.0, 0.0, 1));
    assert_eq!(frame["frame"], 1, "metering went on");
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

// --- who has the token ---

/// A watch that is open to the local network, the address it has there, and its token.
fn open_to_the_network() -> Option<(Studio, SocketAddr, String)> {
    let mut studio = Studio::empty();
    studio.extra = vec!["--lan".into()];
    studio.start();
    let token = studio.token.clone().unwrap();
    let to = own_address(studio.port())?;
    Some((studio, to, token))
}

fn own_address(port: u16) -> Option<SocketAddr> {
    let address = addresses().into_iter().next();
    if address.is_none() {
        println!("skipped: this machine has no address but its own");
    }
    address.map(|ip| SocketAddr::new(ip, port))
}

/// As a page of this address asks, with a cookie.
fn ask(to: SocketAddr, line: &str, cookie: &str) -> Answer {
    let host = to.to_string();
    let origin = format!("http://{host}");
    let mut headers = vec![("Host", host.as_str()), ("Origin", &origin), ("Content-Type", "application/json")];
    headers.extend((!cookie.is_empty()).then_some(("Cookie", cookie)));
    send(to, line, &headers, if line.starts_with("POST") { "{}" } else { "" })
}

#[test]
fn without_leave_only_this_machine_is_answered() {
    let studio = Studio::with_config(RIG);
    let Some(from_outside) = own_address(studio.port()) else { return };
    assert!(TcpStream::connect(from_outside).is_err(), "nothing listens on {from_outside}");
}

const OF_THE_SITTING: [&str; 7] = [
    "GET /feed",
    "GET /picture?frame=1",
    "GET /trend.svg?ink=on_dark",
    "GET /marks",
    "POST /wish",
    "GET /phones",
    "POST /sign-out",
];

/// Other users of this machine come from its own address, too.
#[test]
fn this_machine_and_the_network_need_the_token() {
    let Some((studio, outside, token)) = open_to_the_network() else { return };
    for to in [here(studio.port()), outside] {
        assert_eq!(ask(to, "GET /", "").status, 200, "the empty page is anybody's");
        for line in OF_THE_SITTING {
            assert_eq!(ask(to, line, "").status, 401, "{line}");
            assert_eq!(ask(to, line, &format!("greyhold-1={token}")).status, 401, "{line}");
        }
        assert_eq!(enter(to, "2222-2222-2222-2222").status, 401);
        // As typed, with small letters and gaps.
        let groups: Vec<String> =
            token.as_bytes().chunks(4).map(|c| String::from_utf8_lossy(c).to_lowercase()).collect();
        let entered = enter(to, &groups.join(" "));
        assert_eq!(entered.status, 204);
        let cookie = entered.header("set-cookie").unwrap();
        for part in ["HttpOnly", "SameSite=Strict", "Path=/"] {
            assert!(cookie.contains(part), "{cookie}");
        }
        assert!(!cookie.contains("Domain"), "it is this host's alone: {cookie}");
        assert!(!cookie.contains(&token), "the token is in no further request");
        let cookie = cookie.split(';').next().unwrap();
        assert_eq!(ask(to, "GET /marks", cookie).status, 200);
        assert_eq!(ask(to, "POST /wish", cookie).status, 400, "let in; it is no wish");
        let rebound = format!("rebound.example:{}", studio.port());
        assert_eq!(send(to, "GET /marks", &[("Host", &rebound), ("Cookie", cookie)], "").status, 421);
    }
}

/// Ten within a minute, whatever they are offered as, and wherever.
#[test]
fn wrong_tokens_and_sessions_are_counted_wherever_they_are_offered() {
    let Some((studio, to, token)) = open_to_the_network() else { return };
    let cookie = sign_in(to, &token);
    let name = cookie.split_once('=').unwrap().0;
    let wrong = |n: u32| format!("{name}={n:032x}");
    // What is refused for its host or its origin is no try, nor is what offers nothing.
    for _ in 0..15 {
        let foreign = [("Host", "rebound.example"), ("Cookie", &wrong(1))];
        assert_eq!(send(to, "GET /marks", &foreign, "").status, 421);
        let host = to.to_string();
        let image = [("Host", host.as_str()), ("Sec-Fetch-Site", "cross-site"), ("Sec-Fetch-Mode", "no-cors")];
        assert_eq!(send(to, "GET /enter", &image, "").status, 403);
        assert_eq!(ask(to, "GET /enter", "").status, 401);
        assert_eq!(ask(to, "GET /marks", "").status, 401);
        assert_eq!(sign_in(to, &token).len(), cookie.len(), "nor is the right one");
    }
    for n in 0..4 {
        let answer = ask(to, if n % 2 == 0 { "GET /marks" } else { "GET /nowhere" }, &wrong(n));
        assert_eq!(answer.status, 401);
        assert!(answer.header("set-cookie").unwrap().contains("Max-Age=0"), "the browser forgets it");
    }
    assert_eq!(ask(to, "GET /marks", &format!("{cookie}; {cookie}")).status, 401, "two, and both right");
    assert_eq!(ask(to, "GET /marks", &format!("{name}={token}")).status, 401, "the token is no session");
    for _ in 0..4 {
        assert_eq!(enter(to, "3333-3333-3333-3333").status, 401);
    }
    // That were ten.
    assert_eq!(enter(to, "3333-3333-3333-3333").status, 429);
    assert_eq!(enter(to, &token).status, 429, "what is not looked at can't be found out");
    assert_eq!(ask(to, "GET /marks", &wrong(9)).status, 429);
    // Who is in stays in, from the same address as from another.
    assert_eq!(ask(to, "GET /marks", &cookie).status, 200);
    let local = sign_in(here(studio.port()), &token);
    assert_eq!(ask(here(studio.port()), "GET /marks", &local).status, 200);
}

/// Everything that an answer tells, in its order.
fn told(answer: &Answer) -> (u16, String, String) {
    (answer.status, answer.head.clone(), answer.text())
}

#[test]
fn a_stranger_learns_nothing_from_any_path_or_method() {
    let Some((studio, to, _)) = open_to_the_network() else { return };
    studio.take("secret-client.jpg", shot(8.0, 0.0, 1));
    let paths = [
        "/feed",
        "/feed?after=1",
        "/feed?after=x",
        "/picture",
        "/picture?frame=1",
        "/picture?frame=2",
        "/trend.svg",
        "/trend.svg?ink=on_dark",
        "/marks",
        "/wish",
        "/phones",
        "/sign-out",
        "/enter",
        "/secret-client.jpg",
        "/capture/secret-client.jpg",
        "/greyhold-shots.jsonl",
        "/page.js/",
        "//",
        "/%2e%2e/",
        "/index.html",
        "/.well-known/security.txt",
        "/favicon.ico",
        "/metrics",
        "/status",
    ];
    for method in ["GET", "HEAD", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"] {
        let unknown = told(&ask(to, &format!("{method} /nowhere"), ""));
        assert_eq!(unknown.0, 401, "{method}");
        let open: &[&str] = if matches!(method, "GET" | "HEAD") { &[] } else { &["/", "/set", "/page.js"] };
        for path in paths.iter().chain(open) {
            // This is how one comes in; what it tells is that the token was none.
            if (method, *path) == ("POST", "/enter") {
                continue;
            }
            assert_eq!(told(&ask(to, &format!("{method} {path}"), "")), unknown, "{method} {path}");
        }
    }
    // Of other ways to ask, too: without a host, from elsewhere.
    for headers in [&[][..], &[("Host", "x.example")], &[("Host", &to.to_string()), ("Sec-Fetch-Site", "cross-site")]] {
        let unknown = told(&send(to, "GET /nowhere", headers, ""));
        for path in paths {
            assert_eq!(told(&send(to, &format!("GET {path}"), headers, "")), unknown, "{path} {headers:?}");
        }
    }
    // What everybody is given says nothing of this machine, this sitting or this moment.
    let folder = studio.folder.display().to_string();
    for path in ["/", "/set", "/page.css", "/page.js", "/stand.js", "/set.js", "/phones.js", "/icon.svg", "/nowhere"] {
        let answer = ask(to, &format!("GET {path}"), "");
        assert!(answer.header("date").is_none() && answer.header("server").is_none(), "{}", answer.head);
        let all = format!("{}{}", answer.head, answer.text());
        for secret in [folder.as_str(), "secret-client", env!("CARGO_PKG_VERSION")] {
            assert!(!all.contains(secret), "{path} tells {secret}");
        }
    }
    for garbage in
        ["", "\r\n\r\n", "GET\r\n\r\n", "\u{16}\u{3}\u{1}", "CONNECT a:1 HTTP/1.1\r\n\r\n", "GET * HTTP/9.9\r\n\r\n"]
    {
        let mut stream = harness::http::connect(to);
        std::io::Write::write_all(&mut stream, garbage.as_bytes()).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        let mut answer = Vec::new();
        let _ = std::io::Read::read_to_end(&mut stream, &mut answer);
        let answer = String::from_utf8_lossy(&answer).to_lowercase();
        assert!(!answer.contains("date:") && !answer.contains("server:") && !answer.contains("200 ok"), "{answer}");
    }
}

// --- sessions ---

fn phones(to: SocketAddr, cookie: &str) -> Vec<serde_json::Value> {
    let answer: serde_json::Value = serde_json::from_slice(&ask(to, "GET /phones", cookie).body).unwrap();
    answer["phones"].as_array().unwrap().clone()
}

fn sign_out(to: SocketAddr, cookie: &str, number: &serde_json::Value) -> u16 {
    let host = to.to_string();
    let origin = format!("http://{host}");
    let headers =
        [("Host", host.as_str()), ("Origin", &origin), ("Content-Type", "application/json"), ("Cookie", cookie)];
    send(to, "POST /sign-out", &headers, &json!({"number": number}).to_string()).status
}

#[test]
fn who_is_signed_out_is_out_at_once_and_for_good() {
    let Some((mut studio, to, token)) = open_to_the_network() else { return };
    let (own, other) = (sign_in(here(studio.port()), &token), sign_in(to, &token));
    assert_ne!(own, other, "each has a session of its own");
    let mut feed = Feed::open_at(to, &other, None).unwrap();
    feed.next("board");
    let listed = phones(here(studio.port()), &own);
    assert_eq!(listed.len(), 2);
    let find = |here: bool| listed.iter().find(|p| p["here"] == here).unwrap();
    assert_eq!(find(false)["who"], format!("Browser at {}", to.ip()));
    assert_eq!(find(false)["seen"], "now");
    // Another cannot be named by who has no session.
    assert_eq!(sign_out(to, "", &find(false)["number"]), 401);
    assert_eq!(sign_out(here(studio.port()), &own, &find(false)["number"]), 200);
    assert!(feed.try_next("signed_out").is_some(), "it is told");
    assert!(feed.try_next("beat").is_none(), "and its feed ends");
    assert_eq!(ask(to, "GET /marks", &other).status, 401);
    assert_eq!(sign_out(here(studio.port()), &own, &find(false)["number"]), 409);
    assert_eq!(phones(here(studio.port()), &own).len(), 1);
    // Neither a new start nor an end by force brings it back, nor forgets the other.
    let port = studio.port().to_string();
    studio.extra.extend(["--port".to_owned(), port]);
    for by_force in [false, true] {
        if by_force {
            studio.kill();
        } else {
            studio.stop();
        }
        studio.start();
        assert_eq!(ask(to, "GET /marks", &other).status, 401);
        assert_eq!(ask(here(studio.port()), "GET /marks", &own).status, 200, "after a restart, by force: {by_force}");
    }
    assert_ne!(studio.token.clone().unwrap(), token, "the token is new at every start");
    assert_eq!(enter(here(studio.port()), &token).status, 401);
}

/// Neither in what it prints, which may be a journal, nor in the log; its file is this user's alone.
#[test]
fn the_token_stands_where_only_this_user_reads_it() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    let (folder, state) = (home.path().join("capture"), home.path().join("state"));
    std::fs::create_dir(&folder).unwrap();
    let said = std::fs::File::create(home.path().join("said")).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["watch", "-vv", "--lan", "--log-format", "json", "--socket"])
        .args([&home.path().join("s.sock"), &folder])
        .env("XDG_STATE_HOME", &state)
        .stdout(said.try_clone().unwrap())
        .stderr(said)
        .spawn()
        .unwrap();
    let text = || std::fs::read_to_string(home.path().join("said")).unwrap();
    harness::wait_for("the address", || text().contains("which you alone can read"));
    let kept: Vec<_> = std::fs::read_dir(state.join("greyhold")).unwrap().map(|e| e.unwrap().path()).collect();
    let file = kept.iter().find(|p| p.extension().is_some_and(|e| e == "token")).unwrap();
    let first = std::fs::read_to_string(file).unwrap().lines().next().unwrap().to_owned();
    let (address, token) = first.split_once('#').unwrap();
    let port: u16 = address.trim_end_matches('/').rsplit(':').next().unwrap().parse().unwrap();
    let id = sign_in(here(port), token);
    let id = id.split_once('=').unwrap().1.to_owned();
    Feed::open_at(here(port), &format!("greyhold-{port}={id}"), None).unwrap().next("board");
    for entry in std::fs::read_dir(state.join("greyhold")).unwrap().flatten() {
        let mode = entry.metadata().unwrap().permissions().mode() & 0o777;
        assert_eq!(mode, 0o600, "{:?}", entry.path());
        assert!(!std::fs::read_to_string(entry.path()).unwrap().contains(&id), "{:?} lets nobody in", entry.path());
    }
    let ended = Command::new("kill").arg("-TERM").arg(child.id().to_string()).status().unwrap();
    assert!(ended.success() && child.wait().unwrap().success());
    let log = std::fs::read_to_string(folder.join("greyhold-shots.jsonl")).unwrap();
    for (what, text) in [("output", text()), ("log", log)] {
        let bare = text.replace('-', "");
        assert!(!bare.contains(token) && !text.contains(&id), "the {what} holds a secret: {text}");
    }
    assert!(!file.exists(), "it opens nothing any more");
}

#[test]
fn a_port_that_is_taken_is_said() {
    let studio = Studio::with_config(RIG);
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["watch", "--port", &studio.port().to_string()])
        .arg(folder.path())
        .env("XDG_STATE_HOME", studio.state())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert!(said.contains("stand page") && said.contains("--port"), "{said}");
}

/// A watch whose page can't be served safely still watches, unless the page was asked for.
#[test]
fn where_the_token_cant_be_kept_no_page_is_served_and_the_watch_goes_on() {
    let mut studio = Studio::empty();
    std::fs::create_dir(studio.state()).unwrap();
    std::fs::write(studio.state().join("greyhold"), "in the way").unwrap();
    studio.extra = vec!["--lan".into()];
    let asked = studio.start_and_end();
    assert_eq!(asked.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&asked.stderr).contains("its token can't be written"), "{asked:?}");
    studio.extra.clear();
    studio.start_without_page();
    assert_eq!(studio.take("1.jpg", shot(8.0, 0.0, 1))["frame"], 1);
}
