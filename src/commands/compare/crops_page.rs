//! The same spots of all frames side by side at full size, in one file for a browser: what the eye compares.

use std::path::Path;

use super::measured::Measured;
use super::sharpness_table::{aperture, cell, name};
use crate::commands::exit::CommandError;
use crate::commands::new_file::NewFile;
use crate::outlet::html::{escaped, jpeg_address};
use crate::outlet::spot_pictures::{BaseLevel, SpotPicture};
use crate::sharpness::Pixels;

pub struct CropsPage(NewFile);

const HEAD: &str = r#"<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<title>Sharpness, spot by spot</title>
<style>
  :root { --ground: #f4f2ea; --card: #ffffff; --ink: #191d18; --soft: #4d554c; --line: #8a9187; color-scheme: light; }
  @media (prefers-color-scheme: dark) {
    :root { --ground: #11140f; --card: #1b201a; --ink: #f2eee4; --soft: #b9c0b3; --line: #6d766a; color-scheme: dark; }
  }
  body { margin: 0; padding: 1rem; background: var(--ground); color: var(--ink); font: 1rem/1.4 system-ui, sans-serif; }
  p { max-width: 60rem; margin: 0 0 .75rem; }
  .scroll { overflow: auto; max-height: 92vh; border: 1px solid var(--line); background: var(--card); }
  table { border-collapse: collapse; }
  th, td { padding: .4rem; text-align: left; vertical-align: top; font-weight: 400; }
  thead th { position: sticky; top: 0; z-index: 1; background: var(--card); border-bottom: 1px solid var(--line); }
  tbody th { position: sticky; left: 0; background: var(--card); border-right: 1px solid var(--line); font-weight: 700; }
  th b { display: block; }
  img { display: block; image-rendering: pixelated; }
  small { color: var(--soft); }
</style>
</head>
<body>
<h1>Sharpness, spot by spot</h1>
<p>Each spot at full size, one pixel of the frame to one of the page, laid over each other and brought to one brightness; dark spots
are brightened, at all apertures alike. Below each: the
finest detail that it keeps of the sharpest frame's, and the width of the blur that explains the loss.</p>
"#;

impl CropsPage {
    /// Says at once what can't be, before any frame is read.
    pub fn checked(path: &Path) -> Result<CropsPage, CommandError> {
        if path.extension().is_none_or(|e| !["html", "htm"].iter().any(|known| e.eq_ignore_ascii_case(known))) {
            let why = "--crops writes a page: name a file that ends in .html".to_owned();
            return Err(CommandError::WrongUse(why));
        }
        NewFile::checked(path, "the page").map(CropsPage)
    }

    pub fn name(&self) -> String {
        self.0.name()
    }

    pub fn write(&self, measured: &Measured) -> Result<(), CommandError> {
        self.0.create(page(measured).as_bytes())
    }
}

fn page(measured: &Measured) -> String {
    let mut page = HEAD.to_owned();
    if let Some(sentence) = measured.which_aperture.sentence() {
        page.push_str(&format!("<p>{}</p>\n", escaped(&sentence)));
    }
    page.push_str("<div class=\"scroll\" tabindex=\"0\">\n<table>\n<thead><tr><th scope=\"col\">spot</th>");
    let columns = columns(measured);
    for at in &columns {
        let (aperture, file) = (aperture(measured, *at), name(&measured.shots[*at].file));
        page.push_str(&format!(
            "<th scope=\"col\"><b>{}</b><small>{}</small></th>",
            escaped(&aperture),
            escaped(&file)
        ));
    }
    page.push_str("</tr></thead>\n<tbody>\n");
    for (at, spot) in measured.spots.iter().enumerate() {
        let of_best = level_of_best(measured, at);
        let lifted = of_best.and_then(|base| SpotPicture::lift_in_words(base.lift()));
        let lifted = lifted.map_or_else(String::new, |words| format!("<br><small>{words}</small>"));
        page.push_str(&format!("<tr><th scope=\"row\">{}{lifted}</th>", escaped(spot)));
        for shot in &columns {
            page.push_str(&format!("<td>{}</td>", place(measured, at, *shot, of_best)));
        }
        page.push_str("</tr>\n");
    }
    page.push_str("</tbody>\n</table>\n</div>\n</body>\n</html>\n");
    page
}

/// The shots that were read, the narrowest aperture first.
fn columns(measured: &Measured) -> Vec<usize> {
    let mut columns: Vec<usize> = (0..measured.shots.len()).filter(|at| measured.shots[*at].fault.is_none()).collect();
    let narrowness = |at: &usize| measured.shots[*at].f_number.map_or(f64::NEG_INFINITY, |n| n.av().0);
    columns.sort_by(|a, b| narrowness(b).total_cmp(&narrowness(a)));
    columns
}

/// How bright a spot is in the shot that others are held against.
fn level_of_best(measured: &Measured, spot: usize) -> Option<BaseLevel> {
    Some(BaseLevel::of(measured.shots[measured.sharpest[spot]?].cuts[spot].as_ref().ok()?))
}

/// One picture and what was measured of it.
fn place(measured: &Measured, spot: usize, shot: usize, of_best: Option<BaseLevel>) -> String {
    let softness = &measured.against_sharpest[shot][spot];
    let is_sharpest = measured.sharpest[spot] == Some(shot);
    let said = match softness {
        Some(Err(why)) => why.to_string(),
        _ => cell(softness, is_sharpest),
    };
    let shift = match softness {
        Some(Ok(softness)) => softness.shift,
        _ => [Pixels(0.0); 2],
    };
    let cut = measured.shots[shot].cuts[spot].as_ref();
    let Some(picture) = cut.ok().and_then(|cut| SpotPicture::of(cut, shift, of_best)) else {
        return format!("<small>{}</small>", escaped(&said));
    };
    let SpotPicture { width, height, .. } = picture;
    let address = jpeg_address(&picture.jpeg);
    let alt = format!("{} at {}", measured.spots[spot], aperture(measured, shot));
    format!(
        "<img width=\"{width}\" height=\"{height}\" alt=\"{}\" src=\"{address}\"><small>{}</small>",
        escaped(&alt),
        escaped(&said)
    )
}
