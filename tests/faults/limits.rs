//! The system's limits on watches and events, reached: a scan finds what no event told.

use std::fs;
use std::process::Command;

use crate::mounts::has;
use crate::sitting::{Sitting, skip};

/// In a user namespace of its own, where the limit is nobody else's.
#[test]
fn too_few_watches() {
    let mut sitting = Sitting::new("too few watches");
    let lowered = "echo 4 >/proc/sys/user/max_inotify_watches && exec \"$@\"";
    let through = ["unshare", "--user", "--map-root-user", "sh", "-c", lowered, "sh"].map(str::to_owned).to_vec();
    let tried = Command::new(&through[0]).args(&through[1..]).arg("true").output();
    if !has("unshare") || !tried.is_ok_and(|o| o.status.success()) {
        return skip(sitting.name, "no user namespace with a limit of its own can be had");
    }
    sitting.place.through = through;
    sitting.start();
    for round in 0..sitting.effort.up_to(10) {
        for k in 0..8 {
            let sub = sitting.place.folder.join(format!("set_{round}_{k}/roll"));
            fs::create_dir_all(&sub).unwrap();
            let picture = sitting.fresh();
            sitting.put_into(picture, &sub);
        }
    }
    sitting.wait_for_all();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.done();
}

/// The queue of events overflows while the program stands still.
#[test]
fn more_events_than_the_queue_holds() {
    let mut sitting = Sitting::new("more events than the queue holds");
    let holds: usize = fs::read_to_string("/proc/sys/fs/inotify/max_queued_events")
        .ok()
        .and_then(|text| text.trim().parse().ok())
        .unwrap_or(usize::MAX);
    // Each file makes three events or more: made, opened, closed.
    let files = holds / 3 + 500;
    if files > 20_000 {
        return skip(sitting.name, &format!("the queue holds {holds} events"));
    }
    sitting.start();
    sitting.put_some(2);
    sitting.wait_for_all();
    sitting.daemon().pulse().look_away();
    sitting.daemon().process.signal("STOP");
    for k in 0..files {
        fs::write(sitting.place.folder.join(format!("list_{k:05}.txt")), b"x").unwrap();
    }
    // Of these no event is kept.
    sitting.put_some(12);
    let sub = sitting.place.folder.join("new/roll");
    fs::create_dir_all(&sub).unwrap();
    let picture = sitting.fresh();
    sitting.put_into(picture, &sub);
    sitting.daemon().process.signal("CONT");
    sitting.daemon().pulse().look_again();
    sitting.wait_for_all();
    sitting.end();
    sitting.start();
    sitting.put_some(1);
    sitting.wait_for_all();
    sitting.done();
}
