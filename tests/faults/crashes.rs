//! Killed at any moment of a burst of pairs that arrive in all ways, with people telling it things in between.

use std::time::Duration;

use serde_json::json;

use crate::effort::FOUND_WITHIN;
use crate::sitting::Sitting;
use crate::writers::Writer;

#[test]
fn killed_at_any_moment_it_loses_nothing() {
    let mut sitting = Sitting::new("killed at any moment");
    let aside = sitting.place.home.path().join("aside");
    std::fs::create_dir(&aside).unwrap();
    sitting.start();
    let random = sitting.effort.random("the writer of the kill loop");
    let writer = Writer::start(sitting.place.folder.clone(), aside, random, (0.02, 0.12));
    let (mut told, mut back) = (Vec::new(), Vec::new());
    for round in 0..sitting.effort.rounds.max(8) {
        let until_killed = sitting.random.between(0.0, 1.2);
        let tells = (sitting.random.next() * 3.0) as u32;
        for k in 0..tells {
            std::thread::sleep(Duration::from_secs_f64(until_killed / f64::from(tells)));
            let text = format!("told in round {round}, {k}");
            let command = match k {
                0 => json!({"command": "note", "text": text}),
                _ => json!({"command": "power", "group": "all lights", "setting": "1/4"}),
            };
            if sitting.daemon().tell(&command).is_ok_and(|r| r["ok"] == true) && k == 0 {
                told.push(text);
            }
        }
        if tells == 0 {
            std::thread::sleep(Duration::from_secs_f64(until_killed));
        }
        sitting.kill();
        sitting.start();
        back.push(sitting.daemon().ready_after);
    }
    sitting.whole = writer.stop();
    sitting.wait_for_all_within(FOUND_WITHIN * 2);
    let log = sitting.log();
    for text in &told {
        let times = log.notes(text);
        sitting.promise(times == 1, format!("the note '{text}' was taken, and is logged {times} times"));
    }
    back.sort();
    let torn = std::fs::read_dir(sitting.place.log.parent().unwrap()).unwrap().flatten();
    let torn = torn.filter(|e| e.file_name().to_string_lossy().contains(".torn-")).count();
    sitting.tell(format!(
        "{} kills, {} notes acknowledged, back after {:.2} s median, {:.2} s at most; {torn} torn ends cut",
        back.len(),
        told.len(),
        back[back.len() / 2].as_secs_f64(),
        back[back.len() - 1].as_secs_f64(),
    ));
    sitting.done();
}
