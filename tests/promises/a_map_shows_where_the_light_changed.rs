//! The map of change: what became brighter or darker in a frame is seen where it lies, as a picture and on the page.

use std::fs;
use std::path::Path;
use std::process::Output;

use crate::harness::browser::{Driver, Page};
use crate::harness::random::Random;
use crate::harness::{Studio, greyhold};
use fantoccini::key::Key;
use greyhold::response::{srgb_decode, srgb_encode};
use image::RgbImage;
use serde_json::{Value, json};

const RIG: &str = include_str!("../../fixtures/three_groups.yaml");
const SIZE: [usize; 2] = [900, 600];
const TABLET: (u32, u32) = (1180, 820);

/// A frame of a wall with stains of all sizes. The scene lies so many pixels further right in it, and right of its middle it
/// is so many stops brighter.
fn stained_wall(right: usize, brighter: f64) -> Vec<u8> {
    const CELLS: usize = 130;
    let mut random = Random(7);
    let stains: Vec<f64> = (0..CELLS * CELLS).map(|_| random.next()).collect();
    let stain = |x: f64, y: f64| {
        let (column, row) = (x as usize, y as usize);
        let at = |column: usize, row: usize| stains[row % CELLS * CELLS + column % CELLS];
        let (across, down) = (x.fract(), y.fract());
        let along = |row: usize| at(column, row) * (1.0 - across) + at(column + 1, row) * across;
        along(row) * (1.0 - down) + along(row + 1) * down
    };
    let mut rgb = Vec::with_capacity(SIZE[0] * SIZE[1] * 3);
    for y in 0..SIZE[1] {
        for x in 0..SIZE[0] {
            // Left of the reference there is more of the wall.
            let (u, v) = ((x + 300 - right) as f64, y as f64);
            let code = 50.0 + 55.0 * stain(u / 12.0, v / 12.0) + 45.0 * stain(u / 31.0, v / 31.0);
            let stops = if u >= 300.0 + SIZE[0] as f64 / 2.0 { brighter } else { 0.0 };
            let light = srgb_decode(code / 255.0) * 2.0_f64.powf(stops);
            rgb.extend([(srgb_encode(light) * 255.0).round().clamp(0.0, 255.0) as u8; 3]);
        }
    }
    let mut jpeg = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut jpeg, 92);
    encoder.encode(&rgb, SIZE[0] as u16, SIZE[1] as u16, jpeg_encoder::ColorType::Rgb).unwrap();
    jpeg
}

struct Folder(tempfile::TempDir);

impl Folder {
    fn put(&self, name: &str, bytes: &[u8]) -> String {
        fs::write(self.0.path().join(name), bytes).unwrap();
        self.named(name)
    }

    fn named(&self, name: &str) -> String {
        self.0.path().join(name).display().to_string()
    }

    fn compare(&self, map: &str, reference: &str, frame: &str) -> Output {
        greyhold(&["compare", "--response", "srgb", "--map", &self.named(map), reference, frame])
    }
}

fn folder() -> Folder {
    Folder(tempfile::tempdir().unwrap())
}

/// Share of the pixels about a place of the frame of which something holds. The picture stands at the top, in its own shape.
fn share(map: &RgbImage, across: [f64; 2], holds: impl Fn([u8; 3]) -> bool) -> f64 {
    let (width, height) = (f64::from(map.width()), f64::from(map.width()) * SIZE[1] as f64 / SIZE[0] as f64);
    let [from, to] = across.map(|part| (part * width) as u32);
    let rows = (height * 0.2) as u32..(height * 0.8) as u32;
    let places: Vec<(u32, u32)> = rows.flat_map(|y| (from..to).map(move |x| (x, y))).collect();
    let count = places.iter().filter(|(x, y)| holds(map.get_pixel(*x, *y).0)).count();
    count as f64 / places.len() as f64
}

fn is_orange([red, _, blue]: [u8; 3]) -> bool {
    i32::from(red) - i32::from(blue) > 60
}

