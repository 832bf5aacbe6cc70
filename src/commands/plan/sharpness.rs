//! How much is sharp, in tables and sentences.

use super::table::Table;
use crate::optics::{Depth, Micrometres, distance_in_words};
use crate::photometry::{FNumber, Stops};
use crate::session::plan::Lens;
use crate::wording::listed;

/// Less light than this lost by closeness is not worth a word.
const LOSS_TOLD: Stops = Stops(-0.1);

pub fn heading(lens: &Lens) -> String {
    let (subject, focus) = (&lens.subject, lens.subject.focus());
    let part = if lens.usual_circle { ", a 1500th of its diagonal" } else { "" };
    format!(
        "Sharpness with {} at {} from the eyes, in focus, on a sensor of {}. Sharp is what is blurred to no more than {} \
         on the sensor{part} (the circle of confusion).",
        focus.focal_length(),
        distance_in_words(focus.distance()),
        lens.sensor,
        subject.circle(),
    )
}

/// From where to where it is sharp.
pub fn limits(lens: &Lens, apertures: &[FNumber]) -> Table {
    let heads = ["aperture", "sharp from", "to", "in all"].map(str::to_owned).to_vec();
    let row = |n: &FNumber| {
        let sharp = lens.subject.at(*n);
        let end =
            |depth: Option<Depth>| depth.map_or_else(|| "beyond 1 km".to_owned(), |depth| format!("{depth} the eyes"));
        vec![n.to_string(), end(Some(sharp.near)), end(sharp.far), sharp.total_in_words()]
    };
    Table { heads, rows: apertures.iter().map(row).collect() }
}

/// What the numbers of [`blur`] are.
pub fn of_the_blur(lens: &Lens) -> String {
    let pixels = if lens.pixel.is_some() { ", in pixels" } else { "" };
    format!("Blur on the sensor in micrometres (in circles of confusion{pixels}); diffraction blurs all:")
}

/// How wide the blur of each part is.
pub fn blur(lens: &Lens, apertures: &[FNumber]) -> Table {
    let parts = lens.subject.parts().iter().map(|part| format!("{}, {}", part.name, part.depth));
    let heads = std::iter::once("aperture".to_owned()).chain(parts).chain(std::iter::once("diffraction".to_owned()));
    let cell = |blur: &Micrometres| {
        let circles = size(blur.times(lens.subject.circle().diameter()));
        match lens.pixel {
            Some(pixel) => format!("{} ({circles}, {})", size(blur.0), size(blur.times(pixel))),
            None => format!("{} ({circles})", size(blur.0)),
        }
    };
    let row = |n: &FNumber| {
        let sharp = lens.subject.at(*n);
        std::iter::once(n.to_string()).chain(sharp.blur.iter().chain([&sharp.airy]).map(cell)).collect()
    };
    Table { heads: heads.collect(), rows: apertures.iter().map(row).collect() }
}

/// Two digits are more than a lens keeps.
fn size(number: f64) -> String {
    if number < 9.95 { format!("{number:.1}") } else { format!("{number:.0}") }
}

/// What follows from it for the choice.
pub fn findings(lens: &Lens) -> Vec<String> {
    let (subject, series, marks) = (&lens.subject, lens.series, lens.marks());
    let names: Vec<&str> = subject.parts().iter().map(|part| part.name.as_str()).collect();
    let widest_of: Vec<_> = subject.parts().iter().map(|part| (&part.name, subject.widest_for(part, series))).collect();
    let each = widest_of.iter().map(|(name, widest)| match widest {
        Some(n) => format!("{name} from {n}"),
        None => format!("{name} at none"),
    });
    let is_known_of_one = widest_of.len() > 1 && widest_of.iter().any(|(_, widest)| widest.is_some());
    let each = if is_known_of_one { format!(" ({})", each.collect::<Vec<_>>().join(", ")) } else { String::new() };
    let widest = match marks.widest {
        Some(n) => format!("The widest aperture that keeps {} sharp is {n}{each}.", listed(&names)),
        None => format!(
            "No aperture keeps {} sharp: where depth would be enough, diffraction blurs all{each}.",
            listed(&names)
        ),
    };
    let of_circle =
        marks.passes_circle.map(|n| format!("From {n} on diffraction alone blurs more than the circle of confusion."));
    let of_pixel = lens.pixel.zip(marks.passes_pixel).map(|(pixel, n)| {
        format!("From {n} on its disk is wider than a pixel ({pixel}), which shows at full size only.")
    });
    [Some(widest), of_circle, of_pixel, close_up(lens)].into_iter().flatten().collect()
}

/// The light that closeness costs, where it matters, and the f-number that the lens then works at.
fn close_up(lens: &Lens) -> Option<String> {
    let focus = lens.subject.focus();
    let (lost, marked) = (focus.light_lost(), FNumber::new(8.0, None, lens.series)?);
    (lost <= LOSS_TOLD).then(|| {
        format!(
            "At this distance the lens draws at {} times life size and passes {} less light than at infinity, at every aperture \
             alike: {marked} works as f/{}. The powers above hold while the distance stays; a hand-held meter's reading needs that \
             much more light (pupil ratio taken as 1).",
            two_digits(focus.magnification().0),
            lost.size_in_words(),
            two_digits(focus.effective(marked)),
        )
    })
}

/// More are not known of a lens.
fn two_digits(number: f64) -> String {
    let decimals = (1.0 - number.log10().floor()).clamp(0.0, 3.0);
    let unit = 10_f64.powf(decimals);
    format!("{}", (number * unit).round() / unit)
}
