//! The page as a whole: its head, several sittings side by side, and each of them by itself.

use jiff::tz::TimeZone;

use super::super::local_time::{clock, day, offset};
use super::super::sittings_asked::AskedSitting;
use super::contact::Pictures;
use super::sections;
use super::style::{CSS, mark};
use crate::outlet::html::escaped;
use crate::report::Mark;
use crate::statistics::median;
use crate::wording::counted;

/// A page that needs nothing but itself: no script, and nothing from outside.
pub fn html(sittings: &[AskedSitting], pictures: &Pictures, zone: &TimeZone) -> String {
    let titles: Vec<String> = sittings.iter().map(|sitting| title(sitting, zone)).collect();
    let title = match titles.as_slice() {
        [one] => one.clone(),
        several => counted(several.len(), "sitting"),
    };
    let mut page = format!(
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; style-src 'unsafe-inline'\">\n\
         <title>{}</title>\n<style>\n{CSS}</style>\n</head>\n<body>\n<main>\n<h1>{}</h1>\n",
        escaped(&title),
        escaped(&title)
    );
    if sittings.len() > 1 {
        page.push_str(&side_by_side(sittings, &titles));
    }
    for (at, sitting) in sittings.iter().enumerate() {
        let heading = titles.get(at).filter(|_| sittings.len() > 1);
        let pictures = pictures.0.get(at).map_or(&[][..], Vec::as_slice);
        page.push_str(&sections::sitting(sitting, at + 1, heading, pictures, sittings.len(), zone));
    }
    page.push_str(
        "</main>\n<footer>\n<p>Stops are of light: one is twice as much, and brighter is positive. What stands behind ± is the \
         half-width of a 95 % interval. greyhold only advises; a person sets the power, and the maker's manual and local rules \
         come first.</p>\n</footer>\n</body>\n</html>\n",
    );
    page
}

/// 'Sitting of 2 March 2026, 10:00 to 11:23 (+01:00)'; behind it which one it is, where the log has several.
fn title(sitting: &AskedSitting, zone: &TimeZone) -> String {
    let Some((first, last)) = sitting.report.span else { return "A sitting without a record".to_owned() };
    let (begun, ended) = (day(first, zone), day(last, zone));
    let until = if begun == ended { clock(last, zone) } else { format!("{} of {ended}", clock(last, zone)) };
    let (from, to) = (offset(first, zone), offset(last, zone));
    let offsets = if from == to { from } else { format!("{from}, then {to}") };
    let which = sitting.sitting.as_ref().map_or_else(String::new, |which| format!(": {which}"));
    format!("Sitting of {begun}, {} to {until} ({offsets}){which}", clock(first, zone))
}

/// A row a sitting, so that they are compared.
fn side_by_side(sittings: &[AskedSitting], titles: &[String]) -> String {
    let heads: String =
        Mark::ALL.iter().map(|of| format!("<th scope=\"col\" class=\"number\">{}</th>", mark(*of))).collect();
    let mut table = format!(
        "<h2>Side by side</h2>\n<div class=\"across\" tabindex=\"0\" role=\"group\" aria-label=\"Sittings side by side\">\n<table class=\"sittings\">\n\
         <thead><tr><th scope=\"col\">sitting</th><th scope=\"col\" class=\"number\">frames</th>{heads}\
         <th scope=\"col\" class=\"number\">off in the median, stops</th><th scope=\"col\">camera</th></tr></thead>\n<tbody>\n"
    );
    for (at, (sitting, title)) in sittings.iter().zip(titles).enumerate() {
        let report = &sitting.report;
        let counts = report.marks();
        let cells: String = Mark::ALL
            .iter()
            .map(|of| format!("<td class=\"number\">{}</td>", counts.get(of).copied().unwrap_or_default()))
            .collect();
        let mut sizes: Vec<f64> = report.frames.iter().filter_map(|f| f.drift()).map(|drift| drift.abs().0).collect();
        let off = median(&mut sizes).map_or_else(|| "–".to_owned(), |off| format!("{off:.2}"));
        table.push_str(&format!(
            "<tr><th scope=\"row\"><a href=\"#sitting-{}\">{}</a></th><td class=\"number\">{}</td>{cells}\
             <td class=\"number\">{off}</td><td>{}</td></tr>\n",
            at + 1,
            escaped(title),
            report.frames.len(),
            escaped(&report.cameras().join(", "))
        ));
    }
    table.push_str("</tbody>\n</table>\n</div>\n");
    table
}