fn is_blue([red, _, blue]: [u8; 3]) -> bool {
    i32::from(blue) - i32::from(red) > 60
}

/// Of no colour, and lighter than what nothing is told of.
fn is_unchanged([red, _, blue]: [u8; 3]) -> bool {
    (i32::from(red) - i32::from(blue)).abs() < 25 && red > 130
}

const LEFT: [f64; 2] = [0.15, 0.42];
const RIGHT: [f64; 2] = [0.58, 0.85];

#[test]
fn a_brighter_half_is_orange_in_the_picture_and_a_darker_one_blue() {
    let folder = folder();
    let even = folder.put("even.jpg", &stained_wall(0, 0.0));
    let brighter = folder.put("brighter.jpg", &stained_wall(0, 1.0));
    for (name, reference, frame, of_it) in
        [("up.png", &even, &brighter, is_orange as fn([u8; 3]) -> bool), ("down.PNG", &brighter, &even, is_blue)]
    {
        let output = folder.compare(name, reference, frame);
        assert!(output.status.success(), "{output:?}");
        let table = String::from_utf8_lossy(&output.stdout).into_owned();
        assert!(table.contains("framing") && table.contains("matched "), "{table}");
        let map = image::open(folder.named(name)).unwrap().to_rgb8();
        assert!(share(&map, RIGHT, of_it) > 0.9, "{name}: {}", share(&map, RIGHT, of_it));
        assert!(share(&map, LEFT, is_unchanged) > 0.9, "{name}: {}", share(&map, LEFT, is_unchanged));
        keep(name, &fs::read(folder.named(name)).unwrap());
    }
}

#[test]
fn no_map_is_drawn_over_anything_or_of_nothing() {
    let folder = folder();
    let (even, brighter) =
        (folder.put("even.jpg", &stained_wall(0, 0.0)), folder.put("brighter.jpg", &stained_wall(0, 1.0)));
    let plain = folder.put("plain.jpg", &plain());
    let photograph = folder.put("photograph.png", b"somebody's");
    let refused = |args: &[&str], code: i32, part: &str| {
        let output = greyhold(&[&["compare", "--map"], args].concat());
        assert_eq!(output.status.code(), Some(code), "{args:?}");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(said.trim().lines().count() == 1 && said.contains(part), "{args:?}: {said}");
    };
    let new = folder.named("new.png");
    refused(&[&new, &even, &brighter, &brighter], 2, "one frame");
    refused(&[&even, &even, &brighter], 2, "ends in .png");
    refused(&[&folder.named("map.jpg"), &even, &brighter], 2, "ends in .png");
    refused(&[&photograph, &even, &brighter], 3, "is there already");
    refused(&[&folder.named("nowhere/map.png"), &even, &brighter], 3, "can't be written");
    refused(&[&new, &even, &plain], 1, "too little to see");
    assert_eq!(fs::read(&photograph).unwrap(), b"somebody's");
    let mut left: Vec<_> = fs::read_dir(folder.0.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    left.sort();
    assert_eq!(left, ["brighter.jpg", "even.jpg", "photograph.png", "plain.jpg"], "nothing is left behind");
}

fn plain() -> Vec<u8> {
    let mut jpeg = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut jpeg, 92);
    encoder
        .encode(&vec![110; SIZE[0] * SIZE[1]], SIZE[0] as u16, SIZE[1] as u16, jpeg_encoder::ColorType::Luma)
        .unwrap();
    jpeg
}

/// To be looked at: `GREYHOLD_PICTURES=FOLDER` keeps them.
fn keep(name: &str, picture: &[u8]) {
    if let Some(folder) = std::env::var_os("GREYHOLD_PICTURES") {
        fs::write(Path::new(&folder).join(name), picture).unwrap();
    }
}

/// Colour of the map at a place in the picture, red, green, blue and how much it covers.
async fn colour_at(page: &Page, x: f64, y: f64) -> [i64; 4] {
    let script = "const map = document.querySelector('#light-map'); \
                  return [...map.getContext('2d').getImageData(map.width * arguments[0], map.height * arguments[1], 1, 1).data]";
    let colour = page.run(script, vec![json!(x), json!(y)]).await;
    std::array::from_fn(|at| colour[at].as_i64().unwrap())
}

