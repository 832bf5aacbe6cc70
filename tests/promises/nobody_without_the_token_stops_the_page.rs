//! Somebody on the studio's network who has no token opens whatever he can: those who signed in are answered meanwhile.
//!
//! The stranger comes from this machine's address on the network, who signed in from its own.
#![cfg(target_os = "linux")]

use std::fs;
use std::io::{ErrorKind, Read, Write};
use std::net::{Shutdown, SocketAddr, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use crate::harness::http::{self, Feed, OF_A_TEST, connect, here, send, sign_in, try_send};
use crate::harness::process::Printed;
use crate::harness::{Studio, shot, wait_for};

/// A page that loads may take this long on a busy machine. Its reader would have gone.
const ANSWERED_WITHIN: Duration = Duration::from_secs(5);

/// A watch that is open to the network, and where a stranger reaches it.
fn open_to_the_network() -> Option<(Studio, SocketAddr)> {
    let (studio, stranger, _) = http::open_to_the_network()?;
    // Before the stranger comes.
    studio.session();
    Some((studio, stranger))
}

/// Everything that a page asks for when it is opened by somebody who has signed in.
fn assert_the_page_opens(studio: &Studio) {
    let (to, session) = (here(studio.port()), studio.session());
    let host = to.to_string();
    for path in ["/", "/page.css", "/page.js", "/marks", "/trend.svg?ink=on_dark"] {
        let began = Instant::now();
        let answer = send(to, &format!("GET {path}"), &[("Host", &host), ("Cookie", &session)], "");
        assert_eq!(answer.status, 200, "{path}");
        assert!(began.elapsed() < ANSWERED_WITHIN, "{path} took {:?}", began.elapsed());
    }
    Feed::open(studio, None).unwrap().next("board");
}

/// And the metering goes on.
fn assert_all_is_well(studio: &Studio, name: &str, number: u64) {
    assert_the_page_opens(studio);
    assert_eq!(studio.take(name, shot(8.0, 0.0, number))["frame"], number);
}

/// For as long as a flood takes to show what it does.
fn assert_all_stays_well(studio: &Studio) {
    let began = Instant::now();
    let mut number = 0;
    while number < 3 || began.elapsed() < Duration::from_secs(6) {
        number += 1;
        assert_all_is_well(studio, &format!("{number}.jpg"), number);
    }
}

fn is_open(stream: &TcpStream) -> bool {
    stream.set_nonblocking(true).unwrap();
    let open = matches!(stream.peek(&mut [0]), Err(e) if e.kind() == ErrorKind::WouldBlock);
    stream.set_nonblocking(false).unwrap();
    open
}

/// Ends a flood when it goes: also where a promise fails meanwhile, which would wait for the flood's threads for ever.
struct EndsTheFlood<'a>(&'a AtomicBool);

impl Drop for EndsTheFlood<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

/// Those that it holds when nobody comes: some are opened a while after its start, and one that signed in is closed in its own time.
fn sockets_at_rest(studio: &Studio) -> usize {
    let mut before = 0;
    wait_for("the sockets to stay as they are", || {
        let last = std::mem::replace(&mut before, sockets_of(studio));
        std::thread::sleep(Duration::from_millis(300));
        last == before && before == sockets_of(studio)
    });
    before
}

/// Connections that the program holds open.
fn sockets_of(studio: &Studio) -> usize {
    let handles = fs::read_dir(format!("/proc/{}/fd", studio.pid())).unwrap().flatten();
    handles.filter(|h| fs::read_link(h.path()).is_ok_and(|to| to.to_string_lossy().starts_with("socket:"))).count()
}

#[test]
fn connections_that_say_nothing_keep_nobody_out() {
    let Some((studio, to)) = open_to_the_network() else { return };
    let silent: Vec<TcpStream> = (0..256).map(|_| connect(to)).collect();
    assert_all_is_well(&studio, "1.jpg", 1);
    // Of one machine, these may stay, and not for long.
    wait_for("the places to be few", || silent.iter().filter(|s| is_open(s)).count() <= 8);
    wait_for("the places to be given back", || silent.iter().all(|s| !is_open(s)));
    // From its own address, where more may be held.
    let silent: Vec<TcpStream> = (0..256).map(|_| connect(here(studio.port()))).collect();
    assert_all_is_well(&studio, "2.jpg", 2);
    drop(silent);
}

