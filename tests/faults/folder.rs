//! The capture folder: unmounted and back, replaced, not listable for a while, full of new folders.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::daemon::program;
use crate::mounts::{Mount, has};
use crate::oracle::Log;
use crate::sitting::{Sitting, skip};

#[test]
fn unmounted_and_back_nothing_is_missed() {
    let mut sitting = Sitting::new("the folder is unmounted and back");
    let disk = sitting.place.home.path().join("disk");
    fs::create_dir(&disk).unwrap();
    let folder = sitting.place.folder.clone();
    let mut mount = match Mount::of(&disk, &folder) {
        Ok(mount) => mount,
        Err(why) => return skip(sitting.name, &why),
    };
    sitting.start();
    sitting.put_some(4);
    sitting.wait_for_all();
    for round in 0..sitting.effort.up_to(10).div_ceil(2) {
        // Some are still on their way through the program when the cable is pulled.
        sitting.put_some(4);
        std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.0, 0.4)));
        mount.pull().unwrap();
        if round == 0 {
            // Away for longer than a look: an empty folder lies at its place.
            std::thread::sleep(Duration::from_millis(2_500));
        } else {
            std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.1, 3.0)));
        }
        for _ in 0..3 {
            let picture = sitting.fresh();
            sitting.put_into(picture, &disk);
        }
        if round % 2 == 1 {
            sitting.end();
            sitting.start();
        }
        mount = Mount::of(&disk, &folder).unwrap();
        sitting.wait_for_all();
    }
    sitting.end();
    sitting.done_on(mount);
}

/// Gone from its path and back: what it holds is still to come, and `wait` does not call it logged meanwhile.
#[test]
fn away_for_a_while_and_back() {
    let mut sitting = Sitting::new("the folder is away");
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    let aside = sitting.place.home.path().join("aside");
    for round in 0..sitting.effort.up_to(10).div_ceil(2) {
        sitting.put_some(4);
        std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.0, 0.2)));
        fs::rename(&sitting.place.folder, &aside).unwrap();
        std::thread::sleep(Duration::from_secs_f64(if round == 0 { 0.05 } else { sitting.random.between(0.0, 3.0) }));
        let reply = sitting.daemon().tell(&serde_json::json!({"command": "wait"}));
        let lost = sitting.log().lost(&sitting.whole).len();
        let claims = reply.is_ok_and(|r| r["message"] == "everything in the folder is logged");
        sitting
            .promise(!claims || lost == 0, format!("`wait` calls all logged with the folder away and {lost} to come"));
        if round % 2 == 1 {
            sitting.end();
        }
        fs::rename(&aside, &sitting.place.folder).unwrap();
        if round % 2 == 1 {
            sitting.start();
        }
        sitting.wait_for_all();
    }
    sitting.end();
    sitting.done();
}

#[test]
fn replaced_by_another_it_goes_on_there() {
    let mut sitting = Sitting::new("the folder is replaced");
    sitting.start();
    sitting.put_some(3);
    sitting.wait_for_all();
    for round in 0..sitting.effort.up_to(20).div_ceil(2) {
        let aside = sitting.place.home.path().join(format!("aside_{round}"));
        fs::rename(&sitting.place.folder, &aside).unwrap();
        std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.0, 0.3)));
        fs::create_dir(&sitting.place.folder).unwrap();
        sitting.put_some(3);
        // What lands in the folder that is no longer watched is none of its business.
        fs::write(aside.join("frame_999999.jpg"), crate::pictures::Picture::jpeg(999_999).files().remove(0).1).unwrap();
        sitting.wait_for_all();
    }
    sitting.end();
    sitting.done();
}

/// As another user, since nothing is closed to root.
#[test]
fn not_listable_for_a_while_nothing_is_missed() {
    let mut sitting = Sitting::new("the folder can't be listed");
    let is_root = fs::metadata("/proc/self").is_ok_and(|m| std::os::unix::fs::MetadataExt::uid(&m) == 0);
    if is_root {
        if !has("setpriv") {
            return skip(sitting.name, "there is no setpriv");
        }
        let reachable = ["setpriv", "--reuid=65534", "--regid=65534", "--clear-groups"];
        let runs = Command::new(reachable[0]).args(&reachable[1..]).arg(program()).arg("--version").output();
        if !runs.is_ok_and(|o| o.status.success()) {
            return skip(sitting.name, "the program can't be run by another user from here");
        }
        let _ = Command::new("chown").arg("-R").arg("65534:65534").arg(sitting.place.home.path()).output();
        sitting.place.through = reachable.map(str::to_owned).to_vec();
    }
    let allow = |folder: &Path, mode| fs::set_permissions(folder, fs::Permissions::from_mode(mode)).unwrap();
    let folder = sitting.place.folder.clone();
    let sub = folder.join("roll");
    fs::create_dir(&sub).unwrap();
    let open_to_all = |folder: &Path| allow(folder, 0o777);
    open_to_all(&folder);
    open_to_all(&sub);
    sitting.start();
    sitting.put_some(3);
    sitting.wait_for_all();
    for place in [&folder, &sub] {
        // Made before it is closed, so that they are there all the time: root may write where others may not list.
        allow(place, if is_root { 0o000 } else { 0o300 });
        for _ in 0..4 {
            let picture = sitting.fresh_jpeg();
            sitting.put_into(picture, &sub);
        }
        std::thread::sleep(sitting.effort.wait(3, 15));
        open_to_all(place);
        sitting.wait_for_all();
    }
    allow(&folder, 0o000);
    sitting.end();
    open_to_all(&folder);
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}

#[test]
fn many_new_folders_at_once() {
    let mut sitting = Sitting::new("many new folders");
    let aside = sitting.place.home.path().join("aside");
    sitting.start();
    for round in 0..sitting.effort.up_to(20).div_ceil(2) {
        for k in 0..12 {
            let deep = format!("day_{round}/set_{k}/look_{}/roll", k % 3);
            let under = if k % 3 == 0 { &aside } else { &sitting.place.folder };
            let deep = under.join(deep);
            fs::create_dir_all(&deep).unwrap();
            let picture = sitting.fresh();
            sitting.put_into(picture, &deep);
        }
        fs::rename(aside.join(format!("day_{round}")), sitting.place.folder.join(format!("moved_{round}"))).unwrap();
    }
    sitting.end();
    sitting.start();
    sitting.wait_for_all();
    sitting.done();
}

/// Renamed or moved while they wait their turn: still one frame each.
#[test]
fn renamed_while_they_wait() {
    let mut sitting = Sitting::new("renamed while they wait");
    sitting.start();
    let sub = sitting.place.folder.join("sorted");
    fs::create_dir(&sub).unwrap();
    for _ in 0..sitting.effort.up_to(20).div_ceil(2) {
        let mut paths = Vec::new();
        for _ in 0..25 {
            let picture = sitting.fresh_jpeg();
            paths.extend(sitting.put(picture));
        }
        for (k, path) in paths.iter().enumerate() {
            std::thread::sleep(Duration::from_secs_f64(sitting.random.between(0.0, 0.02)));
            let name = path.file_name().unwrap().to_str().unwrap();
            let to = if k % 2 == 0 { sub.join(name) } else { path.with_file_name(format!("portrait_{name}")) };
            fs::rename(path, to).unwrap();
        }
        sitting.wait_for_all();
    }
    let log: Log = sitting.log();
    let skipped = log.of_type("skipped").count();
    sitting.tell(format!("{skipped} told as skipped"));
    sitting.done();
}
