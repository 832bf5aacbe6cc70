//! On a terminal a watch shows the sitting as the pages do, calmly; into a pipe, or with --plain, it writes lines.

use std::fs;
use std::path::{Path, PathBuf};

use greyhold::config::Config;
use greyhold::outlet::live_keys::{Over, Typing};
use greyhold::outlet::live_view::{Fixed, Lines, draw};
use greyhold::outlet::plain::{Paint, block};
use greyhold::session::{Board, Record, State};
use ratatui::Terminal;
use ratatui::backend::TestBackend;

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden").join(name)
}

/// The view as text, after the first records of a golden log.
fn view(log: &str, until: u64, over: &Over, (width, height): (u16, u16)) -> String {
    let set = include_str!("../../fixtures/golden/earlier_three_groups.yaml");
    let config = Config::parse(set, "earlier_three_groups.yaml").unwrap();
    let text = fs::read_to_string(golden(log)).unwrap();
    let (mut state, lines) = (State::default(), Lines::default());
    for record in text.lines().map(|l| Record::from_line(l).unwrap()).filter(|r| r.n.get() <= until) {
        state.apply(&record);
        if let Some(words) = block(&record, Paint::Plain) {
            lines.add(&words);
        }
    }
    let fixed = Fixed { folder: "/studio/capture".into(), page: Some("http://127.0.0.1:4718/".into()) };
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| draw(frame, &Board::of(&state.sitting, &config), &fixed, &lines, over)).unwrap();
    terminal.backend().to_string()
}

/// `GREYHOLD_WRITE_FIXTURES=1` writes it anew, to be looked at before it is committed.
#[test]
fn what_the_pages_show_fits_on_a_terminal() {
    let states = [("drawn.jsonl", 7, Over::Nothing), ("drawn.jsonl", 9, Over::End), ("survey.jsonl", 1000, Over::Page)];
    let text: String = states.iter().map(|(log, until, over)| view(log, *until, over, (110, 36)) + "\n").collect();
    if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
        fs::write(golden("live_view.txt"), &text).unwrap();
    }
    assert_eq!(text, fs::read_to_string(golden("live_view.txt")).unwrap());
}

/// Names come from cameras and other programs.
#[test]
fn nothing_in_a_record_steers_the_terminal() {
    let steers = "\u{1b}]0;title\u{7}\u{1b}[31m\u{9b}2J\u{202e}\n! THE SHOT LOG IS GONE";
    let config = Config::parse(include_str!("../../fixtures/three_groups.yaml"), "three_groups.yaml").unwrap();
    let text = fs::read_to_string(golden("drawn.jsonl")).unwrap();
    let (mut state, lines) = (State::default(), Lines::default());
    for mut value in text.lines().map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap()) {
        for key in ["file", "look", "sentence"] {
            if value[key].is_string() {
                value[key] = steers.into();
            }
        }
        if value["verdict"]["sentence"].is_string() {
            value["verdict"]["sentence"] = steers.into();
        }
        let record: Record = serde_json::from_value(value).unwrap();
        state.apply(&record);
        lines.add(&block(&record, Paint::Plain).unwrap_or_default());
    }
    lines.add(steers);
    let fixed = Fixed { folder: steers.into(), page: Some(steers.into()) };
    for over in [Over::Nothing, Over::Page] {
        let mut terminal = Terminal::new(TestBackend::new(110, 36)).unwrap();
        terminal.draw(|frame| draw(frame, &Board::of(&state.sitting, &config), &fixed, &lines, &over)).unwrap();
        let cells = terminal.backend().buffer().content();
        assert!(cells.iter().any(|c| c.symbol().contains('\u{fffd}')), "it is there, and marked");
        let wrong = |c: char| c.is_control() || c == '\u{202e}';
        assert!(!cells.iter().any(|c| c.symbol().contains(wrong)));
    }
}

#[test]
fn no_size_of_terminal_is_too_small() {
    for width in [1, 7, 40, 80, 300] {
        for height in [1, 3, 10, 24, 90] {
            for over in [Over::Nothing, Over::Page, Over::End, Over::Typing(Typing::Next, "f/5.6".to_owned())] {
                view("survey.jsonl", 1000, &over, (width, height));
            }
        }
    }
}

