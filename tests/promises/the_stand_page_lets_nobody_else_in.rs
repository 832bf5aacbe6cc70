//! The stand page is this machine's, or theirs who have the token: each way round that is tried here.

use std::collections::BTreeSet;
use std::net::TcpStream;
use std::process::Command;

use crate::harness::http::{Answer, ask, enter, here, open_to_the_network, own_address, send};
use crate::harness::process::run;
use crate::harness::{Studio, shot};
use serde_json::json;

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

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
    send(here(studio.port()), "POST /action", &all, body)
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
    let wish = json!({"action": "set_at", "group": "key", "setting": "1/8"}).to_string();
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
    assert_eq!(studio.powers().pop().unwrap()["shown"], "1/8");
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
        ("/light-map?frame=9&n=1", 404),
        ("/plan?apertures=f/8", 409),
        ("/plan", 400),
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
        r#"{"action":"accept","frame":1,"file":"/etc/passwd"}"#,
        r#"{"action":"reference","file":"/etc/passwd"}"#,
        r#"{"command":"reference","file":"/etc/passwd"}"#,
        r#"{"action":"since","n":1}"#,
        "[]",
        "",
        "{",
        "\"\\ud800\"",
    ] {
        assert_eq!(post(&studio, &[], body).status, 400, "{body}");
    }
    // A name is a name, wherever it seems to lead.
    let spot = r#"{"action":"spot","name":"../../up","area":{"left":0.1,"top":0.1,"right":0.2,"bottom":0.2}}"#;
    assert_eq!(post(&studio, &[], spot).status, 200);
    let after = files(&studio);
    assert_eq!(after.difference(&before).collect::<Vec<_>>(), ["greyhold.spots.yaml"]);
    let look = r#"{"action":"look","look":"../../etc/passwd"}"#;
    assert_eq!(post(&studio, &[], look).status, 409);
}

#[test]
fn too_much_and_too_often_is_refused_and_costs_nothing() {
    let studio = Studio::with_config(RIG);
    let host = format!("127.0.0.1:{}", studio.port());
    let long = format!(r#"{{"action":"look","look":"{}"}}"#, "x".repeat(20_000));
    assert_eq!(post(&studio, &[], &long).status, 413);
    assert_eq!(get(&studio, "/marks", &[("Host", &host), ("X-Long", &"x".repeat(20_000))]).status, 431);
    // Actions without end.
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
    "POST /action",
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
        assert_eq!(ask(to, "POST /action", cookie).status, 400, "let in; it is no action");
        let rebound = format!("rebound.example:{}", studio.port());
        assert_eq!(send(to, "GET /marks", &[("Host", &rebound), ("Cookie", cookie)], "").status, 421);
    }
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
        "/light-map",
        "/light-map?frame=1&n=1",
        "/plan",
        "/plan?apertures=f/8",
        "/marks",
        "/action",
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
    for path in [
        "/",
        "/set",
        "/page.css",
        "/page.js",
        "/stand.js",
        "/set.js",
        "/phones.js",
        "/sheet.js",
        "/asking.js",
        "/icon.svg",
        "/nowhere",
    ] {
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
        let mut stream = crate::harness::http::connect(to);
        std::io::Write::write_all(&mut stream, garbage.as_bytes()).unwrap();
        stream.shutdown(std::net::Shutdown::Write).unwrap();
        let mut answer = Vec::new();
        let _ = std::io::Read::read_to_end(&mut stream, &mut answer);
        let answer = String::from_utf8_lossy(&answer).to_lowercase();
        assert!(!answer.contains("date:") && !answer.contains("server:") && !answer.contains("200 ok"), "{answer}");
    }
}

#[test]
fn a_port_that_is_taken_is_said() {
    let studio = Studio::with_config(RIG);
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
    let command = command.args(["watch", "--port", &studio.port().to_string()]).arg(folder.path());
    let output = run(command.env("XDG_STATE_HOME", studio.state()));
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
