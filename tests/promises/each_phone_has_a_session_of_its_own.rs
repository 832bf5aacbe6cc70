//! The token is offered once. From then on a phone has a session of its own, which can be ended, and outlives a restart.

use std::net::SocketAddr;

use crate::harness::http::{Feed, ask, enter, here, open_to_the_network, send, sign_in};
use serde_json::json;

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
#[cfg(unix)]
#[test]
fn the_token_stands_where_only_this_user_reads_it() {
    use std::os::unix::fs::PermissionsExt;
    let home = tempfile::tempdir().unwrap();
    let (folder, state) = (home.path().join("capture"), home.path().join("state"));
    std::fs::create_dir(&folder).unwrap();
    let said = std::fs::File::create(home.path().join("said")).unwrap();
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_greyhold"))
        .args(["watch", "-vv", "--lan", "--log-format", "json", "--socket"])
        .args([&home.path().join("s.sock"), &folder])
        .env("XDG_STATE_HOME", &state)
        .stdout(said.try_clone().unwrap())
        .stderr(said)
        .spawn()
        .unwrap();
    let text = || std::fs::read_to_string(home.path().join("said")).unwrap();
    crate::harness::wait_for("the address", || text().contains("which you alone can read"));
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
    crate::harness::process::signal(&child, "TERM");
    assert!(crate::harness::process::ended(&mut child, crate::harness::PATIENCE).is_some_and(|end| end.success()));
    let log = std::fs::read_to_string(folder.join("greyhold-shots.jsonl")).unwrap();
    for (what, text) in [("output", text()), ("log", log)] {
        let bare = text.replace('-', "");
        assert!(!bare.contains(token) && !text.contains(&id), "the {what} holds a secret: {text}");
    }
    assert!(!file.exists(), "it opens nothing any more");
}
