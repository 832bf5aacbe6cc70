//! The page sets each spot of the frames that stand for their apertures side by side, at 1:1, laid over each other and of one
//! brightness: what is otherwise done by hand with a magnifier.
//!
//! What needs Chromium and its driver says so where they are missing.
//!
//! CHECK: the blurs are convolutions of light with Gaussians of known width, made here; f/14 shows most, by construction.

use std::fs;

use serde_json::{Value, json};

use crate::harness::Studio;
use crate::harness::browser::{self, Driver, Page};
use crate::sharpness_is_measured_on_the_same_lashes::{SHARP, Sitting, Taken, round};
use crate::sharpness_is_told_after_the_answer::{land, measured, spots};

async fn opened(driver: &Driver, studio: &Studio, size: (u32, u32)) -> Page {
    let page = driver.open(&studio.address("set"), size).await;
    page.until("the page", "document.querySelector('#link').dataset.n > 0").await;
    page.click("#apertures summary").await;
    page
}

/// Heads and cells as they are read, and whether each picture is there.
const TABLE: &str = "[...document.querySelectorAll('#apertures-table tr')].map(tr => [...tr.children].map(cell => \
                     cell.querySelector('img')?.naturalWidth > 0 ? `${cell.textContent} [picture]` : [...cell.childNodes].map(c => c.textContent).filter(Boolean).join(' / ')).join(' | '))";

async fn table(page: &Page, what: &str, rows: &[&str]) {
    page.until_with(what, &format!("JSON.stringify({TABLE}) === JSON.stringify(arguments[0])"), json!(rows)).await;
}

/// Mean grey, and mean difference of grey from the first column's, laid as it is and two pixels beside it.
async fn seen(page: &Page, row: usize, column: usize) -> [f64; 4] {
    let script = "const cells = document.querySelectorAll('#apertures-rows tr')[arguments[0]].querySelectorAll('img'); \
        const grey = (image) => { const c = document.createElement('canvas'); [c.width, c.height] = [image.naturalWidth, image.naturalHeight]; \
          const pen = c.getContext('2d'); pen.drawImage(image, 0, 0); const d = pen.getImageData(0, 0, c.width, c.height).data; \
          return { width: c.width, height: c.height, at: (x, y) => d[(y * c.width + x) * 4 + 1] }; }; \
        const [base, own] = [grey(cells[0]), grey(cells[arguments[1]])]; \
        let [n, mean, off, beside] = [0, 0, 0, 0]; \
        for (let y = 4; y < own.height - 4; y += 1) for (let x = 4; x < own.width - 4; x += 1) { n += 1; mean += own.at(x, y); \
          off += Math.abs(own.at(x, y) - base.at(x, y)); beside += Math.abs(own.at(x + 2, y) - base.at(x, y)); } \
        return [mean / n, off / n, beside / n, own.width * 1000 + own.height];";
    let told = page.run(script, vec![json!(row), json!(column)]).await;
    serde_json::from_value(told).unwrap()
}

#[test]
fn each_spot_stands_at_full_size_aperture_by_aperture_and_after_a_restart_too() {
    browser::with_browser(|driver| async move {
        let sitting = Sitting::new();
        let mut studio = Studio::with_config(&spots());
        land(&studio, &sitting, "a.jpg", &SHARP);
        let page = opened(&driver, &studio, (1180, 820)).await;
        page.until(
            "why there is nothing",
            "document.querySelector('#apertures-says').textContent.includes('two apertures')",
        )
        .await;
        land(&studio, &sitting, "b.jpg", &Taken { moved: [23, 9], ..round(5.6, [0.0, 1.0, 2.0]) });
        measured(&studio, "b.jpg");
        let heads = "spot | f/14 / a.jpg / the others are held against this | f/5.6 / b.jpg";
        page.until("the pictures", &format!("{TABLE}.length === 4 && {TABLE}[3].split('[picture]').length === 3"))
            .await;
        let rows: Vec<String> = serde_json::from_value(page.run(&format!("return {TABLE}"), vec![]).await).unwrap();
        assert_eq!(rows[0], heads);
        assert_eq!(rows[1], "eyes | 100 % [picture] | 100 % [picture]");
        assert!(rows[3].starts_with("ear | 100 % [picture] | ") && !rows[3].ends_with("100 % [picture]"), "{rows:?}");
        let [_, off, beside, size] = seen(&page, 0, 1).await;
        assert!(off < 0.5 * beside, "laid over each other to the pixel: {off} {beside}");
        assert_eq!(size, seen(&page, 0, 0).await[3]);
        // Darker, and softer: brought to one brightness, and neither takes the other's place.
        land(&studio, &sitting, "c.jpg", &Taken { stops: -0.25, ..round(5.6, [1.5, 2.0, 3.0]) });
        measured(&studio, "c.jpg");
        land(&studio, &sitting, "d.jpg", &Taken { stops: -0.25, ..round(2.8, [0.0, 2.0, 4.0]) });
        measured(&studio, "d.jpg");
        page.until("three apertures", &format!("{TABLE}[3].split('[picture]').length === 4")).await;
        let heads = "spot | f/14 / a.jpg / the others are held against this | f/5.6 / b.jpg | f/2.8 / d.jpg";
        let rows: Vec<String> = serde_json::from_value(page.run(&format!("return {TABLE}"), vec![]).await).unwrap();
        assert_eq!(rows[0], heads);
        let [base, dark] = [seen(&page, 0, 0).await[0], seen(&page, 0, 2).await[0]];
        assert!((base - dark).abs() < 2.0, "{base} {dark}");
        let says = page.text("#apertures-says").await;
        assert!(
            says.starts_with("f/14 keeps ") && says.contains("f/5.6 loses lips and ear (kept: at least half"),
            "{says}"
        );
        page.close().await;
        studio.stop();
        studio.start();
        let page = opened(&driver, &studio, (1180, 820)).await;
        table(&page, "the same after a restart", &rows.iter().map(String::as_str).collect::<Vec<_>>()).await;
        page.close().await;
    });
}