#[test]
fn half_requests_without_end_keep_nobody_out() {
    let Some((studio, to)) = open_to_the_network() else { return };
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let _ends = EndsTheFlood(&over);
        for half in [
            "GET / HTTP/1.1\r\nHost: ",
            "POST /enter HTTP/1.1\r\nHost: HERE\r\nOrigin: http://HERE\r\nContent-Type: application/json\r\nContent-Length: 900\r\n\r\n{",
        ] {
            let (half, over) = (half.replace("HERE", &to.to_string()), &over);
            scope.spawn(move || {
                let mut held = Vec::new();
                while !over.load(Ordering::Relaxed) {
                    held.extend(TcpStream::connect(to).map(|mut s| {
                        let _ = s.write_all(half.as_bytes());
                        s
                    }));
                    if held.len() > 200 {
                        held.drain(..100);
                    }
                    std::thread::sleep(Duration::from_millis(2));
                }
            });
        }
        assert_all_stays_well(&studio);
    });
}

/// Refusals that nobody reads, and files that nobody reads.
#[test]
fn answers_that_are_never_read_give_their_places_back() {
    let Some((studio, to)) = open_to_the_network() else { return };
    let before = sockets_at_rest(&studio);
    let ask = |path: &str| format!("GET {path} HTTP/1.1\r\nHost: {to}\r\n\r\n").repeat(100);
    let unread: Vec<TcpStream> = (0..256)
        .map(|n| {
            let small = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None).unwrap();
            // Little waits at the reader's, so that the writer has to.
            small.set_recv_buffer_size(2048).unwrap();
            small.connect(&to.into()).unwrap();
            let mut stream = TcpStream::from(small);
            let _ = stream.write_all(ask(if n % 2 == 0 { "/page.js" } else { "/marks" }).as_bytes());
            stream
        })
        .collect();
    assert_all_is_well(&studio, "1.jpg", 1);
    wait_for("the places to be given back", || sockets_of(&studio) <= before);
    drop(unread);
}

#[test]
fn one_connection_gets_a_hundred_answers() {
    let Some((studio, to)) = open_to_the_network() else { return };
    let mut stream = connect(to);
    stream.write_all(format!("GET /icon.svg HTTP/1.1\r\nHost: {to}\r\n\r\n").repeat(120).as_bytes()).unwrap();
    let mut all = Vec::new();
    let _ = stream.read_to_end(&mut all);
    assert_eq!(String::from_utf8_lossy(&all).matches("HTTP/1.1 200").count(), 100);
    assert_the_page_opens(&studio);
}

/// Somebody behind the same address asks so often that he is refused: who signed in has a pace of his own.
#[test]
fn a_flood_of_requests_slows_down_who_makes_it() {
    let studio = Studio::open();
    studio.session();
    let (over, to) = (AtomicBool::new(false), here(studio.port()));
    std::thread::scope(|scope| {
        let ends = EndsTheFlood(&over);
        let floods: Vec<_> = (0..2)
            .map(|_| {
                scope.spawn(|| {
                    let mut refused = 0;
                    while !over.load(Ordering::Relaxed) {
                        let answer = try_send(to, "GET /marks", &[("Host", &to.to_string())], "");
                        refused += usize::from(answer.is_some_and(|a| a.status == 429));
                    }
                    refused
                })
            })
            .collect();
        assert_all_stays_well(&studio);
        drop(ends);
        assert!(floods.into_iter().map(|f| f.join().unwrap()).sum::<usize>() > 0, "it was a flood");
    });
}

/// Feeds of who signed in, and never reads them.
#[test]
fn unread_feeds_keep_no_other_machine_out() {
    let Some((studio, to)) = open_to_the_network() else { return };
    let cookie = sign_in(to, studio.token.as_deref().unwrap());
    let mut feeds = Vec::new();
    let refused = loop {
        match Feed::open_at(to, &cookie, None) {
            Ok(feed) => feeds.push(feed),
            Err(status) => break status,
        }
    };
    assert_eq!((feeds.len(), refused), (8, 503));
    // On this machine are more, and also an end.
    let mut own = Vec::new();
    let refused = loop {
        match Feed::open(&studio, None) {
            Ok(feed) => own.push(feed),
            Err(status) => break status,
        }
    };
    assert_eq!((own.len(), refused), (32, 503));
    assert_eq!(studio.take("1.jpg", shot(8.0, 0.0, 1))["frame"], 1);
    // A feed that ended gives its place back.
    drop((feeds, own));
    wait_for("a place for a feed", || Feed::open_at(to, &cookie, None).is_ok());
    wait_for("a place for one on this machine", || Feed::open(&studio, None).is_ok());
    assert_all_is_well(&studio, "2.jpg", 2);
}

