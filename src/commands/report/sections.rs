//! The parts of the page that tell of one sitting.

use jiff::tz::TimeZone;

use super::super::local_time::{clock, with_offset};
use super::super::sittings_asked::AskedSitting;
use super::contact::Picture;
use super::style::mark;
use super::{drawing, sheet};
use crate::outlet::html::escaped;
use crate::photometry::Stops;
use crate::report::{AskedFor, Failed, Failure, Mark, NoOffset, Report, ReportFrame};
use crate::sharpness::per_cent;
use crate::wording::{counted, listed};

/// Rows of one table; a page of thousands is no page, and the table for spreadsheets has all.
const MOST_ROWS: usize = 400;

/// `heading` where the page has others beside it.
pub fn sitting(
    sitting: &AskedSitting,
    number: usize,
    heading: Option<&String>,
    pictures: &[Picture],
    sittings: usize,
    zone: &TimeZone,
) -> String {
    let report = &sitting.report;
    let name = heading.map_or_else(|| "The sitting".to_owned(), Clone::clone);
    let class = if heading.is_some() { "" } else { " class=\"unseen\"" };
    let parts = [
        facts(sitting, zone),
        lights(report),
        drift(report, zone, number),
        powers(report, zone, number),
        out_of_tolerance(report),
        sheet::html(sitting, pictures, sittings, number),
        asked(report, zone),
        failures(report),
        apertures(report),
        happened(report, zone),
        passed_over(&sitting.passed_over),
    ];
    format!(
        "<section class=\"sitting\" id=\"sitting-{number}\" aria-labelledby=\"name-{number}\">\n<h2 id=\"name-{number}\"{class}>{}</h2>\n{}</section>\n",
        escaped(&name),
        parts.concat()
    )
}

fn facts(sitting: &AskedSitting, zone: &TimeZone) -> String {
    let report = &sitting.report;
    let known = |names: Vec<&str>| if names.is_empty() { "not told".to_owned() } else { names.join(", ") };
    let span = report.span.map(|(first, last)| (with_offset(first, zone), with_offset(last, zone)));
    let (from, to) = span.unwrap_or_default();
    let facts = [
        ("first record", from),
        ("last record", to),
        ("camera", known(report.cameras())),
        ("frames", report.frames.len().to_string()),
        ("looks", known(report.looks())),
        ("tolerance", format!("±{:.2} stop", report.tolerance.0)),
        ("shot log", sitting.name()),
    ];
    let rows: String =
        facts.iter().map(|(term, value)| format!("<div><dt>{term}</dt><dd>{}</dd></div>", escaped(value))).collect();
    let counts = report.marks();
    let of = |of: &Mark| counts.get(of).map(|count| format!("<li><b>{count}</b> {}</li>", mark(*of)));
    let counts: String = Mark::ALL.iter().filter_map(of).collect();
    format!(
        "<dl class=\"facts\">{rows}</dl>\n<ul class=\"counts\" aria-label=\"Frames by how they came out\">{counts}</ul>\n"
    )
}

fn lights(report: &Report) -> String {
    let rows = report.lights.iter().filter_map(|light| {
        let (first, last) = (light.steps.first()?, light.steps.last()?);
        let turns = light.steps.len() - 1;
        Some(vec![light.group.to_string(), first.in_words(), last.in_words(), turns.to_string()])
    });
    table("Lights", &["light", "power at the first frame", "at the end", "turned, times"], rows.collect(), &[3])
}

fn out_of_tolerance(report: &Report) -> String {
    let out: Vec<&ReportFrame> = report.frames.iter().filter(|frame| frame.is_out()).collect();
    if out.is_empty() {
        return "<h3>Frames out of tolerance</h3>\n<p>None.</p>\n".to_owned();
    }
    let told = out.iter().filter(|frame| frame.offset().is_ok()).count();
    let rows: String = out.iter().take(MOST_ROWS).map(|frame| row_out(frame)).collect();
    format!(
        "<h3>Frames out of tolerance</h3>\n<p>{} of {}. An exposure offset levels a frame with its reference when it is developed; of \
         {told} of them it is known well enough to be told, whatever anybody did to the lights. ‘greyhold hand-over’ writes them for \
         other programs.</p>\n<div class=\"across\" tabindex=\"0\" role=\"group\" aria-label=\"Frames out of tolerance\">\n<table class=\"last\">\n<thead><tr>\
         <th scope=\"col\">frame</th><th scope=\"col\">mark</th><th scope=\"col\" class=\"number\">off by, stops</th>\
         <th scope=\"col\" class=\"number\">offset, stops</th><th scope=\"col\">what was found</th></tr></thead>\n<tbody>\n{rows}</tbody>\n</table>\n</div>\n{}",
        out.len(),
        counted(report.frames.len(), "frame"),
        and_more(out.len())
    )
}

