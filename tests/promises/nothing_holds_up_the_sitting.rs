//! Neither floods of commands nor files that can't be read hold up frames, answers or the end.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use crate::harness::{Studio, shot, wait_for};
use serde_json::{Value, json};

/// Clients that ask without a pause until told to stop; how often they were answered.
struct Flood {
    stop: Arc<AtomicBool>,
    answers: Arc<AtomicU64>,
    clients: Vec<std::thread::JoinHandle<()>>,
}

impl Flood {
    fn of(studio: &Studio, commands: Vec<Value>) -> Flood {
        let (stop, answers) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let clients = commands.into_iter().map(|command| {
            let (stop, answers, mut client) = (Arc::clone(&stop), Arc::clone(&answers), studio.connect());
            std::thread::spawn(move || {
                while !stop.load(Ordering::Relaxed) {
                    client.ask(command.clone());
                    answers.fetch_add(1, Ordering::Relaxed);
                }
            })
        });
        Flood { clients: clients.collect(), stop, answers }
    }

    fn end(self) -> u64 {
        self.stop.store(true, Ordering::Relaxed);
        self.clients.into_iter().for_each(|client| client.join().unwrap());
        self.answers.load(Ordering::Relaxed)
    }
}

fn spot(name: &str, left: f64) -> Value {
    json!({"command": "spot", "name": name, "area": {"left": left, "top": 0.2, "right": left + 0.2, "bottom": 0.4}})
}

#[test]
fn floods_of_commands_leave_the_frames_their_turns() {
    let studio = Studio::open();
    studio.take("first.jpg", shot(8.0, 0.0, 1));
    let note = json!({"command": "note", "text": "again"});
    let reference = json!({"command": "reference", "file": "first.jpg"});
    let commands = vec![note.clone(), note, spot("cheek", 0.1), spot("brow", 0.5), reference];
    let flood = Flood::of(&studio, commands);
    for n in 0..10 {
        studio.put(&format!("{n}.jpg"), &shot(8.0, 0.0, 10 + n).jpeg());
    }
    wait_for("all frames in the midst of the flood", || studio.frames().len() == 11);
    assert!(flood.end() > 10, "there was a flood");
}

/// A finger that draws sends many wishes: the last one counts, and no more than a few are worked out.
#[test]
fn of_many_spots_drawn_at_once_the_last_counts() {
    let mut studio = Studio::without_configuration();
    studio.start();
    studio.take("first.jpg", shot(8.0, 0.0, 1));
    let drawing: Vec<_> = (0..12)
        .map(|n| {
            let mut client = studio.connect();
            let wish = spot("cheek", 0.01 * f64::from(n));
            client.send(format!("{wish}\n").as_bytes());
            // One after the other, quicker than they can be taken up.
            std::thread::sleep(Duration::from_millis(20));
            client
        })
        .collect();
    for mut client in drawing {
        let reply = std::iter::from_fn(|| Some(client.next())).find(|m| m["kind"] == "reply").unwrap();
        assert_eq!(reply["ok"], true, "{reply}");
    }
    let drawn = std::fs::read_to_string(studio.folder.join("greyhold-spots.yaml")).unwrap();
    assert!(drawn.contains("0.11"), "{drawn}");
    assert!(studio.of_type("remetered").len() <= 4, "{}", studio.of_type("remetered").len());
}

#[cfg(unix)]
#[test]
fn a_reference_that_is_no_photograph_of_the_folder_is_refused_with_a_sentence() {
    let studio = Studio::open();
    studio.take("first.jpg", shot(8.0, 0.0, 1));
    let made = std::process::Command::new("mkfifo").arg(studio.folder.join("pipe.jpg")).status().unwrap();
    assert!(made.success());
    let outside = studio.home.path().join("outside.jpg");
    std::fs::write(&outside, shot(8.0, 0.0, 2).jpeg()).unwrap();
    std::os::unix::fs::symlink(&outside, studio.folder.join("link.jpg")).unwrap();
    std::os::unix::fs::symlink("/dev/zero", studio.folder.join("zero.jpg")).unwrap();
    std::fs::create_dir(studio.folder.join("folder.jpg")).unwrap();
    for (file, why) in [
        ("pipe.jpg", "no regular file"),
        ("folder.jpg", "no regular file"),
        ("link.jpg", "a link out of the capture folder"),
        ("zero.jpg", "a link out of the capture folder"),
        ("absent.jpg", "no such file"),
        ("notes.txt", "no picture by its name"),
    ] {
        let began = std::time::Instant::now();
        let reply = studio.tell(json!({"command": "reference", "file": file}));
        assert_eq!(reply["ok"], false, "{reply}");
        let says = reply["message"].as_str().unwrap();
        assert!(says.starts_with(file) && says.contains(why), "{says}");
        assert!(began.elapsed() < Duration::from_secs(10));
    }
    // Whoever says where it is means it.
    let reply = studio.tell(json!({"command": "reference", "file": outside.display().to_string()}));
    assert_eq!(reply["ok"], true, "{reply}");
}

/// Somebody puts pipes where frames were, at every moment of their way.
#[cfg(unix)]
#[test]
fn a_pipe_in_the_place_of_a_frame_hangs_nobody() {
    let mut studio = Studio::open();
    for n in 0..20_u64 {
        let path = studio.put(&format!("{n}.jpg"), &shot(8.0, 0.0, n).jpeg());
        std::thread::sleep(Duration::from_millis(n * 15));
        std::fs::remove_file(&path).unwrap();
        assert!(std::process::Command::new("mkfifo").arg(&path).status().unwrap().success());
    }
    studio.put("last.jpg", &shot(8.0, 0.0, 30).jpeg());
    assert!(studio.sync().is_empty());
    assert!(studio.frames().contains(&"last.jpg".to_owned()));
    assert_eq!(studio.tell(json!({"command": "status"}))["ok"], true);
    let (code, took) = studio.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "{took:?}");
}