#[test]
fn a_sharper_frame_is_what_the_others_are_held_against_and_what_is_gone_has_no_picture() {
    browser::with_browser(|driver| async move {
        let sitting = Sitting::new();
        let mut studio = Studio::with_config(&spots());
        land(&studio, &sitting, "a.jpg", &round(5.6, [0.0, 0.0, 2.0]));
        land(&studio, &sitting, "b.jpg", &SHARP);
        measured(&studio, "b.jpg");
        let page = opened(&driver, &studio, (390, 844)).await;
        let heads = "spot | f/14 / b.jpg / the others are held against this | f/5.6 / a.jpg";
        page.until_with("the sharper one", &format!("{TABLE}[0] === arguments[0]"), json!(heads)).await;
        page.until("both pictures", &format!("{TABLE}[3].split('[picture]').length === 3")).await;
        let rows: Vec<String> = serde_json::from_value(page.run(&format!("return {TABLE}"), vec![]).await).unwrap();
        assert!(!rows[3].ends_with("100 % [picture]"), "the reference is softer there: {rows:?}");
        land(&studio, &sitting, "c.jpg", &round(8.0, [0.0, 0.0, 1.0]));
        measured(&studio, "c.jpg");
        page.until(
            "three",
            &format!("{TABLE}[0].includes('f/8 / c.jpg') && {TABLE}[1].split('[picture]').length === 4"),
        )
        .await;
        page.close().await;
        // Without the frame that they lie over, the others are seen as they are.
        for gone in ["b.jpg", "c.jpg"] {
            fs::remove_file(studio.folder.join(gone)).unwrap();
        }
        studio.stop();
        studio.start();
        let page = opened(&driver, &studio, (390, 844)).await;
        page.until("what is left", &format!("{TABLE}[1]?.endsWith('[picture]')")).await;
        let rows: Vec<String> = serde_json::from_value(page.run(&format!("return {TABLE}"), vec![]).await).unwrap();
        assert!(rows[0].contains("f/8 / c.jpg"), "what was measured stays: {rows:?}");
        let hidden = "JSON.stringify([...document.querySelectorAll('#apertures-rows tr:first-child img')].map(image => image.hidden))";
        page.until("those pictures that can be had", &format!("{hidden} === '[true,true,false]'")).await;
        page.close().await;
    });
}

/// CHECK: WCAG 2.0 to 2.2 as far as axe-core tests them; 44 by 44 CSS pixels (WCAG 2.2, 2.5.5).
#[test]
fn the_table_fits_every_screen_and_keeps_its_names_in_view() {
    let axe = std::env::var_os("GREYHOLD_AXE").map(|axe| fs::read_to_string(axe).unwrap());
    browser::with_browser(|driver| async move {
        let sitting = Sitting::new();
        let studio = Studio::with_config(&spots());
        land(&studio, &sitting, "a.jpg", &SHARP);
        for (name, f_number) in [("b.jpg", 8.0), ("c.jpg", 5.6), ("d.jpg", 4.0)] {
            land(&studio, &sitting, name, &round(f_number, [0.0, 1.0, 2.0]));
            measured(&studio, name);
        }
        for size in [(360, 740), (768, 1024), (1920, 1080)] {
            let page = opened(&driver, &studio, size).await;
            page.until("the pictures", &format!("{TABLE}.length === 4 && {TABLE}[3].split('[picture]').length === 5"))
                .await;
            let wide = page.run("return document.documentElement.scrollWidth - innerWidth", vec![]).await;
            assert!(wide.as_f64().unwrap() <= 0.0, "{size:?}: {wide} pixels lie beyond the edge");
            let summary = page
                .run("return document.querySelector('#apertures summary').getBoundingClientRect().height", vec![])
                .await;
            assert!(summary.as_f64().unwrap() >= 44.0, "{size:?}: {summary}");
            let script = "const t = document.querySelector('#apertures-table'); t.scrollTo(500, 400); \
                          const [box, name, head] = [t, t.querySelector('tbody th'), t.querySelector('thead th:nth-child(2)')].map(e => e.getBoundingClientRect()); \
                          return [name.left - box.left, head.top - box.top]";
            let inset: Value = page.run(script, vec![]).await;
            let inset: [f64; 2] = serde_json::from_value(inset).unwrap();
            assert!(inset.iter().all(|at| (0.0..=4.0).contains(at)), "{size:?}: names and apertures stay: {inset:?}");
            if let Some(axe) = &axe {
                page.assert_no_barrier(axe, "side by side").await;
            }
            page.close().await;
        }
    });
}