/// Left edge of the cheek's box, in parts of the picture's width.
async fn left_of_the_cheek(page: &Page) -> f64 {
    let script = "const box = [...document.querySelectorAll('.spot')].find(s => s.ariaLabel.startsWith('cheek')).getBoundingClientRect(); \
                  const all = document.querySelector('#spots').getBoundingClientRect(); return (box.left - all.left) / all.width";
    page.run(script, vec![]).await.as_f64().unwrap()
}

#[test]
fn the_page_shows_the_map_when_asked_and_the_spots_where_they_went() {
    let Some(driver) = Driver::start() else { return };
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    runtime.block_on(async {
        let studio = Studio::with_config(RIG);
        let page = driver.open(&studio.address("set"), TABLET).await;
        land(&studio, "1.jpg", 0, 0.0);
        page.until("the picture", SHOWN).await;
        // There is nothing to compare the reference with, and the button says so.
        page.tab_to("#light-map-button").await;
        page.press(Key::Enter).await;
        page.until("the reason", "document.querySelector('#light-map-says').textContent.includes('is the reference')")
            .await;
        assert_eq!(page.run(PRESSED, vec![]).await, json!("true"));
        assert!((left_of_the_cheek(&page).await - 0.42).abs() < 0.01);
        // The next frame has a map. Its scene lies a tenth of its width further right.
        let frame = land(&studio, "2.jpg", 90, 1.0);
        assert!(frame["verdict"]["framing"]["matched"]["share"].as_f64().unwrap() > 0.5, "{frame}");
        page.until("the map", "!document.querySelector('#light-map').hidden").await;
        let [red, _, blue, covers] = colour_at(&page, 0.8, 0.5).await;
        assert!(red - blue > 60 && covers == 255, "brighter: {red} {blue} {covers}");
        let [red, _, blue, covers] = colour_at(&page, 0.3, 0.5).await;
        assert!((red - blue).abs() < 30 && covers == 255, "the same light: {red} {blue} {covers}");
        assert_eq!(colour_at(&page, 0.03, 0.5).await[3], 0, "what the reference doesn't show stays grey");
        let label = page.run("return document.querySelector('#light-map').getAttribute('aria-label')", vec![]).await;
        assert!(label.as_str().unwrap().starts_with("Light map of frame 2: "), "{label}");
        let ticks = page.text("#light-map-ticks").await;
        assert!(ticks.contains('\u{2212}') && ticks.contains("+1"), "{ticks}");
        assert!((left_of_the_cheek(&page).await - 0.52).abs() < 0.015, "{}", left_of_the_cheek(&page).await);
        page.run("document.querySelector('#light-map-legend').scrollIntoView({block: 'end'})", vec![]).await;
        keep("page-map.png", &page.client.screenshot().await.unwrap());
        // Where spots are drawn they stand as in the reference.
        page.click("#spot-desk summary").await;
        page.until("the desk", "document.querySelector('.stage.desk-open') !== null").await;
        assert!((left_of_the_cheek(&page).await - 0.42).abs() < 0.01);
        page.click("#light-map-button").await;
        page.until("the map to go", "document.querySelector('#light-map').hidden").await;
        assert_eq!(page.run(PRESSED, vec![]).await, json!("false"));
        assert_eq!(page.run("return document.querySelector('#light-map-legend').hidden", vec![]).await, json!(true));
        page.close().await;
    });
}

const SHOWN: &str =
    "document.querySelector('#picture').complete && document.querySelector('#picture').naturalWidth > 0";
const PRESSED: &str = "return document.querySelector('#light-map-button').getAttribute('aria-pressed')";

fn land(studio: &Studio, name: &str, right: usize, brighter: f64) -> Value {
    studio.put(name, &stained_wall(right, brighter));
    assert!(studio.sync().is_empty());
    studio.frame(name)
}
