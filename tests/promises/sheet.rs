//! The set-up sheet: out of a log alone, all that is needed to build a look again, on one page; nothing is changed by it.
//!
//! What needs Chromium and its driver says so where they are missing.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::harness::browser::{self, Driver};
use crate::harness::http::{ask, here};
use crate::harness::{Studio, greyhold, process, shot, wait_for};
use serde_json::{Value, json};
use tempfile::TempDir;

const RIG: &str = "\
groups:
  - {name: key, role: key, dial: fraction, range: 1/128 to 1/1, power: 1/4, modifier: softbox 60 x 90 cm, height: 2.1 m, distance: 1.3 m, angle: 42 left}
  - {name: rim, role: rim, dial: decimal, step: 1/10, full_power: 9.0, range: 1.0 to 9.0}
";

/// The demo's sitting, in a folder of its own.
struct Demo(TempDir);

impl Demo {
    fn played() -> Demo {
        let home = tempfile::tempdir().unwrap();
        let played = greyhold(&["demo", "--folder", home.path().join("demo").to_str().unwrap()]);
        assert!(played.status.success(), "{}", String::from_utf8_lossy(&played.stderr));
        Demo(home)
    }

    fn folder(&self) -> PathBuf {
        self.0.path().join("demo")
    }

    fn sheet(&self, more: &[&str]) -> String {
        let (code, told, errors) = sheet(&self.folder().join("capture"), &self.folder().join("greyhold.yaml"), more);
        assert_eq!(code, Some(0), "{errors}");
        told
    }

    /// The sheet as a page.
    fn page(&self) -> PathBuf {
        let page = self.0.path().join("sheet.html");
        self.sheet(&["--out", page.to_str().unwrap()]);
        page
    }
}

fn sheet(folder: &Path, config: &Path, more: &[&str]) -> (Option<i32>, String, String) {
    let given = ["sheet", folder.to_str().unwrap(), "--config", config.to_str().unwrap()];
    let output = greyhold(&[&given, more].concat());
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    (output.status.code(), text(&output.stdout), text(&output.stderr))
}

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/golden").join(name)
}

/// `GREYHOLD_WRITE_FIXTURES=1` writes it anew, to be looked at before it is committed.
#[test]
fn the_golden_sheet_of_the_demos_sitting_says_all_that_is_needed() {
    let demo = Demo::played();
    let told = demo.sheet(&[]);
    if std::env::var_os("GREYHOLD_WRITE_FIXTURES").is_some() {
        fs::write(golden("sheet.txt"), &told).unwrap();
    }
    assert_eq!(told, fs::read_to_string(golden("sheet.txt")).unwrap());
    for part in [
        "The maker's manual",
        "softbox 60 x 90 cm",
        "42° left",
        "20° left and 25° right",
        "place not typed: rim",
        "ISO 100",
        "f/14",
        "backdrop 2 m behind the sitter",
    ] {
        assert!(told.contains(part), "'{part}' is missing:\n{told}");
    }
    assert_file_has_the_numbers(&demo);
}

/// CHECK: what the demo's configuration says its lights were set to when the reference was shot (its own file), and the ratio that
/// its survey's record told; the published schema.
fn assert_file_has_the_numbers(demo: &Demo) {
    let value: Value = serde_json::from_str(&demo.sheet(&["--json"])).unwrap();
    let schema: Value = serde_json::from_str(include_str!("../../config/sheet.schema.json")).unwrap();
    let schema = jsonschema::draft202012::new(&schema).unwrap();
    let faults: Vec<String> = schema.iter_errors(&value).map(|e| format!("{e} at {}", e.instance_path())).collect();
    assert!(faults.is_empty(), "{faults:?}");
    assert!(!schema.is_valid(&json!({"greyhold_sheet": 1, "sheet": {}})), "and the schema refuses what is none");
    let look = &value["sheet"]["looks"][0];
    let powers: BTreeMap<&str, (&str, &str)> = look["powers"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| (p["group"].as_str().unwrap(), (p["shown"].as_str().unwrap(), p["known"].as_str().unwrap())))
        .collect();
    let told = BTreeMap::from([
        ("key", ("1/2", "configured")),
        ("fill", ("1/8", "configured")),
        ("rim", ("7.0", "configured")),
    ]);
    assert_eq!(powers, told);
    let log = fs::read_to_string(demo.folder().join("capture/greyhold-shots.jsonl")).unwrap();
    let records: Vec<Value> = log.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let finished = records.iter().find(|r| r["type"] == "survey" && r["step"]["what"] == "finished").unwrap();
    let measured = finished["step"]["report"]["ratios"].as_array().unwrap();
    let ratios = look["ratios"]["ratios"].as_array().unwrap();
    assert_eq!(ratios.len(), measured.len());
    for (ratio, measured) in ratios.iter().zip(measured) {
        assert_eq!((&ratio["over"], &ratio["under"]), (&measured["over"], &measured["under"]));
        assert!(
            (ratio["stops"].as_f64().unwrap() - measured["stops"].as_f64().unwrap()).abs() < 0.06,
            "{ratio} {measured}"
        );
    }
    assert_eq!(value["pictures"].as_object().unwrap().len(), 1);
}

