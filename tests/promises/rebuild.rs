//! A look is built again from its set-up sheet: what still differs is said frame by frame, what can't be measured is listed, and
//! it ends when all that can be measured is as on the sheet. Through the real program.

use std::fs;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};

use crate::harness::process::{Drained, Printed, ended};
use crate::harness::set::Set;
use crate::harness::sittings::{Lamps, Take};
use crate::harness::{PATIENCE, Studio, greyhold, shot};
use serde_json::{Value, json};

const RIG: &str = "\
groups:
  - {name: key, role: key, dial: fraction, range: 1/128 to 1/1, power: 1/4, modifier: softbox 60 x 90 cm, height: 2.1 m}
  - {name: rim, role: rim, dial: decimal, step: 1/10, full_power: 9.0, range: 1.0 to 9.0}
";

/// The program, building a look again beside a watch.
struct Rebuilding {
    child: Child,
    printed: Printed,
    errors: Option<Drained>,
}

impl Rebuilding {
    fn begin(studio: &Studio, args: &[&str]) -> Rebuilding {
        let mut child = Command::new(env!("CARGO_BIN_EXE_greyhold"))
            .arg("rebuild")
            .args(args)
            .arg("--socket")
            .arg(studio.socket())
            .current_dir(studio.home.path())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let printed = Printed::of(child.stdout.take().unwrap());
        let errors = Some(Drained::of(child.stderr.take().unwrap()));
        Rebuilding { child, printed, errors }
    }

    /// Reads on to the line that has all of these parts.
    fn says(&mut self, parts: &[&str]) -> String {
        let mut before = Vec::new();
        let found = self.printed.find(|line| {
            before.push(line.to_owned());
            parts.iter().all(|part| line.contains(part)).then(|| line.to_owned())
        });
        found.unwrap_or_else(|why| {
            let errors = self.errors.as_ref().map(Drained::so_far).unwrap_or_default();
            panic!("waited in vain for {parts:?} ({why}); it said:\n{}\n{errors}", before.join("\n"))
        })
    }

    /// Its exit code, and what it said on its error output.
    fn ends(&mut self) -> (Option<i32>, String) {
        let status = ended(&mut self.child, PATIENCE).expect("it ends by itself");
        (status.code(), self.errors.take().unwrap().text())
    }
}

