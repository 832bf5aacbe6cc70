//! Where it prints to is stuck: a pipe that nobody reads, a terminal that is held.

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::daemon::{Printing, program};
use crate::mounts::has;
use crate::process::Process;
use crate::sitting::{Sitting, skip};

/// Words enough to fill any pipe.
fn fill(sitting: &mut Sitting) {
    for k in 0..120 {
        if !sitting.daemon().note(&format!("{k} {}", "words to print ".repeat(80))) {
            return sitting.promise(false, format!("note {k} was not taken"));
        }
    }
}

#[test]
fn a_pipe_that_nobody_reads() {
    let mut sitting = Sitting::new("a pipe that nobody reads");
    sitting.place.printing = Printing::Unread;
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    fill(&mut sitting);
    sitting.put_some(10);
    sitting.wait_for_all();
    sitting.end();
    sitting.start();
    fill(&mut sitting);
    sitting.put_some(3);
    sitting.wait_for_all();
    // Read on after all: it prints again.
    sitting.daemon_mut().read_on();
    let began = Instant::now();
    while sitting.daemon().printed.lock().unwrap().is_empty() && began.elapsed() < Duration::from_secs(10) {
        std::thread::sleep(Duration::from_millis(20));
    }
    let printed = !sitting.daemon().printed.lock().unwrap().is_empty();
    sitting.promise(printed, "nothing is printed any more once the pipe is read again");
    sitting.done();
}

/// Ctrl-S: whoever shows the terminal takes no more of it.
#[test]
fn a_terminal_that_is_held() {
    let mut sitting = Sitting::new("a terminal that is held");
    if !has("script") {
        return skip(sitting.name, "there is no `script` to give it a terminal");
    }
    // The daemon's own words, behind a terminal; its streams are the terminal's.
    let words = sitting.place.words().iter().map(|w| format!("'{w}'")).collect::<Vec<_>>().join(" ");
    let mut shown = Command::new("script")
        .args(["-q", "-e", "-f", "-c", &format!("exec {words}"), "/dev/null"])
        .current_dir(sitting.place.home.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let screen = crate::daemon::drain(shown.stdout.take().unwrap());
    let terminal = Process::of(shown.id()).unwrap();
    let program = program();
    let began = Instant::now();
    let daemon = loop {
        let found = terminal.descendants().into_iter().find(|p| p.runs(&program));
        let answers = crate::wire::Wire::connect(&sitting.place.socket, Duration::from_secs(1)).is_ok();
        match found.filter(|_| answers) {
            Some(daemon) => break daemon,
            None if began.elapsed() > Duration::from_secs(30) => {
                let _ = shown.kill();
                panic!("no start behind a terminal: {}", screen.lock().unwrap());
            }
            None => std::thread::sleep(Duration::from_millis(20)),
        }
    };
    let pulse = crate::pulse::Pulse::start(sitting.place.socket.clone(), daemon, program);
    terminal.signal("STOP");
    let mut asked = crate::wire::Wire::connect(&sitting.place.socket, Duration::from_secs(5)).ok();
    for k in 0..60 {
        let note = serde_json::json!({"command": "note", "text": format!("{k} {}", "words to print ".repeat(80))});
        if asked.as_mut().is_none_or(|w| w.ask(&note, Duration::from_secs(3)).is_err()) {
            break;
        }
    }
    sitting.put_some(8);
    sitting.wait_for_all();
    let workers = daemon.descendants();
    pulse.look_away();
    daemon.signal("TERM");
    let asked_at = Instant::now();
    // Its end shows in that it lives no more; `script`, held, has not waited for it.
    let ended = daemon.is_gone_within(Duration::from_secs(10));
    let took = asked_at.elapsed();
    sitting.promise(
        ended && took <= sitting.machine.allows(crate::effort::END_WITHIN),
        format!("the end took {took:.2?}"),
    );
    daemon.signal("KILL");
    daemon.is_gone_within(Duration::from_secs(5));
    terminal.signal("CONT");
    let _ = shown.kill();
    let _ = shown.wait();
    let stayed = workers.iter().filter(|w| !w.is_gone_within(Duration::from_secs(2))).count();
    sitting.promise(stayed == 0, format!("{stayed} worker processes outlived it"));
    sitting.tell(format!("the end behind the held terminal took {:.2} s", took.as_secs_f64()));
    let measured = pulse.end();
    sitting.take_in(&measured);
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}
