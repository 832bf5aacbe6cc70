//! `greyhold open`: the page of the greyhold that runs here, in the browser; where none runs, one is started.
//!
//! Other users of a machine can read every command line. So the browser is given a file that this user alone can read, with an address of
//! this command's own in it, which works once and leads on to the page with its token.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime};

use tempfile::NamedTempFile;

use super::exit::{CommandError, Exit};
use super::say;
use crate::files::state_folder;
use crate::outlet::stand_page::Token;

#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  greyhold open                 the page beside the camera, in the browser; starts greyhold where none runs
  greyhold open --print         its address, with the token, for a browser that you open yourself")]
pub struct Args {
    /// Print the address with its token, and open no browser
    #[arg(long)]
    print: bool,
}

/// A greyhold that was just started has this long to serve its page: a long log on a share takes its time to be read.
const STARTING: Duration = Duration::from_secs(300);
/// Who waits for it longer than this is told so.
const SOON: Duration = Duration::from_secs(5);
/// The browser has this long to come for the address.
const BROWSER: Duration = Duration::from_secs(60);
/// A server of this machine answers, or isn't there, within this.
const MOMENT: Duration = Duration::from_millis(500);
const LONGEST_LINE: u64 = 4096;

pub fn run(args: &Args) -> Result<Exit, CommandError> {
    let state =
        state_folder().ok_or_else(|| not_open("this user has no home folder, where its token would be kept"))?;
    let address = match running_page(&state) {
        Some(address) => address,
        None => wait_for_page(&state, &mut start()?)?,
    };
    if args.print {
        say(&address);
        return Ok(Exit::Clean);
    }
    lead(&address, &state)?;
    Ok(Exit::Clean)
}

fn not_open(why: impl std::fmt::Display) -> CommandError {
    CommandError::CannotRun(format!("the page can't be opened: {why}"))
}

/// The address, with its token, of a page that is served now; of several, the one begun last.
fn running_page(state: &Path) -> Option<String> {
    let entries = fs::read_dir(state).ok()?.flatten();
    let tokens = entries.filter(|e| e.path().extension().is_some_and(|kind| kind == "token"));
    let mut pages: Vec<(SystemTime, String)> = tokens
        .filter_map(|entry| {
            let begun = entry.metadata().and_then(|m| m.modified()).ok()?;
            let text = fs::read_to_string(entry.path()).ok()?;
            Some((begun, beside_the_camera(text.lines().next()?)?))
        })
        .filter(|(_, address)| port_of(address).is_some_and(answers))
        .collect();
    pages.sort();
    pages.pop().map(|(_, address)| address)
}

/// The address beside the camera, out of the one at the stands: `http://127.0.0.1:4718/#TOKEN`.
fn beside_the_camera(line: &str) -> Option<String> {
    let (page, key) = line.split_once("/#")?;
    let is_ours = page.starts_with("http://127.0.0.1:") || page.starts_with("https://127.0.0.1:");
    // It becomes a header's value.
    let is_plain = key.chars().all(|c| c.is_ascii_alphanumeric() || c == '.');
    (is_ours && is_plain).then(|| format!("{page}/set#{key}"))
}

fn port_of(address: &str) -> Option<u16> {
    address.split("127.0.0.1:").nth(1)?.split('/').next()?.parse().ok()
}

/// A file that a killed greyhold left behind names a page that nobody serves.
fn answers(port: u16) -> bool {
    TcpStream::connect_timeout(&SocketAddr::from((Ipv4Addr::LOCALHOST, port)), MOMENT).is_ok()
}

/// Starts this program as a service would: without a terminal, and in the home folder, wherever this was called.
fn start() -> Result<Child, CommandError> {
    let program = std::env::current_exe().map_err(not_open)?;
    let user = directories::UserDirs::new().ok_or_else(|| not_open("this user has no home folder to start it in"))?;
    let mut command = Command::new(program);
    command.current_dir(user.home_dir());
    command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    // Its end is its own, not that of the terminal in which this command was called.
    #[cfg(unix)]
    std::os::unix::process::CommandExt::process_group(&mut command, 0);
    #[cfg(windows)]
    std::os::windows::process::CommandExt::creation_flags(&mut command, DETACHED);
    command.spawn().map_err(|e| not_open(format!("greyhold can't be started: {e}")))
}

/// DETACHED_PROCESS | CREATE_NEW_PROCESS_GROUP (process creation flags of the Windows API).
#[cfg(windows)]
const DETACHED: u32 = 0x0000_0008 | 0x0000_0200;