/// Terminals and shells as Linux has them: macOS has another `script`.
#[cfg(target_os = "linux")]
mod on_linux {
    use std::fs;
    use std::io::{Read, Write};
    use std::process::{Child, Command, Stdio};
    use std::sync::{Arc, Mutex};

    use crate::harness::{shot, wait_for};

    /// Its terminal goes with it, whatever became of the test.
    struct Ends(Child);

    impl Drop for Ends {
        fn drop(&mut self) {
            let _ = self.0.kill();
            let _ = self.0.wait();
        }
    }

    /// A watch on a terminal of its own (by `script` of util-linux), and what that terminal was sent.
    #[test]
    fn a_watch_takes_the_terminal_and_gives_it_back() {
        let home = tempfile::tempdir().unwrap();
        let capture = home.path().join("capture");
        fs::create_dir(&capture).unwrap();
        let command =
            format!("stty rows 40 columns 120; exec {} watch capture --socket s.sock", env!("CARGO_BIN_EXE_greyhold"));
        let script = Command::new("script")
            .args(["-qec", &command, "/dev/null"])
            .current_dir(home.path())
            .env("TERM", "xterm")
            .env("SHELL", "/bin/sh")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn();
        let Ok(script) = script else {
            println!("skipped: 'script' (util-linux) is not here");
            return;
        };
        let mut script = Ends(script);
        let sent = Arc::new(Mutex::new(Vec::new()));
        let mut out = script.0.stdout.take().unwrap();
        let heard = Arc::clone(&sent);
        let reading = std::thread::spawn(move || {
            let mut part = [0; 4096];
            while let Ok(n @ 1..) = out.read(&mut part) {
                heard.lock().unwrap().extend_from_slice(&part[..n]);
            }
        });
        let shows = |text: &str| String::from_utf8_lossy(&sent.lock().unwrap()).contains(text);
        // Words one by one: the gaps between them are moves of the cursor.
        wait_for("the view", || shows("Shoot") && shows("power"));
        let mut keys = script.0.stdin.take().unwrap();
        fs::write(capture.join("1.jpg"), shot(8.0, 0.0, 1).jpeg()).unwrap();
        wait_for("the frame", || shows("1.jpg"));
        keys.write_all(b"q").unwrap();
        wait_for("the question", || shows("watch?"));
        keys.write_all(b"y").unwrap();
        assert!(script.0.wait().unwrap().success());
        reading.join().unwrap();
        // The alternate screen was left (xterm control sequences, private mode 1049).
        assert!(shows("\u{1b}[?1049h") && shows("\u{1b}[?1049l"));
        assert!(fs::read_to_string(capture.join("greyhold-shots.jsonl")).unwrap().contains("\"type\":\"closed\""));
    }

    /// What a watch writes until a frame is in its log, by the shell's command line.
    fn written(through: &str) -> String {
        let home = tempfile::tempdir().unwrap();
        let capture = home.path().join("capture");
        fs::create_dir(&capture).unwrap();
        let line =
            through.replace("WATCH", &format!("{} watch capture --socket s.sock", env!("CARGO_BIN_EXE_greyhold")));
        let shell =
            Command::new("sh").args(["-c", &line]).current_dir(home.path()).env("SHELL", "/bin/sh").spawn().unwrap();
        let _ends = Ends(shell);
        let out = home.path().join("out.txt");
        let read = || fs::read_to_string(&out).unwrap_or_default();
        wait_for("the beginning", || read().contains("watching capture"));
        fs::write(capture.join("1.jpg"), shot(8.0, 0.0, 1).jpeg()).unwrap();
        wait_for("the frame", || read().contains("held against the one before"));
        read()
    }

    #[test]
    fn into_a_pipe_it_writes_lines() {
        let text = written("exec WATCH > out.txt");
        assert!(!text.contains('\u{1b}'), "{text}");
    }

    #[test]
    fn with_plain_it_writes_lines_on_a_terminal_too() {
        let text = written("exec script -qefc 'WATCH --plain' out.txt > script.txt");
        assert!(!text.contains("1049h"), "{text}");
    }
}