impl Drop for Rebuilding {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn tell(studio: &Studio, command: Value) -> String {
    let reply = studio.tell(command.clone());
    assert_eq!(reply["ok"], true, "{command}: {reply}");
    reply["message"].as_str().unwrap().to_owned()
}

#[test]
fn a_look_of_this_sitting_is_built_again_frame_by_frame() {
    let mut set = Set::open("");
    set.shoot(set.usual());
    tell(&set.studio, json!({"command": "survey"}));
    for firing in [Lamps::None, Lamps::Only(0), Lamps::Only(1), Lamps::Only(2), Lamps::All] {
        set.shoot_for_survey(firing);
    }
    tell(&set.studio, json!({"command": "power", "group": "rim", "setting": "1/8"}));
    let mut rebuilding = Rebuilding::begin(&set.studio, &["main"]);
    rebuilding.says(&["turn rim up to 1/4"]);
    rebuilding.says(&["maker's manual"]);
    rebuilding.says(&["2 things to go:"]);
    rebuilding.says(&["~ rim: 1/4 on the sheet, 1/8 now (told): turn it up 1 stop"]);
    rebuilding.says(&["? the light: shoot a frame"]);
    rebuilding.says(&["- ratios on the sheet: key to fill ", "greyhold survey"]);
    // Another aperture, and the rim light as it was told to be.
    set.shoot(Take { f_number: 7.1, powers: vec![0.0, 0.0, -1.0], ..set.usual() });
    rebuilding.says(&["things to go:"]);
    rebuilding.says(&["~ frame_007.jpg: "]);
    rebuilding.says(&["~ f-number: f/14 on the sheet, f/7.1 in the last frame"]);
    tell(&set.studio, json!({"command": "power", "group": "rim", "setting": "1/4"}));
    set.shoot(set.usual());
    rebuilding.says(&["= matches the sheet"]);
    rebuilding.says(&["- ratios on the sheet: key to fill "]);
    assert_eq!(rebuilding.ends(), (Some(0), String::new()));
}

/// A sitting of before: the light was built with the key at 1/4 and the rim at 5.0.
fn earlier() -> Studio {
    let mut studio = Studio::with_config(RIG);
    tell(&studio, json!({"command": "power", "group": "rim", "setting": "5.0"}));
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.stop();
    studio
}

fn kept(studio: &Studio) -> PathBuf {
    let given = ["sheet", studio.folder.to_str().unwrap(), "--config", studio.config().to_str().unwrap(), "--json"]
        .map(str::to_owned);
    let output = greyhold(&given.each_ref().map(String::as_str));
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let file = studio.home.path().join("march.sheet.json");
    fs::write(&file, output.stdout).unwrap();
    file
}

/// Today's sitting: everything is a stop weaker, as it was told.
fn today() -> Studio {
    let studio = Studio::with_config(&RIG.replace("power: 1/4", "power: 1/8").replace("2.1 m", "1.8 m"));
    tell(&studio, json!({"command": "power", "group": "rim", "setting": "4.0"}));
    studio
}

#[test]
fn a_look_of_another_sitting_is_taken_up_out_of_its_sheet_and_holds_over_a_restart() {
    let before = earlier();
    let file = kept(&before);
    let mut studio = today();
    studio.take("a.jpg", shot(8.0, -1.0, 1));
    let mut rebuilding = Rebuilding::begin(&studio, &["main", "--from", file.to_str().unwrap(), "--as", "as in march"]);
    rebuilding.says(&["frames are compared with 'as in march' now"]);
    rebuilding.says(&["turn key up to 1/4"]);
    rebuilding.says(&["turn rim up to 5.0"]);
    rebuilding.says(&["~ key: 1/4 on the sheet, 1/8 now (told by the configuration): turn it up 1 stop"]);
    rebuilding.says(&["- key: modifier softbox 60 x 90 cm, height 2.1 m (typed here: 1.8 m)"]);
    let dark = studio.take("b.jpg", shot(8.0, -1.0, 2));
    assert!((dark["verdict"]["drift"].as_f64().unwrap() + 1.0).abs() < 0.15, "{dark}");
    rebuilding.says(&["~ b.jpg: "]);
    // CHECK: the rendered studio's lights are all a stop weaker.
    let map = rebuilding.says(&["~ light map: nine parts in ten changed by "]);
    let number = |text: &str| text.parse::<f64>().ok();
    let ends: Vec<f64> = map.split_whitespace().filter_map(number).collect();
    assert!(ends.len() == 2 && ends[0] < -0.9 && ends[1] > -1.1 && ends[1] < -0.5, "{map}");
    tell(&studio, json!({"command": "confirm"}));
    studio.take("c.jpg", shot(8.0, 0.0, 3));
    rebuilding.says(&["= matches the sheet"]);
    assert_eq!(rebuilding.ends(), (Some(0), String::new()));
    // Its small picture lies beside this log, so that frames are laid over it by another start, too.
    studio.stop();
    let names = |studio: &Studio| {
        let folder = studio.folder.join("greyhold-shots.jsonl.pictures");
        let mut names: Vec<_> = fs::read_dir(folder).unwrap().flatten().map(|entry| entry.file_name()).collect();
        names.sort();
        names
    };
    let (there, here) = (names(&before), names(&studio));
    assert!(there.iter().any(|name| here.contains(name)), "{there:?} {here:?}");
    studio.start();
    let again = studio.take("d.jpg", shot(8.0, 0.0, 4));
    assert_eq!(again["verdict"]["finding"], "matched", "{again}");
    assert_eq!(again["look"], "as in march");
    assert!(before.folder.join("1.jpg").exists() && !before.folder.join("greyhold-shots.2.jsonl").exists());
}

#[test]
fn a_log_of_another_sitting_will_do_as_well() {
    let before = earlier();
    let (log, config) = (fs::read(before.log()).unwrap(), before.config());
    let studio = today();
    let from = [before.folder.to_str().unwrap(), config.to_str().unwrap()];
    let mut rebuilding = Rebuilding::begin(&studio, &["Main", "--from", from[0], "--config", from[1]]);
    rebuilding.says(&["turn rim up to 5.0"]);
    tell(&studio, json!({"command": "confirm"}));
    studio.take("a.jpg", shot(8.0, 0.0, 1));
    rebuilding.says(&["= matches the sheet"]);
    assert_eq!(rebuilding.ends().0, Some(0));
    assert_eq!(fs::read(before.log()).unwrap(), log);
}

#[test]
fn what_can_not_be_taken_up_is_said_in_one_sentence_and_changes_nothing() {
    let before = earlier();
    let file = kept(&before);
    let text = fs::read_to_string(&file).unwrap();
    let write = |name: &str, text: &str| {
        let path = before.home.path().join(name);
        fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let mut whole: Value = serde_json::from_str(&text).unwrap();
    let pictures = whole["pictures"].as_object_mut().unwrap();
    pictures.values_mut().for_each(|picture| *picture = json!("AAAA"));
    let damaged = write("damaged.json", &whole.to_string());
    let newer = write("newer.json", &text.replacen("\"greyhold_sheet\":1", "\"greyhold_sheet\":2", 1));
    let other = write("other.json", "{\"frames\": []}");
    let wrong = write("wrong.json", &text.replacen("\"heads\":1", "\"heads\":\"one\"", 1));
    let file = file.display().to_string();
    let untold = Studio::with_config(RIG);
    let told = today();
    told.take("a.jpg", shot(8.0, -1.0, 1));
    for (studio, args, part) in [
        (&untold, vec!["main", "--from", &file], "nobody told what rim is set to now"),
        (&told, vec!["main", "--from", &file], "there is a look 'main' in this sitting already"),
        (&told, vec!["low key", "--from", &file], "there is no look 'low key': there is main"),
        (&told, vec!["main", "--from", &damaged, "--as", "march"], "missing in it, or damaged"),
        (&told, vec!["main", "--from", &newer, "--as", "march"], "written by a newer greyhold"),
        (&told, vec!["main", "--from", &other, "--as", "march"], "is no set-up sheet"),
        (&told, vec!["main", "--from", &wrong, "--as", "march"], "can't be used"),
        (&told, vec!["main", "--from", "/nowhere/x.json", "--as", "march"], "can't be read"),
        (&told, vec!["low key"], "there is no look 'low key': there is main"),
    ] {
        let records = studio.records().len();
        let (code, said) = Rebuilding::begin(studio, &args).ends();
        assert!(
            code.is_some_and(|code| code != 0) && said.contains(part) && said.lines().count() == 1,
            "{args:?}: {said}"
        );
        assert_eq!(studio.records().len(), records, "{args:?}");
    }
}