fn row_out(frame: &ReportFrame) -> String {
    let offset = match frame.offset() {
        Ok(offset) => format!("<td class=\"number offset\">{} ±{:.2}</td>", offset.stops, offset.uncertainty.0),
        Err(_) => "<td class=\"number\">none</td>".to_owned(),
    };
    let why = frame.offset().err().map_or_else(String::new, |why: NoOffset| {
        format!(" <span class=\"soft\">No offset: {}.</span>", escaped(&why.to_string()))
    });
    let sentence = frame.verdict.as_ref().map_or("", |verdict| verdict.sentence.as_str());
    format!(
        "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"number\">{}</td>{offset}<td>{}{why}</td></tr>\n",
        escaped(frame.file()),
        mark(frame.mark()),
        shown(frame.drift_of_all_light()),
        escaped(sentence)
    )
}

fn drift(report: &Report, zone: &TimeZone, number: usize) -> String {
    if report.frames.iter().all(|frame| frame.drift().is_none()) {
        return "<h3>Drift over the frames</h3>\n<p>No frame was compared.</p>\n".to_owned();
    }
    let drawn = drawing::drift(report, zone);
    let key: String = [Mark::Matches, Mark::TooBright, Mark::TooDark, Mark::OneLight, Mark::Unclear, Mark::Failed]
        .iter()
        .map(|of| format!("<li>{}</li>", mark(*of)))
        .collect();
    let together = match drawn.together {
        1 => "Each frame with its 95 % interval".to_owned(),
        several => format!(
            "{several} frames together, from the darkest to the brightest, with a mark at their median; those out of tolerance one by one"
        ),
    };
    format!(
        "<h3 id=\"drift-{number}\">Drift over the frames</h3>\n<figure aria-labelledby=\"drift-{number}\">\n<figcaption>{together}; the band is the tolerance. \
         Letters: R a reference, L another look, P another person, S a light survey.</figcaption>\n{}<ul class=\"key\">{key}</ul>\n</figure>\n",
        across(&drawn.svg, &format!("Drift over {}", counted(report.frames.len(), "frame")))
    )
}

fn powers(report: &Report, zone: &TimeZone, number: usize) -> String {
    if report.lights.is_empty() || report.frames.is_empty() {
        return String::new();
    }
    let svg = drawing::powers(report, zone);
    format!(
        "<h3 id=\"powers-{number}\">Power of each light</h3>\n<figure aria-labelledby=\"powers-{number}\">\n<figcaption>As it was told or read out of the \
         frames; a line up is a stop more. Frames and letters as above.</figcaption>\n{}</figure>\n",
        across(
            &svg,
            &format!("Power of {}", listed(&report.lights.iter().map(|l| l.group.to_string()).collect::<Vec<_>>()))
        )
    )
}

/// A drawing that a narrow screen moves across.
fn across(svg: &str, label: &str) -> String {
    let label = escaped(label);
    // Within HTML it needs no name space.
    let named = format!("<svg role=\"img\" aria-label=\"{label}\" ");
    let named = svg.replacen("<svg ", &named, 1).replacen(" xmlns=\"http://www.w3.org/2000/svg\"", "", 1);
    format!("<div class=\"across\" tabindex=\"0\" role=\"group\" aria-label=\"{label}, drawn\">\n{named}\n</div>\n")
}

fn asked(report: &Report, zone: &TimeZone) -> String {
    let frame_of =
        |number| report.frames.iter().find(|frame| frame.number == number).map(|frame| frame.file().to_owned());
    let rows = report.asked.iter().map(|asked| {
        let why = match &asked.purpose {
            AskedFor::Frame(number) => frame_of(*number).unwrap_or_else(|| format!("frame {number}")),
            AskedFor::Settings(settings) => format!("before {settings}"),
            AskedFor::Look(look) => format!("for look '{look}'"),
        };
        let turns = if asked.turns.is_empty() { "nothing to turn".to_owned() } else { asked.turns.join("; ") };
        vec![clock(asked.at, zone), why, turns, asked.end_in_words().to_owned()]
    });
    table("What was asked", &["at", "because of", "asked", "what became of it"], rows.collect(), &[])
}