/// Every file of a folder, with its bytes and its time.
fn all_of(folder: &Path) -> BTreeMap<PathBuf, (Vec<u8>, std::time::SystemTime)> {
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap().flatten() {
        let path = entry.path();
        if path.is_dir() {
            all.extend(all_of(&path));
        } else {
            let modified = entry.metadata().unwrap().modified().unwrap();
            all.insert(path.clone(), (fs::read(&path).unwrap(), modified));
        }
    }
    all
}

#[test]
fn a_sheet_leaves_the_log_as_it_is_whether_a_watch_runs_or_not() {
    let mut studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    for text in ["hair clips in the drawer", "chin <b>up</b>"] {
        studio.tell(json!({"command": "note", "text": text}));
    }
    let kept = studio.folder.join("greyhold-shots.jsonl.pictures");
    wait_for("the small picture", || fs::read_dir(&kept).is_ok_and(|mut pictures| pictures.next().is_some()));
    let look_while = |studio: &Studio, what: &str| {
        let before = all_of(&studio.folder);
        assert!(before.len() >= 3, "{:?}", before.keys());
        let page = studio.home.path().join(format!("{what}.html"));
        let (code, _, errors) = sheet(&studio.folder, &studio.config(), &["--out", page.to_str().unwrap()]);
        assert_eq!(code, Some(0), "{what}: {errors}");
        assert!(before == all_of(&studio.folder), "{what}: the folder is another one");
        let html = fs::read_to_string(page).unwrap();
        for part in
            ["hair clips in the drawer", "chin &lt;b&gt;up&lt;/b&gt;", "data:image/jpeg;base64,", "softbox 60 x 90 cm"]
        {
            assert!(html.contains(part), "{what}: '{part}' is missing");
        }
        let asks = ["<script", "href=", "src=\"http", "url("].iter().any(|part| html.contains(part));
        assert!(!asks, "{what}: it asks nobody for anything");
    };
    look_while(&studio, "watched");
    studio.stop();
    look_while(&studio, "over");
    // Half a line, as a daemon that is writing leaves it for a moment.
    let mut log = fs::read(studio.log()).unwrap();
    log.extend_from_slice(b"{\"v\":5,\"n\":99,\"at\":\"2026-");
    fs::write(studio.log(), log).unwrap();
    look_while(&studio, "torn");
    // The picture that is kept beside the log is gone: the photograph's is taken.
    fs::remove_dir_all(&kept).unwrap();
    look_while(&studio, "without kept pictures");
}

#[test]
fn what_is_not_known_is_said_as_such() {
    let mut studio = Studio::with_config(RIG);
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.stop();
    let (_, told, _) = sheet(&studio.folder, &studio.config(), &[]);
    for part in [
        "rim: not known (nobody told it)",
        "rim: modifier not typed, height not typed, distance not typed, angle not typed, gel not typed",
        "ratio: not measured: a light survey would tell them",
        "place not typed: camera, rim",
        "lens the photograph doesn't tell",
    ] {
        assert!(told.contains(part), "'{part}' is missing:\n{told}");
    }
    let elsewhere = tempfile::tempdir().unwrap();
    for (given, code, part) in [
        (vec!["sheet", "/nowhere/at/all.jsonl"], 3, "there is no shot log at"),
        (
            vec!["sheet", studio.folder.to_str().unwrap(), "--look", "low key"],
            3,
            "there is no look 'low key': there is main",
        ),
        (vec!["sheet", studio.folder.to_str().unwrap(), "--out", "sheet.pdf"], 2, "a file that ends in .html"),
        (vec!["sheet"], 2, "of which log? name it"),
    ] {
        let output =
            process::run(Command::new(env!("CARGO_BIN_EXE_greyhold")).args(&given).current_dir(elsewhere.path()));
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(
            output.status.code() == Some(code) && said.contains(part) && said.lines().count() == 1,
            "{given:?}: {said}"
        );
    }
}

#[test]
fn a_wrong_place_in_the_configuration_is_said_in_one_sentence() {
    let home = tempfile::tempdir().unwrap();
    let config = home.path().join("set.yaml");
    fs::write(&config, RIG.replace("42 left", "42")).unwrap();
    let output = greyhold(&["check", "--config", config.to_str().unwrap()]);
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("line 2: angle: '42' has no side: write the degrees") && said.lines().count() == 1, "{said}");
    fs::write(&config, format!("{RIG}camera: {{height: 1.5 m, lens: hood on}}\nnotes: [stool on the cross]\n"))
        .unwrap();
    let output = greyhold(&["check", "--config", config.to_str().unwrap()]);
    let told = String::from_utf8_lossy(&output.stdout).into_owned();
    for part in [
        "softbox 60 x 90 cm, 2.1 m high, 1.3 m away, 42° left",
        "camera: 1.5 m high, hood on",
        "notes: stool on the cross",
    ] {
        assert!(told.contains(part), "'{part}' is missing:\n{told}");
    }
}

