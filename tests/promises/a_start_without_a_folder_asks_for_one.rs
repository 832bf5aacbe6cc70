//! `greyhold` alone and without a terminal asks for the capture folder on a page of this machine, remembers it, and goes on as a
//! watch; the service manager hears how it stands. `greyhold open` opens the page.
#![cfg(unix)]

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use crate::harness::browser::with_browser;
use crate::harness::http::{Answer, enter, here, send};
use crate::harness::process::{Printed, ended, run};
use crate::harness::{PATIENCE, wait_for};
use serde_json::{Value, json};
use tempfile::TempDir;

/// A home without anything in it, and a folder that a camera writes to.
struct Home {
    home: TempDir,
    folder: PathBuf,
}

/// A program that was started there, and ends with the value.
struct Started {
    child: Child,
    printed: Printed,
}

impl Home {
    fn new() -> Home {
        let home = tempfile::tempdir().unwrap();
        let folder = home.path().join("tether of today");
        fs::create_dir(&folder).unwrap();
        Home { home, folder }
    }

    fn command(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
        command.current_dir(self.home.path()).env("HOME", self.home.path()).env("XDG_STATE_HOME", self.state());
        command.env_remove("NOTIFY_SOCKET").env_remove("WATCHDOG_USEC").env_remove("WATCHDOG_PID");
        command
    }

    fn state(&self) -> PathBuf {
        self.home.path().join("state")
    }

    fn own(&self, name: &str) -> PathBuf {
        self.state().join("greyhold").join(name)
    }

    fn start(&self) -> Started {
        started(&mut self.command())
    }

    /// Starts it where it has to ask, and gives the page's port and token, too.
    fn start_asking(&self) -> (Started, u16, String) {
        let started = self.start();
        let (port, token) = asking(&started, self);
        (started, port, token)
    }
}

fn started(command: &mut Command) -> Started {
    let mut child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let printed = Printed::of(child.stdout.take().unwrap());
    Started { child, printed }
}

fn asking(started: &Started, home: &Home) -> (u16, String) {
    let port = started.printed.find(|line| line.split("http://127.0.0.1:").nth(1)?.split('/').next()?.parse().ok());
    let port: u16 = port.expect("it tells where it asks");
    let line = fs::read_to_string(home.own("page-first-start.token")).unwrap();
    let token = line.trim().split_once('#').unwrap().1.to_owned();
    assert_eq!(line, format!("http://127.0.0.1:{port}/#{token}\n"));
    (port, token)
}

impl Started {
    fn watches(&self, folder: &Path) {
        let watching = self.printed.find(|line| line.strip_prefix("watching ").map(str::to_owned));
        assert_eq!(watching.as_deref(), Ok(folder.to_str().unwrap()));
    }

    fn stop(mut self) -> Option<i32> {
        Command::new("kill").arg("-TERM").arg(self.child.id().to_string()).status().unwrap();
        ended(&mut self.child, PATIENCE).expect("it ends").code()
    }
}