/// A page that takes nothing for ten seconds is gone; what is sent to it meanwhile waits, and has an end.
#[test]
fn a_feed_that_takes_nothing_ends() {
    let studio = Studio::open();
    let before = sockets_at_rest(&studio);
    let small = socket2::Socket::new(socket2::Domain::IPV4, socket2::Type::STREAM, None).unwrap();
    small.set_recv_buffer_size(2048).unwrap();
    let to = here(studio.port());
    small.connect(&to.into()).unwrap();
    let mut unread = TcpStream::from(small);
    let session = studio.session();
    // Told from the log's beginning, again and again, it is more than the system keeps for it.
    for n in 0..40 {
        studio.tell(serde_json::json!({"command": "note", "text": format!("{n} {}", "x".repeat(7000))}));
    }
    unread
        .write_all(format!("GET /feed?after=0 HTTP/1.1\r\nHost: {to}\r\nCookie: {session}\r\n\r\n").as_bytes())
        .unwrap();
    wait_for("its place to be taken", || sockets_of(&studio) > before);
    wait_for("its place to be given back", || sockets_of(&studio) <= before);
    drop(unread);
}

// --- a phone that vanished ---

/// Another machine, as far as the network knows. Gone with the value.
struct OtherMachine {
    name: String,
    link: String,
}

impl OtherMachine {
    /// Says so and gives nothing where this user may make none.
    fn set_up() -> Option<OtherMachine> {
        let id = std::process::id();
        let other = OtherMachine { name: format!("greyhold-{id}"), link: format!("gh{id}") };
        let OtherMachine { name, link } = &other;
        let steps = [
            format!("ip netns add {name}"),
            format!("ip link add {link}a type veth peer name {link}b netns {name}"),
            format!("ip addr add {OF_A_TEST}/24 dev {link}a"),
            format!("ip link set {link}a up"),
            format!("ip -n {name} addr add 10.231.77.2/24 dev {link}b"),
            format!("ip -n {name} link set {link}b up"),
        ];
        let made = steps.iter().all(|step| run(step));
        if !made {
            println!("skipped: this user may set up no network of its own (needs ip, and root)");
        }
        made.then_some(other)
    }

    fn shell(&self, script: &str) -> Child {
        let mut command = Command::new("ip");
        command.args(["netns", "exec", &self.name, "bash", "-c", script]);
        command.stdout(Stdio::piped()).spawn().unwrap()
    }
}

impl Drop for OtherMachine {
    fn drop(&mut self) {
        // Its address is in the way of the next one for as long as the link stands, which connections of the name space hold.
        run(&format!("ip link del {}a", self.link));
        run(&format!("ip netns del {}", self.name));
    }
}

fn run(line: &str) -> bool {
    let mut words = line.split(' ');
    let mut command = Command::new(words.next().unwrap());
    command.args(words).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
}

/// It goes out of the Wi-Fi's reach without a word: nothing comes from it any more.
#[test]
fn a_phone_that_vanished_gives_its_place_back() {
    let Some(phone) = OtherMachine::set_up() else { return };
    let mut studio = Studio::empty();
    studio.extra = vec!["--lan".into()];
    studio.start();
    let session = studio.session();
    // The connection that signed in is closed by the program in its own time.
    let before = sockets_at_rest(&studio);
    let port = studio.port();
    // Sessions are no address's: this one follows its phone.
    let mut follower = phone.shell(&format!(
        "exec 3<>/dev/tcp/{OF_A_TEST}/{port}; printf 'GET /feed HTTP/1.1\\r\\nHost: {OF_A_TEST}:{port}\\r\\nCookie: {session}\\r\\n\\r\\n' >&3; exec cat <&3"
    ));
    let printed = Printed::of(follower.stdout.take().unwrap());
    printed.find(|line| (line == "event: beat").then_some(())).unwrap_or_else(|e| panic!("it doesn't follow: {e}"));
    assert_eq!(sockets_of(&studio), before + 1);
    assert!(run(&format!("ip -n {} link set {}b down", phone.name, phone.link)));
    let vanished = Instant::now();
    while sockets_of(&studio) > before {
        assert!(vanished.elapsed() < Duration::from_secs(40), "its place is still held");
        std::thread::sleep(Duration::from_millis(100));
    }
    println!("its place was held for {:.1} s", vanished.elapsed().as_secs_f64());
    follower.kill().unwrap();
    follower.wait().unwrap();
}

/// Not only who says nothing: also who says that he has said all.
#[test]
fn a_stranger_who_hangs_up_half_way_costs_nothing() {
    let Some((studio, to)) = open_to_the_network() else { return };
    let before = sockets_at_rest(&studio);
    for _ in 0..50 {
        let mut stream = connect(to);
        stream.write_all(b"GET / HTTP/1.1\r\n").unwrap();
        stream.shutdown(Shutdown::Write).unwrap();
    }
    wait_for("the places to be given back", || sockets_of(&studio) <= before);
}
