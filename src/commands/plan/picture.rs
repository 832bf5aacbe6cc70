//! What is sharp at each aperture, drawn in blocks for a terminal.

use super::table::ACROSS;
use crate::optics::{Depth, Micrometres};
use crate::photometry::FNumber;
use crate::session::plan::{DepthRange, Lens};

/// Columns before the drawing, for the apertures.
const BEFORE: usize = 10;
const CELLS: usize = ACROSS - BEFORE;
const SHARP: char = '█';
const SOFT: char = '▒';
const BLURRED: char = '·';
/// Up to so many circles of confusion a blur is drawn as soft.
const SOFT_UNTIL: f64 = 2.0;

/// The middle of a cell; of the one that the point in focus lies in, that point, or it would be drawn as blurred.
fn depth_of(range: DepthRange, cell: usize) -> Depth {
    if cell == cell_of(range, Depth::ZERO) { Depth::ZERO } else { range.at((cell as f64 + 0.5) / CELLS as f64) }
}

fn cell_of(range: DepthRange, depth: Depth) -> usize {
    ((range.place(depth) * CELLS as f64).floor() as usize).min(CELLS - 1)
}

pub fn lines(lens: &Lens, apertures: &[FNumber]) -> Vec<String> {
    let range = DepthRange::of(lens);
    let mut lines =
        vec![format!("{SHARP} sharp   {SOFT} blurred up to twice as much   {BLURRED} more   (camera on the left)")];
    lines.extend(names(lens, range));
    for n in apertures {
        let cells: String = (0..CELLS).map(|cell| drawn(lens, lens.subject.blur(*n, depth_of(range, cell)))).collect();
        lines.push(format!("{:BEFORE$}{cells}", n.to_string()));
    }
    lines
}

fn drawn(lens: &Lens, blur: Option<Micrometres>) -> char {
    let circle = lens.subject.circle();
    match blur {
        Some(blur) if circle.holds(blur) => SHARP,
        Some(blur) if blur.times(circle.diameter()) <= SOFT_UNTIL => SOFT,
        // A cell behind the camera shows nothing sharp either.
        _ => BLURRED,
    }
}

/// The names of the parts over a mark at their place; those that would run into each other on lines of their own.
fn names(lens: &Lens, range: DepthRange) -> Vec<String> {
    let parts = lens.subject.parts().iter().map(|part| (part.name.as_str(), part.depth));
    let mut marks: Vec<(usize, &str)> =
        parts.chain([("eyes", Depth::ZERO)]).map(|(name, at)| (cell_of(range, at), name)).collect();
    marks.sort_by_key(|(cell, _)| *cell);
    marks.dedup_by(|a, b| a == b);
    let mut rows: Vec<Vec<char>> = Vec::new();
    for (cell, name) in &marks {
        let length = name.chars().count();
        // It begins over its mark, where that leaves it room.
        let from = (*cell).min(CELLS.saturating_sub(length));
        let is_free = |row: &Vec<char>| row.iter().skip(from.saturating_sub(1)).take(length + 2).all(|c| *c == ' ');
        let at = rows.iter().position(is_free).unwrap_or_else(|| {
            rows.push(vec![' '; CELLS]);
            rows.len() - 1
        });
        if let Some(row) = rows.get_mut(at) {
            row.iter_mut().skip(from).zip(name.chars()).for_each(|(place, c)| *place = c);
        }
    }
    let mut ticks = vec![' '; CELLS];
    for (cell, _) in &marks {
        ticks.iter_mut().skip(*cell).take(1).for_each(|place| *place = '|');
    }
    rows.push(ticks);
    let line = |row: &Vec<char>| format!("{}{}", " ".repeat(BEFORE), row.iter().collect::<String>());
    rows.iter().map(|row| line(row).trim_end().to_owned()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{CircleOfConfusion, FocalLength, Focus, Part, Sensor, Subject};
    use crate::photometry::{Metres, Series};

    fn lens(parts: &str) -> Lens {
        let focus = Focus::new(FocalLength::new(85.0).unwrap(), Metres::new(1.8).unwrap()).unwrap();
        let circle = CircleOfConfusion::usual(Sensor::FULL_FRAME);
        let subject = Subject::new(focus, circle, Part::read_all(parts).unwrap()).unwrap();
        Lens {
            subject,
            sensor: Sensor::FULL_FRAME,
            pixel: None,
            series: Series::Thirds,
            usual_circle: true,
            usual_sensor: true,
        }
    }

    #[test]
    fn the_drawing_fits_the_terminal_and_shows_what_is_sharp() {
        let lens = lens("nose -3cm, ears 10cm");
        let lines = lines(&lens, &["f/16", "f/8", "f/2"].map(|n| n.parse().unwrap()));
        assert!(lines.iter().all(|line| line.chars().count() <= ACROSS), "{lines:#?}");
        let sharp = |line: &String| line.chars().filter(|c| *c == SHARP).count();
        let rows: Vec<usize> = lines.iter().rev().take(3).map(sharp).collect();
        assert!(rows[0] > 0 && rows[0] < rows[1] && rows[1] < rows[2], "{lines:#?}");
        let ticks = lines.iter().find(|line| line.contains('|')).unwrap();
        assert_eq!(ticks.matches('|').count(), 3);
        // The eyes are sharp at any aperture.
        let eyes = cell_of(DepthRange::of(&lens), Depth::ZERO);
        assert!(lines.iter().rev().take(3).all(|line| line.chars().nth(BEFORE + eyes) == Some(SHARP)));
    }

    #[test]
    fn names_that_lie_close_get_lines_of_their_own_and_none_is_cut() {
        let lens = lens("tip of the nose -1cm, brow 1mm, lashes -1mm, far shoulders 20cm");
        let lines = lines(&lens, &[]);
        for name in ["tip of the nose", "brow", "lashes", "far shoulders", "eyes"] {
            assert!(lines.iter().any(|line| line.contains(name)), "{name}: {lines:#?}");
        }
        assert!(lines.iter().all(|line| line.chars().count() <= ACROSS), "{lines:#?}");
    }
}
