//! Each state of the page fits the screens that it is read on: what leads is in sight, and nothing lies beyond the edge.
//!
//! `GREYHOLD_SCREENS=docs/screens` keeps each state on each screen as a picture, to be leafed through; docs/screens/README.md
//! shows them all.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::json;

use crate::harness::browser::{Driver, Page, with_browser};
use crate::harness::{Shot, Studio, shot};
use crate::sharpness_is_measured_on_the_same_lashes::{SHARP, Sitting, round};
use crate::sharpness_is_told_after_the_answer::{land, measured, spots};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");

/// A screen: its name, the view on it, its size, and its colours.
const SCREENS: [(&str, &str, (u32, u32), &str); 4] = [
    ("stand-phone", "", (360, 740), "light"),
    ("stand-wall", "", (1920, 1080), "dark"),
    ("camera-phone", "set", (390, 844), "dark"),
    ("camera-tablet", "set", (1180, 820), "light"),
];

/// The same sitting on all screens.
struct Screens {
    pages: Vec<(&'static str, Page)>,
    kept_in: Option<PathBuf>,
}

impl Screens {
    async fn open(driver: &Driver, studio: &Studio) -> Screens {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let kept_in = std::env::var_os("GREYHOLD_SCREENS").map(|folder| root.join(folder));
        if let Some(folder) = &kept_in {
            fs::create_dir_all(folder).unwrap();
        }
        let mut pages = Vec::new();
        for (name, view, size, ink) in SCREENS {
            let page = driver.open(&studio.address(view), size).await;
            page.until("the page", "document.querySelector('#link').dataset.n > 0").await;
            page.choose("#ink", ink).await;
            pages.push((name, page));
        }
        Screens { pages, kept_in }
    }

    /// Waits for what leads every page in this state, and looks at each.
    async fn show(&self, state: &str, leads: &str) {
        for (_, page) in &self.pages {
            let is_there = "[...document.querySelectorAll('#stand-leads, #set-leads, #stand-survey-next, #lost')].some(e => \
                            e.checkVisibility() && e.getBoundingClientRect().top < innerHeight / 2 && e.textContent.includes(arguments[0]))";
            page.run("scrollTo(0, 0)", vec![]).await;
            page.until_with(&format!("'{leads}'"), is_there, json!(leads)).await;
        }
        self.look(state).await;
    }

    async fn look(&self, state: &str) {
        self.look_at(state, "", "scrollTo(0, 0)").await;
    }

    /// The screens whose names begin so, each scrolled so.
    async fn look_at(&self, state: &str, screens: &str, scrolled: &str) {
        for (name, page) in self.pages.iter().filter(|(name, _)| name.starts_with(screens)) {
            page.until(
                "the pictures",
                "[...document.images].every(i => i.hidden || !i.checkVisibility() || (i.complete && i.naturalWidth > 0))",
            )
            .await;
            page.run(scrolled, vec![]).await;
            let beyond = page.run("return document.documentElement.scrollWidth - innerWidth", vec![]).await;
            assert!(beyond.as_f64().unwrap() <= 0.0, "{state} on {name}: {beyond} pixels lie beyond the edge");
            let cut = page
                .run(
                    "const seen = [...document.querySelectorAll('h2, .leads, .word, .to, .at, .does, .set, .step-next, .notice, #lost')];
                     return seen.filter(e => e.checkVisibility() && e.textContent.trim() && e.scrollWidth > e.clientWidth + 1).map(e => e.className + ': ' + e.textContent)",
                    vec![],
                )
                .await;
            assert_eq!(cut, json!([]), "{state} on {name}: words are cut");
            if let Some(folder) = &self.kept_in {
                keep(page, &folder.join(format!("{state}.{name}.jpg"))).await;
            }
        }
    }

