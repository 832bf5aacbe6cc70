//! The socket takes nobody's file away, lies where nobody else can have prepared a place for it, and only its own
//! user's greyhold is spoken with.
#![cfg(unix)]

use std::cell::Cell;
use std::fs::{self, Permissions};
use std::os::unix::fs::{FileTypeExt, PermissionsExt, chown, symlink};
use std::os::unix::net::{UnixDatagram, UnixListener};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use crate::harness::process::run;
use crate::harness::{Studio, shot, wait_for};
use serde_json::json;
use tempfile::TempDir;

/// A user who is somebody else.
const SOMEBODY: u32 = 65_534;

#[test]
fn only_its_owner_can_open_it_and_a_dead_ones_place_is_taken() {
    let mut studio = Studio::open();
    let mode = fs::metadata(studio.socket()).unwrap().permissions().mode();
    assert_eq!(mode & 0o077, 0, "{mode:o}");
    studio.kill();
    assert!(studio.socket().exists(), "killed, it leaves its socket");
    studio.start();
    assert_eq!(studio.tell(json!({"command": "status"}))["ok"], true);
    studio.stop();
    assert!(!studio.socket().exists(), "ended in order, it takes it away");
}

#[test]
fn whatever_else_lies_in_its_place_stays_and_is_said() {
    let studio = Studio::empty();
    let place = studio.socket();
    let photograph = shot(8.0, 0.0, 1).jpeg();
    let elsewhere = studio.home.path().join("portrait.jpg");
    fs::write(&elsewhere, &photograph).unwrap();
    let live = studio.home.path().join("live.sock");
    let _listens = UnixListener::bind(&live).unwrap();
    let datagrams = Cell::new(None);
    let put: [(&str, &dyn Fn()); 6] = [
        ("a photograph", &|| fs::write(&place, &photograph).unwrap()),
        ("an empty file", &|| fs::write(&place, b"").unwrap()),
        ("a folder", &|| fs::create_dir(&place).unwrap()),
        ("a link to a photograph", &|| symlink(&elsewhere, &place).unwrap()),
        ("a link to a socket", &|| symlink(&live, &place).unwrap()),
        ("another kind of socket", &|| datagrams.set(Some(UnixDatagram::bind(&place).unwrap()))),
    ];
    for (what, put) in put {
        put();
        let before = fs::symlink_metadata(&place).unwrap();
        let output = studio.start_and_end();
        assert_eq!(output.status.code(), Some(3), "{what}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.lines().count() == 1 && said.contains("s.sock"), "{what}: {said}");
        let after = fs::symlink_metadata(&place).unwrap();
        assert_eq!((before.file_type(), before.len()), (after.file_type(), after.len()), "{what}");
        if after.is_dir() { fs::remove_dir(&place).unwrap() } else { fs::remove_file(&place).unwrap() }
    }
    assert_eq!(fs::read(&elsewhere).unwrap(), photograph);
    assert!(live.exists());
}

#[test]
fn another_programs_socket_that_answers_stays() {
    let studio = Studio::empty();
    let _listens = UnixListener::bind(studio.socket()).unwrap();
    let output = studio.start_and_end();
    assert_eq!(output.status.code(), Some(3));
    assert!(fs::symlink_metadata(studio.socket()).unwrap().file_type().is_socket());
}

#[test]
fn at_the_end_only_its_own_is_taken_away() {
    let mut studio = Studio::open();
    fs::remove_file(studio.socket()).unwrap();
    fs::write(studio.socket(), b"somebody's notes").unwrap();
    assert_eq!(studio.stop().0, Some(0));
    assert_eq!(fs::read(studio.socket()).unwrap(), b"somebody's notes");
    fs::remove_file(studio.socket()).unwrap();
    studio.start();
    fs::remove_file(studio.socket()).unwrap();
    let _another = UnixListener::bind(studio.socket()).unwrap();
    studio.stop();
    assert!(studio.socket().exists(), "another's socket");
}

#[test]
fn a_start_that_fails_leaves_no_socket_behind() {
    let studio = Studio::empty();
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
    let command = command.arg("watch").arg(&studio.folder).arg("--socket").arg(studio.socket());
    let output = run(command.args(["--port", &port]));
    assert_eq!(output.status.code(), Some(3), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(!studio.socket().exists());
}

/// A user's surroundings: where temporary files and the home are.
struct User {
    home: TempDir,
    watching: Vec<Child>,
}

impl User {
    fn new() -> User {
        let home = tempfile::tempdir().unwrap();
        for folder in ["tmp", "capture", "run"] {
            fs::create_dir(home.path().join(folder)).unwrap();
        }
        fs::set_permissions(home.path().join("tmp"), Permissions::from_mode(0o1777)).unwrap();
        User { home, watching: Vec::new() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.home.path().join(name)
    }

    /// The folder that greyhold would make among the temporary files.
    fn shared(&self) -> PathBuf {
        let user = std::os::unix::fs::MetadataExt::uid(&fs::metadata(self.home.path()).unwrap());
        self.path("tmp").join(format!("greyhold-{user}"))
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_greyhold"));
        command.args(args).current_dir(self.home.path()).env("TMPDIR", self.path("tmp")).env("HOME", self.home.path());
        for name in ["XDG_RUNTIME_DIR", "XDG_STATE_HOME", "XDG_DATA_HOME"] {
            command.env_remove(name);
        }
        command
    }

    fn tell(&self, args: &[&str]) -> Output {
        run(&mut self.command(&[&["tell"], args].concat()))
    }

    /// Begins a watch that chooses its socket's place itself.
    fn watch(&mut self, with: impl Fn(&mut Command)) {
        let log = self.path("capture/greyhold-shots.jsonl");
        let mut command = self.command(&["watch", "capture", "--no-page"]);
        with(&mut command);
        self.watching.push(command.stdout(Stdio::null()).spawn().unwrap());
        wait_for("the watch", || fs::read_to_string(&log).is_ok_and(|t| t.contains("\"type\":\"existing_files\"")));
    }

    fn sockets_in(folder: &Path) -> usize {
        let entries = fs::read_dir(folder).into_iter().flatten().flatten();
        entries.filter(|e| e.file_type().is_ok_and(|t| t.is_socket())).count()
    }
}

impl Drop for User {
    fn drop(&mut self) {
        for child in &mut self.watching {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

#[test]
fn where_the_system_has_no_folder_for_it_one_of_its_own_is_made() {
    let mut user = User::new();
    user.watch(|_| {});
    assert_eq!(fs::metadata(user.shared()).unwrap().permissions().mode() & 0o777, 0o700);
    assert_eq!(User::sockets_in(&user.shared()), 1);
    assert!(user.tell(&["status"]).status.success());
    assert!(user.tell(&["--folder", "capture", "status"]).status.success());
}

/// How somebody prepared the folder, in words and deeds.
type Prepared<'a> = (&'a str, &'a dyn Fn(&User));

#[test]
fn a_folder_that_somebody_prepared_is_not_used() {
    let prepare: [Prepared; 5] = [
        ("open to all", &|u| {
            fs::create_dir(u.shared()).unwrap();
            fs::set_permissions(u.shared(), Permissions::from_mode(0o777)).unwrap();
        }),
        ("open to be looked into", &|u| {
            fs::create_dir(u.shared()).unwrap();
            fs::set_permissions(u.shared(), Permissions::from_mode(0o755)).unwrap();
        }),
        ("a link", &|u| {
            fs::create_dir(u.path("elsewhere")).unwrap();
            fs::set_permissions(u.path("elsewhere"), Permissions::from_mode(0o700)).unwrap();
            symlink(u.path("elsewhere"), u.shared()).unwrap();
        }),
        ("a file", &|u| fs::write(u.shared(), b"").unwrap()),
        ("somebody else's", &|u| {
            fs::create_dir(u.shared()).unwrap();
            fs::set_permissions(u.shared(), Permissions::from_mode(0o700)).unwrap();
            if chown(u.shared(), Some(SOMEBODY), None).is_err() {
                println!("skipped: only root can give a folder away");
                fs::set_permissions(u.shared(), Permissions::from_mode(0o750)).unwrap();
            }
        }),
    ];
    for (what, prepare) in prepare {
        let mut user = User::new();
        prepare(&user);
        user.watch(|_| {});
        assert_eq!(User::sockets_in(&user.shared()), 0, "{what}");
        assert_eq!(User::sockets_in(&user.path(".local/state/greyhold/sockets")), 1, "{what}");
        assert!(user.tell(&["status"]).status.success(), "{what}: tell finds it");
    }
}

#[test]
fn where_no_folder_is_its_users_alone_it_refuses_and_says_what_to_do() {
    let user = User::new();
    fs::write(user.shared(), b"").unwrap();
    fs::write(user.path(".local"), b"").unwrap();
    let output = run(&mut user.command(&["watch", "capture", "--no-page"]));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("--socket") && said.lines().count() == 1, "{said}");
}

#[test]
fn the_systems_own_folder_is_looked_at_as_closely() {
    for (mode, is_used) in [(0o700, true), (0o777, false)] {
        let mut user = User::new();
        let run = user.path("run");
        fs::set_permissions(&run, Permissions::from_mode(mode)).unwrap();
        user.watch(|command| {
            command.env("XDG_RUNTIME_DIR", &run);
        });
        assert_eq!(User::sockets_in(&run), usize::from(is_used), "{mode:o}");
        assert_eq!(User::sockets_in(&user.shared()), usize::from(!is_used), "{mode:o}");
    }
}

#[test]
fn a_dead_socket_beside_a_live_one_is_not_counted() {
    let mut user = User::new();
    user.watch(|_| {});
    drop(UnixListener::bind(user.shared().join("greyhold-deadbeef.sock")).unwrap());
    fs::write(user.shared().join("greyhold-cafecafe.sock"), b"").unwrap();
    let output = user.tell(&["status"]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

/// The folder of each that answers; of one that is silent, its socket.
#[test]
fn of_several_each_is_named_as_one_would_name_it() {
    let mut user = User::new();
    user.watch(|_| {});
    let silent = user.shared().join("greyhold-deadbeef.sock");
    let _listens = UnixListener::bind(&silent).unwrap();
    let output = user.tell(&["status"]);
    assert_eq!(output.status.code(), Some(4));
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    let folder = fs::canonicalize(user.path("capture")).unwrap();
    for part in [
        "2 greyholds may be running: name one with ".to_owned(),
        format!("--folder {}", folder.display()),
        format!("--socket {} (which doesn't tell its folder)", silent.display()),
    ] {
        assert!(said.contains(&part), "{said}\nmissing: {part}");
    }
    assert_eq!(said.trim().lines().count(), 1, "{said}");
    assert!(user.tell(&["--folder", "capture", "status"]).status.success());
}

/// A program of another user stands in for a greyhold: it takes commands and answers as it likes.
#[test]
fn another_users_program_is_not_spoken_with() {
    let home = tempfile::tempdir().unwrap();
    fs::set_permissions(home.path(), Permissions::from_mode(0o777)).unwrap();
    let (socket, heard) = (home.path().join("s.sock"), home.path().join("heard"));
    let script = "import socket,sys\n\
        s=socket.socket(socket.AF_UNIX); s.bind(sys.argv[1]); s.listen()\n\
        while True:\n c,_=s.accept()\n try: open(sys.argv[2],'ab').write(c.recv(9999))\n except OSError: pass\n";
    let mut python = Command::new("python3");
    std::os::unix::process::CommandExt::uid(&mut python, SOMEBODY);
    let started = python.args(["-c", script]).arg(&socket).arg(&heard).stderr(Stdio::null()).spawn();
    let Ok(mut other) = started else {
        println!("skipped: only root can be another user (or python3 is not here)");
        return;
    };
    wait_for("the other's socket", || fs::symlink_metadata(&socket).is_ok());
    for command in [
        &["tell", "--socket", socket.to_str().unwrap(), "note", "private"][..],
        &["follow", "--socket", socket.to_str().unwrap()],
    ] {
        let output = crate::harness::greyhold(command);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(4), "{said}");
        assert!(said.contains("another user"), "{said}");
    }
    other.kill().unwrap();
    other.wait().unwrap();
    assert!(!fs::read_to_string(heard).unwrap_or_default().contains("private"));
}
