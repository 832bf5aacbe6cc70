//! The contact sheet on the page.

use super::super::sittings_asked::AskedSitting;
use super::contact::{Picture, chosen};
use super::style::mark;
use crate::outlet::html::{escaped, jpeg_address};
use crate::report::{ContactSheet, ReportFrame, Why};
use crate::wording::counted;

/// Nothing where no pictures were asked for.
pub fn html(sitting: &AskedSitting, pictures: &[Picture], sittings: usize, number: usize) -> String {
    if pictures.is_empty() {
        return String::new();
    }
    let sheet = chosen(sitting, sittings);
    let places: String =
        sheet.shown.iter().zip(pictures).map(|(shown, picture)| place(shown.frame, shown.why, picture)).collect();
    format!(
        "<h3 id=\"sheet-{number}\">Contact sheet</h3>\n<p>{}</p>\n<ul class=\"sheet\" aria-labelledby=\"sheet-{number}\">\n{places}</ul>\n",
        escaped(&choice(&sheet))
    )
}

fn choice(sheet: &ContactSheet) -> String {
    if sheet.left_out == 0 {
        return "All frames. A heavy green edge is a reference.".to_owned();
    }
    let out = match sheet.out_left_out {
        0 => "all frames out of tolerance".to_owned(),
        left => format!("frames out of tolerance but for {left}"),
    };
    let others =
        if sheet.every == 1 { "all others".to_owned() } else { format!("one in {} of the others", sheet.every) };
    format!(
        "The references (with a heavy green edge), {out}, and {others}; {} left out so that the page stays small.",
        counted(sheet.left_out, "frame")
    )
}

fn place(frame: &ReportFrame, why: Why, picture: &Picture) -> String {
    let name = escaped(frame.file());
    let shown = match picture {
        Picture::Jpeg(jpeg) => format!("<img alt=\"\" loading=\"lazy\" src=\"{}\">", jpeg_address(jpeg)),
        Picture::Gone => "<div class=\"gone\">the file is gone</div>".to_owned(),
        Picture::Unread(why) => format!("<div class=\"gone\">{}</div>", escaped(why)),
    };
    let (kind, said) = if why == Why::Reference { (" data-why=\"reference\"", "reference, ") } else { ("", "") };
    let drift = frame.drift_of_all_light().map_or_else(String::new, |drift| format!(" {drift}"));
    let settings = escaped(&frame.settings.in_short());
    format!(
        "<li{kind}>{shown}<p class=\"name\">{name}</p><p>{said}{}{drift}</p><p class=\"soft\">{settings}</p></li>\n",
        mark(frame.mark())
    )
}