#[test]
fn the_stand_page_gives_the_sheet_to_who_is_signed_in() {
    let studio = Studio::with_config(RIG);
    let (to, cookie) = (here(studio.port()), studio.session());
    let early = ask(to, "GET /sheet", &cookie);
    assert!(early.status == 409 && early.text().contains("there is no reference yet"), "{}", early.text());
    studio.take("1.jpg", shot(8.0, 0.0, 1));
    studio.tell(json!({"command": "note", "text": "a note of the sitting"}));
    let records = studio.records().len();
    let answer = ask(to, "GET /sheet", &cookie);
    assert_eq!(answer.status, 200, "{}", answer.text());
    let policy = answer.header("content-security-policy").unwrap();
    assert!(
        policy.contains("default-src 'none'; script-src 'self'; ") && policy.contains("form-action 'none'"),
        "{policy}"
    );
    for part in ["Look: main", "softbox 60 x 90 cm", "a note of the sitting", "<svg"] {
        assert!(answer.text().contains(part), "'{part}' is missing");
    }
    assert_eq!(studio.records().len(), records, "nothing is logged");
    assert_eq!(ask(to, "GET /sheet", "").status, 401);
    assert_eq!(ask(to, "GET /sheet?look=low%20key", &cookie).status, 409);
    let page = ask(to, "GET /", &cookie);
    assert!(page.text().contains("href=\"/sheet\""), "there is a way to it");
}

/// CHECK: WCAG 2.0 to 2.2 as far as axe-core tests them; 1.4.10 Reflow of the same: nothing to scroll sideways at 320 to 360 CSS pixels.
#[test]
fn the_page_fits_every_screen_and_has_no_barrier() {
    let axe = std::env::var_os("GREYHOLD_AXE").map(|axe| fs::read_to_string(axe).unwrap());
    browser::with_browser(|driver: Driver| async move {
        let demo = Demo::played();
        let address = format!("file://{}", demo.page().display());
        for size in [(360, 740), (768, 1024), (1600, 1000)] {
            let page = driver.open(&address, size).await;
            let wide = page.run("return document.documentElement.scrollWidth - window.innerWidth", vec![]).await;
            assert!(wide.as_i64().unwrap() <= 0, "{size:?}: {wide} pixels beyond the screen");
            let seen = "const svg = document.querySelector('.plan svg').getBoundingClientRect(), \
                        image = document.querySelector('.picture img'); return [svg.width, svg.height, image.naturalWidth]";
            let seen = page.run(seen, vec![]).await;
            assert!(seen.as_array().unwrap().iter().all(|n| n.as_f64().unwrap() > 200.0), "{size:?}: {seen}");
            match &axe {
                Some(axe) => page.assert_no_barrier_as_it_is(axe, &format!("{size:?}")).await,
                None => println!("skipped: GREYHOLD_AXE names no axe.min.js (npm: axe-core)"),
            }
            page.close().await;
        }
    });
}

/// CHECK: ISO 216 A4 and ANSI/ASME Y14.1 A (Letter), by Chromium's own names for them.
#[test]
fn a_look_is_printed_on_two_pages_at_most() {
    const CHROMIUM: &str = "/usr/bin/chromium";
    if !Path::new(CHROMIUM).exists() {
        println!("skipped: {CHROMIUM} is not here (Debian: chromium)");
        return;
    }
    let demo = Demo::played();
    let (home, html) = (demo.folder(), fs::read_to_string(demo.page()).unwrap());
    for paper in ["A4", "letter"] {
        let (page, pdf) = (home.join(format!("{paper}.html")), home.join(format!("{paper}.pdf")));
        let sized = html.replacen("@page { margin", &format!("@page {{ size: {paper}; margin"), 1);
        assert_ne!(sized, html);
        fs::write(&page, sized).unwrap();
        let printed = process::run(
            Command::new(CHROMIUM)
                .args(["--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer"])
                .arg(format!("--user-data-dir={}", home.join("profile").display()))
                .arg(format!("--print-to-pdf={}", pdf.display()))
                .arg(format!("file://{}", page.display())),
        );
        let bytes = fs::read(&pdf).unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&printed.stderr)));
        let text = String::from_utf8_lossy(&bytes);
        let pages = text.matches("/Type /Page\n").count() + text.matches("/Type /Page ").count();
        assert!((1..=2).contains(&pages), "{paper}: {pages} pages");
    }
}