impl Drop for Started {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn post(port: u16, path: &str, body: &Value) -> Answer {
    post_with(port, path, &[], body)
}

/// As the page itself asks, but for what is said otherwise.
fn post_with(port: u16, path: &str, headers: &[(&str, &str)], body: &Value) -> Answer {
    let host = format!("127.0.0.1:{port}");
    let origin = format!("http://{host}");
    let mut all = vec![("Host", host.as_str()), ("Origin", &origin), ("Content-Type", "application/json")];
    all.retain(|(name, _)| !headers.iter().any(|(n, _)| n == name));
    all.extend(headers.iter().filter(|(_, value)| !value.is_empty()));
    send(here(port), &format!("POST {path}"), &all, &body.to_string())
}

#[test]
fn it_asks_remembers_and_goes_on_as_a_watch() {
    let home = Home::new();
    let (asks, port, token) = home.start_asking();
    let mode = fs::metadata(home.own("page-first-start.token")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "others can't read the token");

    fs::write(home.folder.join("IMG_0001.jpg"), b"").unwrap();
    let seen = post(port, "/folders", &json!({"token": token, "folder": home.home.path()}));
    assert_eq!(seen.status, 200);
    let seen: Value = serde_json::from_slice(&seen.body).unwrap();
    let offered = json!({"name": "tether of today", "path": home.folder});
    assert!(seen["seen"]["folders"].as_array().unwrap().contains(&offered), "{seen}");
    let inside = post(port, "/folders", &json!({"token": token, "folder": home.folder}));
    assert_eq!(serde_json::from_slice::<Value>(&inside.body).unwrap()["seen"]["pictures"], 1);

    // What is no folder is not taken, and it goes on asking.
    let gone = post(port, "/choose", &json!({"token": token, "folder": home.folder.join("gone")}));
    assert!(gone.status == 409 && gone.text().contains("can't be looked into"), "{gone:?}");
    assert_eq!(post(port, "/choose", &json!({"token": token, "folder": "tether"})).status, 409);

    assert_eq!(post(port, "/choose", &json!({"token": token, "folder": home.folder})).status, 204);
    asks.watches(&home.folder);
    assert!(!home.own("page-first-start.token").exists(), "it opens nothing any more");
    assert_eq!(fs::read_to_string(home.own("capture-folder")).unwrap(), format!("{}\n", home.folder.display()));
    // The stand page goes on at the same address, for who has it open.
    assert_eq!(enter(here(port), &token).status, 204);
    assert_eq!(asks.stop(), Some(0));

    // The next start doesn't ask, and the page has another token.
    let again = home.start();
    again.watches(&home.folder);
    assert_eq!(again.stop(), Some(0));

    // A disk that isn't connected is asked about, and not given up.
    let elsewhere = home.home.path().join("elsewhere");
    fs::rename(&home.folder, &elsewhere).unwrap();
    let (asks, port, token) = home.start_asking();
    let why = post(port, "/folders", &json!({"token": token}));
    assert!(why.text().contains("isn't there now"), "{why:?}");
    assert_eq!(asks.stop(), Some(0), "asked to end while it asks, it ends in order");
    assert!(!home.own("page-first-start.token").exists());

    // When it is connected, nobody has to choose.
    let (asks, port, token) = home.start_asking();
    fs::rename(&elsewhere, &home.folder).unwrap();
    asks.watches(&home.folder);
    assert_eq!(enter(here(port), &token).status, 204, "who has the page open goes on");
    assert_eq!(asks.stop(), Some(0));
}

#[test]
fn a_choice_that_can_not_be_watched_is_not_remembered() {
    let home = Home::new();
    fs::write(home.folder.join("greyhold-shots.jsonl"), "somebody's notes\n").unwrap();
    let (mut asks, port, token) = home.start_asking();
    assert_eq!(post(port, "/choose", &json!({"token": token, "folder": home.folder})).status, 204);
    assert_eq!(ended(&mut asks.child, PATIENCE).expect("it ends").code(), Some(3));
    assert!(!home.own("capture-folder").exists(), "the next start asks again");
}

#[test]
fn a_folder_that_takes_no_log_is_told_before_it_is_chosen() {
    let home = Home::new();
    fs::set_permissions(&home.folder, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(home.folder.join("trial"), "").is_ok() {
        println!("skipped: this user may write everywhere");
        return;
    }
    let (asks, port, token) = home.start_asking();
    let seen = post(port, "/folders", &json!({"token": token, "folder": home.folder}));
    assert!(seen.status == 200 && seen.text().contains("may not write to this folder"), "{seen:?}");
    assert_eq!(asks.stop(), Some(0));
}

/// The page is gone, and the watch isn't there yet.
#[test]
fn an_end_that_is_asked_for_between_page_and_watch_is_heard() {
    let home = Home::new();
    let (asks, port, token) = home.start_asking();
    assert_eq!(post(port, "/choose", &json!({"token": token, "folder": home.folder})).status, 204);
    wait_for("the page's end", || !home.own("page-first-start.token").exists());
    assert_eq!(asks.stop(), Some(0));
}

/// The same gate as the stand page's: hosts, origins, kinds, the token, and ten tries.
#[test]
fn nobody_else_chooses_or_looks_into_folders() {
    let home = Home::new();
    let (asks, port, token) = home.start_asking();
    let right = json!({"token": token, "folder": home.home.path()});
    for path in ["/folders", "/choose"] {
        for (header, status) in [
            (("Host", "rebound.example:80"), 421),
            (("Host", "192.168.1.5:4718"), 421),
            (("Origin", "http://elsewhere.example"), 403),
            (("Origin", ""), 403),
            (("Sec-Fetch-Site", "cross-site"), 403),
            (("Content-Type", "text/plain"), 415),
        ] {
            assert_eq!(post_with(port, path, &[header], &right).status, status, "{path} {header:?}");
        }
        assert_eq!(post(port, path, &json!({"folder": "/"})).status, 400, "no token");
    }
    let page = send(here(port), "GET /", &[("Host", &format!("127.0.0.1:{port}"))], "");
    assert_eq!(page.status, 200);
    assert!(page.header("content-security-policy").unwrap().contains("default-src 'none'"));
    assert!(!page.text().contains(&token) && !page.text().contains(home.home.path().to_str().unwrap()));
    for n in 1..=12 {
        let wrong = post(port, "/choose", &json!({"token": "ABCDEFGHJKLMNPQR", "folder": home.folder}));
        assert_eq!(wrong.status, if n <= 10 { 401 } else { 429 }, "try {n}");
    }
    assert_eq!(post(port, "/choose", &right).status, 429, "and the right one waits, too");
    assert!(!home.own("capture-folder").exists(), "nothing was chosen");
    // Nobody comes in by the network: only this machine's own address is listened on.
    let addresses = greyhold::outlet::stand_page::addresses();
    if addresses.is_empty() {
        println!("skipped: this machine has no address on a network");
    }
    for address in addresses {
        let reached = std::net::TcpStream::connect_timeout(&(address, port).into(), Duration::from_secs(2));
        assert!(reached.is_err(), "{address}");
    }
    assert_eq!(asks.stop(), Some(0));
}

#[test]
fn a_folder_is_chosen_in_the_browser() {
    with_browser(|driver| async move {
        let home = Home::new();
        let (asks, port, token) = home.start_asking();
        let page = driver.open(&format!("http://127.0.0.1:{port}/#{token}"), (900, 900)).await;
        page.until("the folders of the home", "document.querySelector('#beginnings button') !== null").await;
        page.run(
            "[...document.querySelectorAll('#beginnings button')].find(b => b.textContent === 'Home').click()",
            vec![],
        )
        .await;
        let tether = "[...document.querySelectorAll('#inside button')].find(b => b.textContent === 'tether of today')";
        page.until("the folder to be offered", &format!("{tether} !== undefined")).await;
        if let Some(axe) = std::env::var_os("GREYHOLD_AXE") {
            page.assert_no_barrier_as_it_is(&fs::read_to_string(axe).unwrap(), "a folder is asked for").await;
        } else {
            println!("skipped: the search for barriers, which GREYHOLD_AXE names");
        }
        page.run(&format!("{tether}.click()"), vec![]).await;
        let path = home.folder.to_str().unwrap().to_owned();
        page.until_with(
            "the folder to be looked into",
            "document.querySelector('#path').value === arguments[0]",
            json!(path),
        )
        .await;
        page.click("#watch").await;
        asks.watches(&home.folder);
        page.until(
            "the page beside the camera",
            "location.pathname === '/set' && document.querySelector('#set:not([hidden])') !== null",
        )
        .await;
        page.close().await;
        assert_eq!(asks.stop(), Some(0));
    });
}

/// CHECK: sd_notify(3) and sd_watchdog_enabled(3): the states' names; a service from which no ping came for WATCHDOG_USEC is ended.
#[cfg(target_os = "linux")]
#[test]
fn the_service_manager_hears_how_it_stands() {
    let home = Home::new();
    let at = home.home.path().join("notify.sock");
    let socket = std::os::unix::net::UnixDatagram::bind(&at).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let hear = || {
        let mut bytes = [0; 4096];
        let n = socket.recv(&mut bytes).expect("it tells nothing more");
        String::from_utf8_lossy(&bytes[..n]).into_owned()
    };
    let patience = Duration::from_secs(4);
    let notified = || {
        let mut command = home.command();
        command.env("NOTIFY_SOCKET", &at).env("WATCHDOG_USEC", patience.as_micros().to_string());
        started(&mut command)
    };
    let asks = notified();
    let first = hear();
    assert!(first.contains("READY=1") && first.contains("STATUS=asks for the capture folder"), "{first}");
    let mut pinged = std::time::Instant::now();
    let mut hear_ping_or = |other: &str| {
        loop {
            let heard = hear();
            if heard.trim() == "WATCHDOG=1" {
                assert!(pinged.elapsed() < patience, "{:?} without a ping", pinged.elapsed());
                pinged = std::time::Instant::now();
                if other.is_empty() {
                    return;
                }
            } else {
                assert!(!other.is_empty() && heard.contains(other), "{heard}");
                return;
            }
        }
    };
    for _ in 0..2 {
        hear_ping_or("");
    }
    let (port, token) = asking(&asks, &home);
    assert_eq!(post(port, "/choose", &json!({"token": token, "folder": home.folder})).status, 204);
    hear_ping_or("STATUS=watching");
    for _ in 0..3 {
        hear_ping_or("");
    }
    assert_eq!(asks.stop(), Some(0));
    hear_ping_or("STOPPING=1");

    // With a folder it is up when that has been looked through.
    fs::write(home.folder.join("1.jpg"), crate::harness::shot(8.0, 0.0, 1).jpeg()).unwrap();
    let watches = notified();
    let first = hear();
    assert!(first.contains("READY=1") && first.contains("STATUS=watching"), "{first}");
    let log = home.folder.join("greyhold-shots.jsonl");
    wait_for("the photograph that lay there", || fs::read_to_string(&log).unwrap().contains("\"1.jpg\""));
    assert_eq!(watches.stop(), Some(0));
}

#[test]
fn open_finds_the_page_that_runs() {
    let home = Home::new();
    let (asks, port, token) = home.start_asking();
    let printed = run(home.command().args(["open", "--print"]));
    assert_eq!(String::from_utf8_lossy(&printed.stdout).trim(), format!("http://127.0.0.1:{port}/set#{token}"));

    // The browser is given a file that nobody else can read; the address in it leads there once, without the token.
    let tools = home.home.path().join("tools");
    fs::create_dir(&tools).unwrap();
    let told = home.home.path().join("told");
    let opener = tools.join("xdg-open");
    fs::write(&opener, format!("#!/bin/sh\necho \"$1\" > '{0}.new' && mv '{0}.new' '{0}'\n", told.display())).unwrap();
    fs::set_permissions(&opener, fs::Permissions::from_mode(0o755)).unwrap();
    let path = format!("{}:{}", tools.display(), std::env::var("PATH").unwrap_or_default());
    let mut open = home.command().arg("open").env("PATH", path).stdout(Stdio::null()).spawn().unwrap();
    wait_for("the browser to be called", || told.exists());
    let file = PathBuf::from(fs::read_to_string(&told).unwrap().trim());
    assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
    let html = fs::read_to_string(&file).unwrap();
    let address = html.split("url=").nth(1).unwrap().split('"').next().unwrap();
    assert!(!address.contains(&token) && !address.contains(&port.to_string()), "{address}");
    let (host, ticket) = address.strip_prefix("http://").unwrap().split_once('/').unwrap();
    let door = host.parse().unwrap();
    assert_eq!(send(door, "GET /ABCDEFGHJKLMNPQR", &[("Host", host)], "").status, 404);
    let led = send(door, &format!("GET /{ticket}"), &[("Host", host)], "");
    assert_eq!(
        (led.status, led.header("location").or(led.header("Location"))),
        (303, Some(&*format!("http://127.0.0.1:{port}/set#{token}")))
    );
    assert_eq!(ended(&mut open, PATIENCE).unwrap().code(), Some(0));
    assert!(std::net::TcpStream::connect(door).is_err(), "once, and no more");
    assert!(!file.exists(), "it leads nowhere any more");
    assert_eq!(asks.stop(), Some(0));
}

/// The symbol on a desktop is clicked, and nothing runs yet.
#[cfg(target_os = "linux")]
#[test]
fn open_starts_what_does_not_run() {
    let home = Home::new();
    // What lies where it is called is of no account.
    fs::write(home.folder.join("greyhold.yaml"), "groups: [\n").unwrap();
    let printed = run(home.command().args(["open", "--print"]).current_dir(&home.folder));
    let address = String::from_utf8_lossy(&printed.stdout).trim().to_owned();
    let ours = format!("XDG_STATE_HOME={}", home.state().display());
    let is_ours = |process: &fs::DirEntry| {
        let environment = fs::read(process.path().join("environ")).unwrap_or_default();
        environment.split(|byte| *byte == 0).any(|entry| entry == ours.as_bytes())
    };
    let started: Vec<String> = fs::read_dir("/proc")
        .unwrap()
        .flatten()
        .filter(is_ours)
        .map(|process| process.file_name().to_string_lossy().into_owned())
        .collect();
    for process in &started {
        Command::new("kill").args(["-TERM", process]).status().unwrap();
    }
    assert_eq!(started.len(), 1, "{address}");
    assert!(address.starts_with("http://127.0.0.1:") && address.contains("/set#"), "{address}");
    wait_for("its end", || !home.own("page-first-start.token").exists());
}

#[test]
fn open_tells_that_what_it_started_has_ended() {
    let home = Home::new();
    fs::write(home.home.path().join("greyhold.yaml"), "groups: [\n").unwrap();
    let refused = run(home.command().args(["open", "--print"]).current_dir(&home.folder));
    assert_eq!(refused.status.code(), Some(4));
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert!(said.contains("ended at once (exit status: 2)"), "{said}");
}

/// A file that a full disk left empty.
#[test]
fn the_last_folder_that_holds_no_line_is_asked_for_again() {
    let home = Home::new();
    fs::create_dir_all(home.own("")).unwrap();
    fs::write(home.own("capture-folder"), "").unwrap();
    let (asks, ..) = home.start_asking();
    assert_eq!(asks.stop(), Some(0));
}