    async fn close(self) {
        for (_, page) in self.pages {
            page.close().await;
        }
    }
}

/// A picture as wide as the page is for a phone, and no wider than 960 pixels for others: it is to be leafed through.
async fn keep(page: &Page, file: &Path) {
    let picture = image::load_from_memory(&page.client.screenshot().await.unwrap()).unwrap();
    let width = page.run("return innerWidth", vec![]).await.as_u64().unwrap().min(960) as u32;
    let small = picture.resize(width, u32::MAX, image::imageops::FilterType::Triangle);
    small.to_rgb8().save(file).unwrap();
}

fn frame(f_number: f64, light: f64, number: u8) -> Shot {
    Shot { size: (900, 600), ..shot(f_number, light, number.into()) }
}

#[test]
fn each_state_leads_with_one_sentence_and_nothing_is_cut() {
    with_browser(|driver| async move {
        let studio = Studio::with_config(RIG);
        let screens = Screens::open(&driver, &studio).await;
        screens.show("01-empty", "Shoot a frame").await;
        studio.take("frame_0001.jpg", frame(8.0, 0.0, 1));
        screens.show("02-reference", "Nothing to turn").await;
        studio.tell(json!({"command": "next", "f_number": "f/5.6"}));
        screens.show("03-coming", "Coming, for f/5.6").await;
        studio.take("frame_0002.jpg", frame(5.6, 0.0, 2));
        screens.show("04-asked", "Turn 3 lights down 1 stop").await;
        studio.tell(json!({"command": "confirm", "group": "fill"}));
        screens.show("05-one-is-set", "Turn 2 lights down 1 stop").await;
        studio.tell(json!({"command": "confirm"}));
        screens.show("06-all-set", "All set for f/5.6").await;
        studio.take("frame_0003.jpg", frame(5.6, -1.0, 3));
        screens.show("07-matches", "Nothing to turn").await;
        studio.take("frame_0004.jpg", frame(5.6, -9.0, 4));
        screens.show("08-hold", "Leave every power as it is").await;
        studio.take("frame_0005.jpg", frame(5.6, -0.4, 5));
        screens.show("09-suspicion", "Turn nothing yet: shoot another").await;
        studio.tell(json!({"command": "next", "f_number": "f/1"}));
        screens.show("10-end-of-range-coming", "can't go far enough").await;
        studio.tell(json!({"command": "confirm"}));
        screens.show("11-end-of-range-set", "All set for f/1").await;
        studio.tell(json!({"command": "survey"}));
        screens.show("12-survey", "switch the trigger off").await;
        studio.take("frame_0006.jpg", frame(5.6, -1.0, 6));
        for (_, page) in &screens.pages {
            let refused = "!document.querySelector('#stand-survey-refused').hidden";
            page.until("the refusal", refused).await;
        }
        screens.show("13-survey-not-taken", "switch the trigger off").await;
        studio.signal("STOP");
        screens.show("14-lost", "CONNECTION LOST").await;
        studio.signal("CONT");
        screens.close().await;
    });
}

/// The plan is the photographer's: the stands don't show it.
#[test]
fn the_plan_fits_beside_the_camera() {
    with_browser(|driver| async move {
        let studio = Studio::with_config(RIG);
        studio.take("frame_0001.jpg", frame(8.0, 0.0, 1));
        let screens = Screens::open(&driver, &studio).await;
        let fill = "document.querySelector('#plan-distance').value = '1.8'; document.querySelector('#plan-focal').value = '85'";
        for (_, page) in screens.pages.iter().filter(|(name, _)| name.starts_with("camera")) {
            page.choose("#next-steps", "whole").await;
            page.run(fill, vec![]).await;
            page.click("#plan summary").await;
            page.choose("#plan-to", "f/1.4").await;
            page.until("the ends of ranges", "document.querySelector('#plan-ends').textContent.includes('Instead: ')")
                .await;
            page.until("what is sharp", "document.querySelectorAll('#plan-bars li').length > 3").await;
            page.click("#plan-rows tr:nth-child(4) label").await;
        }
        let scrolled = "document.querySelector('#plan').scrollIntoView()";
        screens.look_at("16-plan", "camera", scrolled).await;
        let below = "document.querySelector('#plan-ends').scrollIntoView()";
        screens.look_at("17-plan-below", "camera", below).await;
        screens.close().await;
    });
}

/// After a pause: the question leads every screen, and is answered beside the camera.
#[test]
fn the_question_whether_the_set_up_is_the_same_leads_and_is_answered_by_a_tap() {
    with_browser(|driver| async move {
        let studio = Studio::with_config(RIG);
        studio.take("frame_0001.jpg", frame(8.0, 0.0, 1));
        studio.tell(json!({"command": "sitting", "what": "end"}));
        let screens = Screens::open(&driver, &studio).await;
        studio.take("frame_0002.jpg", frame(8.0, 0.0, 2));
        screens.show("19-same-set-up", "Same set-up as").await;
        let (_, camera) = screens.pages.iter().find(|(name, _)| *name == "camera-phone").unwrap();
        camera.click("#set-up-same").await;
        camera.until("the answer", "document.querySelector('#same-set-up').hidden").await;
        assert_eq!(studio.tell(json!({"command": "sitting"}))["message"], "sitting 2: 1 frame, 0 corrections");
        screens.close().await;
    });
}

/// Whoever is at a stand doesn't choose the aperture.
#[test]
fn the_apertures_side_by_side_fit_beside_the_camera() {
    with_browser(|driver| async move {
        let sitting = Sitting::new();
        let studio = Studio::with_config(&spots());
        land(&studio, &sitting, "frame_0001.jpg", &SHARP);
        for (name, f_number, ear) in [("frame_0002.jpg", 5.6, 1.5), ("frame_0003.jpg", 2.8, 4.0)] {
            land(&studio, &sitting, name, &round(f_number, [0.0, ear / 3.0, ear]));
            measured(&studio, name);
        }
        let screens = Screens::open(&driver, &studio).await;
        for (_, page) in screens.pages.iter().filter(|(name, _)| name.starts_with("camera")) {
            page.click("#apertures summary").await;
            let seen =
                "[...document.querySelectorAll('#apertures-rows img')].filter(i => i.naturalWidth > 0).length === 9";
            page.until("the pictures", seen).await;
        }
        screens.look_at("18-which-aperture", "camera", "document.querySelector('#apertures').scrollIntoView()").await;
        screens.close().await;
    });
}

/// What is leafed through has every state on every screen, and nothing that is gone.
#[test]
fn the_leaf_through_shows_every_state_on_every_screen() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/screens");
    let text = fs::read_to_string(folder.join("README.md")).unwrap();
    let files = fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let pictures: Vec<String> = files.filter(|name| name.ends_with(".jpg")).collect();
    assert!(pictures.len() >= 15 * SCREENS.len(), "{}", pictures.len());
    for picture in &pictures {
        assert!(text.contains(&format!("({picture})")), "{picture} is not shown");
    }
    assert_eq!(text.matches(".jpg)").count(), pictures.len(), "each is shown once");
}

/// Eight groups, whose names are as long as names may be.
#[test]
fn eight_lights_with_long_names_fit() {
    with_browser(|driver| async move {
        let names = [
            "key",
            "fill beside the camera",
            "rim left",
            "rim right",
            "background, the lower one of the two",
            "background, upper",
            "hair",
            "floor",
        ];
        let groups: String = names
            .iter()
            .map(|name| {
                format!("  - {{name: '{name}', dial: fraction, step: 1/3, range: 1/128 to 1/1, power: 1/8 +0.3}}\n")
            })
            .collect();
        let studio = Studio::with_config(&format!("reference: first frame\ngroups:\n{groups}"));
        let screens = Screens::open(&driver, &studio).await;
        studio.take("frame_0001.jpg", frame(8.0, 0.0, 1));
        studio.take("frame_0002.jpg", frame(5.6, 0.0, 2));
        screens.show("15-eight-lights", "Turn 8 lights down 1 stop").await;
        screens.close().await;
    });
}
