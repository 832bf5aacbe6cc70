//! A set-up sheet as a page that is one file: for a screen, and to be printed on one sheet of paper or two. The page of a running
//! sitting has forms besides.

use jiff::tz::TimeZone;

use std::fmt::Write;

use super::drawing::PlanView;
use super::form::Forms;
use super::pictures::PicturesOfLooks;
use crate::outlet::html::escaped;
use crate::session::sheet::{CAUTION, LookOnSheet, NOT_TYPED, Sheet};

const HEAD: &str = include_str!("page_head.html");
/// Where the head of a page that is kept differs from that of one that is served.
const OWN_HEAD: &str = "<!-- its own -->";
const HEAD_OF_KEPT: &str = "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">";
const HEAD_OF_SERVED: &str =
    concat!("<style>\n", include_str!("form.css"), "</style>\n<script type=\"module\" src=\"/sheet.js\"></script>");

/// Where a page is read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Read {
    /// Out of a file, which needs nothing but itself.
    Kept,
    /// From the watch, to which things can be told.
    Served,
}

/// `from` tells where the sheet was read, `made` when: for people.
pub fn page(sheet: &Sheet, pictures: &PicturesOfLooks, from: &str, made: &str, read: Read) -> String {
    let (own_head, mut forms, typed) = match read {
        Read::Kept => (HEAD_OF_KEPT, None, "What was typed is the configuration's, or was written down on this sheet."),
        Read::Served => (
            HEAD_OF_SERVED,
            Forms::of(sheet),
            "What was typed is the configuration's, or was written down here; what others write down shows when the page is loaded anew.",
        ),
    };
    let mut page = HEAD.replacen(OWN_HEAD, own_head, 1);
    let names: Vec<&str> = sheet.looks.iter().map(|look| look.name.as_str()).collect();
    write_to(&mut page, format_args!("<h1>Set-up sheet: {}</h1>\n", escaped(&names.join(", "))));
    write_to(&mut page, format_args!("<p class=\"soft\">From {}, {}. {typed}</p>\n", escaped(from), escaped(made)));
    write_to(&mut page, format_args!("<p class=\"caution\">{}</p>\n", escaped(CAUTION)));
    for remark in &sheet.remarks {
        write_to(&mut page, format_args!("<p class=\"caution\">{}</p>\n", escaped(remark)));
    }
    page.push_str("<div class=\"top\">\n");
    plan(&mut page, sheet);
    page.push_str("<section aria-labelledby=\"camera\">\n<h2 id=\"camera\">Camera</h2>\n");
    rows(&mut page, &sheet.camera_rows());
    notes(&mut page, sheet);
    page.extend(forms.as_mut().map(|forms| forms.of_notes(&sheet.set_notes)));
    page.push_str("</section>\n</div>\n");
    things(&mut page, sheet, forms.as_mut());
    for (number, look) in sheet.looks.iter().enumerate() {
        look_on_page(&mut page, look, pictures, number);
    }
    page.push_str("</main>\n</body>\n</html>\n");
    page
}

fn plan(page: &mut String, sheet: &Sheet) {
    let plan = PlanView::of(sheet);
    write_to(
        page,
        format_args!(
            "<figure>\n<div class=\"plan\" role=\"img\" aria-label=\"{}\">{}</div>\n<figcaption>From above, to scale: the circles are a \
             metre apart, the camera is below. Left and right are the camera's.",
            escaped(&plan.in_words()),
            plan.svg()
        ),
    );
    if !plan.unplaced.is_empty() {
        write_to(page, format_args!(" <strong>Place not typed:</strong> {}.", escaped(&plan.unplaced.join(", "))));
    }
    page.push_str("</figcaption>\n</figure>\n");
}

fn notes(page: &mut String, sheet: &Sheet) {
    page.push_str("<h2>Notes</h2>\n");
    let notes = sheet.notes_in_words(&TimeZone::system());
    if notes.is_empty() {
        write_to(page, format_args!("<p class=\"soft\">{NOT_TYPED}</p>\n"));
        return;
    }
    page.push_str("<ul>\n");
    for note in notes {
        write_to(page, format_args!("<li>{}</li>\n", escaped(&note)));
    }
    page.push_str("</ul>\n");
}

fn things(page: &mut String, sheet: &Sheet, mut forms: Option<&mut Forms>) {
    page.push_str("<section aria-labelledby=\"lights\">\n<h2 id=\"lights\">Lights and what stands beside them</h2>\n<div class=\"cards\">\n");
    for light in &sheet.lights {
        let form = forms.as_mut().map(|forms| forms.of_light(light));
        card(page, &light.title(), &light.rows(), form);
    }
    for thing in &sheet.passive {
        let form = forms.as_mut().map(|forms| forms.of_passive(thing));
        card(page, &thing.title(), &thing.rows(), form);
    }
    page.push_str("</div>\n</section>\n");
}

fn card(page: &mut String, title: &str, of_it: &[(&str, String)], form: Option<String>) {
    write_to(page, format_args!("<section class=\"card\"><h3>{}</h3>\n", escaped(title)));
    rows(page, of_it);
    page.extend(form);
    page.push_str("</section>\n");
}

fn look_on_page(page: &mut String, look: &LookOnSheet, pictures: &PicturesOfLooks, number: usize) {
    let name = escaped(&look.name);
    write_to(
        page,
        format_args!(
            "<section class=\"look\" aria-labelledby=\"look{number}\">\n<h2 id=\"look{number}\">Look: {name}</h2>\n"
        ),
    );
    page.push_str("<div class=\"picture\">\n");
    match pictures.address(&look.name) {
        Some(address) => {
            write_to(page, format_args!("<img alt=\"The reference of {name}\" src=\"{}\">\n", escaped(&address)));
        }
        None => page.push_str("<p class=\"soft\">The reference's picture is neither kept nor in the folder.</p>\n"),
    }
    write_to(page, format_args!("<p class=\"soft\">{}</p>\n</div>\n<div>\n", escaped(&look.file)));
    write_to(
        page,
        format_args!(
            "<table><caption>Powers, as the dials show them</caption>\n<thead><tr><th scope=\"col\">Light</th><th scope=\"col\">Power</th><th scope=\"col\">How it is known</th></tr></thead>\n<tbody>\n"
        ),
    );
    for power in &look.powers {
        write_to(
            page,
            format_args!(
                "<tr><th scope=\"row\">{}</th><td class=\"power\">{}</td><td>{}</td></tr>\n",
                escaped(power.group.as_str()),
                escaped(power.setting()),
                escaped(power.how())
            ),
        );
    }
    page.push_str("</tbody></table>\n<h3>Ratios</h3>\n<ul>\n");
    for line in look.ratios.in_words() {
        write_to(page, format_args!("<li>{}</li>\n", escaped(&line)));
    }
    page.push_str("</ul>\n<h3>Camera settings</h3>\n");
    rows(page, &look.rows());
    page.push_str("</div>\n</section>\n");
}

fn rows(page: &mut String, rows: &[(&str, String)]) {
    page.push_str("<dl>\n");
    for (what, value) in rows {
        let soft = if value == NOT_TYPED { " class=\"soft\"" } else { "" };
        write_to(page, format_args!("<dt>{what}</dt><dd{soft}>{}</dd>\n", escaped(value)));
    }
    page.push_str("</dl>\n");
}

fn write_to(page: &mut String, text: std::fmt::Arguments) {
    // Writing to a string can't fail.
    let _ = page.write_fmt(text);
}