/// Flashes that gave no light, which wear out, and those that were hurried, which need more time or less power.
fn failures(report: &Report) -> String {
    if report.failures.is_empty() {
        return String::new();
    }
    let (dips, misfires): (Vec<&Failure>, Vec<&Failure>) =
        report.failures.iter().partition(|failure| matches!(failure.what, Failed::NotRecycled { .. }));
    let misfires = misfires.into_iter().map(|failure| vec![file_of(report, failure), failed(&failure.what)]);
    let dips = dips.into_iter().map(|failure| {
        let by = match &failure.what {
            Failed::NotRecycled { by, .. } => *by,
            Failed::All | Failed::NotFired(_) => None,
        };
        let after = failure.after_seconds.map_or_else(String::new, |seconds| format!("{seconds:.1}"));
        vec![file_of(report, failure), failed(&failure.what), shown(by), after]
    });
    let misfires = table("Flashes that did not fire", &["frame", "what"], misfires.collect(), &[]);
    let heads = ["frame", "what", "light lost, stops", "seconds since the frame before"];
    let dips = table("Flashes that had not recycled", &heads, dips.collect(), &[2, 3]);
    let tallies = report.tallies().into_iter().filter(|tally| tally.told > 0 || !tally.not_fired.is_empty());
    let rows = tallies.map(|tally| {
        let counts = [tally.not_fired.len(), tally.not_recycled.len(), tally.told].map(|count| count.to_string());
        std::iter::once(tally.group.to_string()).chain(counts).collect()
    });
    let heads = ["light", "did not fire", "had not recycled", "frames in which it was read by itself"];
    format!(
        "{misfires}{dips}{}<p class=\"caution\">A light that fails more often from sitting to sitting may have a tube, a trigger or a cable that is going. \
         Heads and generators hold a dangerous charge after they are switched off and unplugged: never open one, and go by its maker's manual.</p>\n",
        table("Failures light by light", &heads, rows.collect(), &[1, 2, 3])
    )
}

fn file_of(report: &Report, failure: &Failure) -> String {
    let frame = report.frames.iter().find(|frame| frame.number == failure.frame);
    frame.map_or_else(String::new, |frame| frame.file().to_owned())
}

fn failed(what: &Failed) -> String {
    match what {
        Failed::All => "no flash lit it".to_owned(),
        Failed::NotFired(groups) => format!("{} did not fire", listed(groups)),
        Failed::NotRecycled { groups, .. } if groups.is_empty() => "the flashes had not recycled".to_owned(),
        Failed::NotRecycled { groups, .. } => format!("{} had not recycled", listed(groups)),
    }
}

fn apertures(report: &Report) -> String {
    let counts = report.apertures();
    let rows = counts.iter().map(|(n, count)| vec![n.to_string(), count.to_string()]);
    let mut parts = table("Apertures", &["aperture", "frames"], rows.collect(), &[1]);
    for look in &report.sharpness {
        let rows = look.apertures.iter().map(|at| {
            let spots: Vec<String> =
                at.detail.iter().map(|(spot, share)| format!("{spot} {}", per_cent(*share))).collect();
            vec![at.f_number.to_string(), at.frames.to_string(), spots.join(", ")]
        });
        let heads = ["aperture", "frames", "most that a frame kept of the sharpest one's finest detail"];
        parts.push_str(&table(&format!("Sharpness, look '{}'", look.look), &heads, rows.collect(), &[1]));
        parts.extend(look.suggestion.iter().map(|said| format!("<p>{}</p>\n", escaped(said))));
    }
    parts
}

fn happened(report: &Report, zone: &TimeZone) -> String {
    let rows = report
        .happened
        .iter()
        .map(|happened| vec![clock(happened.at, zone), happened.after.to_string(), happened.what.in_words()]);
    table("What else happened", &["at", "after frame", "what"], rows.collect(), &[1])
}

fn passed_over(sentences: &[String]) -> String {
    if sentences.is_empty() {
        return String::new();
    }
    let items: String = sentences.iter().take(MOST_ROWS).map(|said| format!("<li>{}</li>", escaped(said))).collect();
    format!("<h3>What the shot log could not tell</h3>\n<ul>{items}</ul>\n{}", and_more(sentences.len()))
}

/// Nothing where there are no rows. The first cell of each names it; columns in `numbers` are set to the right.
fn table(name: &str, heads: &[&str], rows: Vec<Vec<String>>, numbers: &[usize]) -> String {
    if rows.is_empty() {
        return String::new();
    }
    let class = |at: usize| if numbers.contains(&at) { " class=\"number\"" } else { "" };
    let head: String =
        heads.iter().enumerate().map(|(at, head)| format!("<th scope=\"col\"{}>{head}</th>", class(at))).collect();
    let mut body = String::new();
    for row in rows.iter().take(MOST_ROWS) {
        let cell = |(at, text): (usize, &String)| match at {
            0 => format!("<th scope=\"row\">{}</th>", escaped(text)),
            at => format!("<td{}>{}</td>", class(at), escaped(text)),
        };
        body.push_str(&format!("<tr>{}</tr>\n", row.iter().enumerate().map(cell).collect::<String>()));
    }
    let (name, more) = (escaped(name), and_more(rows.len()));
    format!(
        "<h3>{name}</h3>\n<div class=\"across\" tabindex=\"0\" role=\"group\" aria-label=\"{name}\">\n<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n\
         {body}</tbody>\n</table>\n</div>\n{more}"
    )
}

fn and_more(rows: usize) -> String {
    match rows.saturating_sub(MOST_ROWS) {
        0 => String::new(),
        more => format!("<p>And {more} more: ‘greyhold report --csv FILE’ has every frame.</p>\n"),
    }
}

fn shown(stops: Option<Stops>) -> String {
    stops.map_or_else(|| "–".to_owned(), |stops| stops.to_string())
}