fn wait_for_page(state: &Path, started: &mut Child) -> Result<String, CommandError> {
    let began = Instant::now();
    let mut is_told = false;
    while began.elapsed() < STARTING {
        if let Some(address) = running_page(state) {
            return Ok(address);
        }
        if let Ok(Some(ended)) = started.try_wait() {
            return Err(CommandError::NotRunning(format!(
                "no page was found: the greyhold that was started ended at once ({ended}); 'greyhold', called from your home folder \
                 in a terminal, says why (and one that runs on a terminal shows its page's address there)"
            )));
        }
        if !is_told && began.elapsed() > SOON {
            tracing::warn!("greyhold was started, and its page is waited for");
            is_told = true;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    let said = "no page was found: the greyhold that was started runs, and serves none; end it, and 'greyhold', called \
                from your home folder in a terminal, says why";
    Err(CommandError::NotRunning(said.to_owned()))
}

/// Opens the browser at an address that works once, and leads it on to the page.
fn lead(address: &str, state: &Path) -> Result<(), CommandError> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).map_err(not_open)?;
    let ticket = Token::fresh().map_err(not_open)?;
    let port = listener.local_addr().map_err(not_open)?.port();
    // It goes away with this command.
    let file = redirect(state, &format!("http://127.0.0.1:{port}/{}", ticket.as_str())).map_err(not_open)?;
    open_browser(file.path())?;
    let (done, is_done) = std::sync::mpsc::channel();
    let address = address.to_owned();
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            if answer(stream, &ticket, &address).unwrap_or(false) {
                let _ = done.send(());
                return;
            }
        }
    });
    is_done
        .recv_timeout(BROWSER)
        .map_err(|_| not_open("no browser came for it; 'greyhold open --print' says the address to paste into one"))
}

/// A file for this user alone that leads a browser to an address.
fn redirect(state: &Path, address: &str) -> std::io::Result<NamedTempFile> {
    let mut file = tempfile::Builder::new().prefix("open-").suffix(".html").tempfile_in(state)?;
    writeln!(
        file,
        "<!doctype html><meta charset=\"utf-8\"><title>greyhold</title><meta http-equiv=\"refresh\" content=\"0; url={address}\">\
         <p><a href=\"{address}\">To the page of greyhold</a></p>"
    )?;
    file.flush()?;
    Ok(file)
}

/// Answers one request; whether it was the one with the ticket.
fn answer(stream: TcpStream, ticket: &Token, address: &str) -> std::io::Result<bool> {
    stream.set_read_timeout(Some(MOMENT))?;
    let mut line = String::new();
    BufReader::new((&stream).take(LONGEST_LINE)).read_line(&mut line)?;
    let offered = line.strip_prefix("GET /").and_then(|rest| rest.split(' ').next());
    let is_right = offered.is_some_and(|offered| ticket.is(offered));
    let head = if is_right { format!("303 See Other\r\nLocation: {address}") } else { "404 Not Found".to_owned() };
    let kept = "Cache-Control: no-store\r\nReferrer-Policy: no-referrer\r\nContent-Length: 0\r\nConnection: close";
    (&stream).write_all(format!("HTTP/1.1 {head}\r\n{kept}\r\n\r\n").as_bytes())?;
    Ok(is_right)
}

/// The system's own way to open a file by what is meant for its kind.
fn opener(system: &str) -> (&'static str, &'static [&'static str]) {
    match system {
        "macos" => ("open", &[]),
        "windows" => ("rundll32", &["url.dll,FileProtocolHandler"]),
        _ => ("xdg-open", &[]),
    }
}

fn open_browser(file: &Path) -> Result<(), CommandError> {
    let (program, before) = opener(std::env::consts::OS);
    let mut command = Command::new(program);
    command.args(before).arg(file).stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.spawn().map(drop).map_err(|e| {
        not_open(format!(
            "{program} can't be run ({e}); 'greyhold open --print' says the address to paste into a browser"
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_page_of_this_machine_is_opened() {
        let of = |line| beside_the_camera(line);
        assert_eq!(of("http://127.0.0.1:4718/#ABC").as_deref(), Some("http://127.0.0.1:4718/set#ABC"));
        assert_eq!(of("https://127.0.0.1:4718/#ABC.0f").as_deref(), Some("https://127.0.0.1:4718/set#ABC.0f"));
        for line in ["", "http://studio.local:4718/#ABC", "http://127.0.0.1:4718/#A\r\nB", "http://127.0.0.1:1/"] {
            assert_eq!(of(line), None, "{line}");
        }
        assert_eq!(port_of("http://127.0.0.1:4718/set#ABC"), Some(4718));
    }

    #[test]
    fn the_address_is_given_once_to_who_brings_the_ticket() {
        let ticket = Token::fresh().unwrap();
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let at = listener.local_addr().unwrap();
        let asked = |path: String| {
            let asking = std::thread::spawn(move || {
                let mut stream = TcpStream::connect(at).unwrap();
                // In one piece: whoever has the first line answers, and hears no more.
                stream.write_all(format!("GET /{path} HTTP/1.1\r\nHost: {at}\r\n\r\n").as_bytes()).unwrap();
                let mut said = String::new();
                stream.read_to_string(&mut said).unwrap();
                said
            });
            let is_right = answer(listener.accept().unwrap().0, &ticket, "http://127.0.0.1:1/set#KEY").unwrap();
            (is_right, asking.join().unwrap())
        };
        let (is_right, said) = asked("WRONG".to_owned());
        assert!(!is_right && said.starts_with("HTTP/1.1 404") && !said.contains("KEY"), "{said}");
        let (is_right, said) = asked(ticket.as_str().to_owned());
        assert!(is_right && said.contains("Location: http://127.0.0.1:1/set#KEY\r\n"), "{said}");
    }

    #[test]
    fn each_system_has_its_own_way_to_a_browser() {
        assert_eq!(opener("linux").0, "xdg-open");
        assert_eq!(opener("macos").0, "open");
        assert_eq!(opener("windows").0, "rundll32");
    }
}
