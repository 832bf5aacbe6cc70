//! The plan of a set, seen from above: the sitter in the middle, the camera below, everything else where it was typed to stand,
//! to scale.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::outlet::plain::printable;
use crate::photometry::Metres;
use crate::rig::{Angle, FloorPlace, PassiveKind};
use crate::session::sheet::Sheet;

const WIDTH: u32 = 520;
const MOST_HEIGHT: f64 = 440.0;
/// Round everything that is drawn, in pixels: for names.
const MARGIN: f64 = 44.0;
/// Nothing is drawn larger than so many pixels a metre.
const LARGEST: f64 = 120.0;
/// The sitter's head and shoulders, in metres.
const SITTER: f64 = 0.22;
/// How wide a letter is drawn, and how high a line, in pixels.
const LETTER: f64 = 10.5;
const LINE: i32 = 23;
/// How far a name is moved to where there may be room.
const NUDGE: i32 = 9;
const NAME_SIZE: i32 = 22;
const METRES_SIZE: i32 = 18;
const LONGEST_NAME: usize = 24;
const INK: RGBColor = RGBColor(0x19, 0x1d, 0x18);
const FAINT: RGBColor = RGBColor(0x8a, 0x91, 0x87);
const PALE: RGBColor = RGBColor(0xe4, 0xe2, 0xd8);

/// What a thing is drawn as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    Camera,
    Light,
    Passive(PassiveKind),
}

/// A thing that has a place.
#[derive(Debug, Clone, PartialEq)]
pub struct Placed {
    pub name: String,
    pub shape: Shape,
    pub place: FloorPlace,
}

/// What is on the plan, and what can't be.
#[derive(Debug, Clone, PartialEq)]
pub struct PlanView {
    pub things: Vec<Placed>,
    /// Names of those whose place wasn't typed.
    pub unplaced: Vec<String>,
    /// Pixels a metre.
    scale: f64,
    /// Where the sitter is, in pixels.
    middle: (f64, f64),
    height: u32,
}

impl PlanView {
    pub fn of(sheet: &Sheet) -> PlanView {
        let (mut things, mut unplaced) = (Vec::new(), Vec::new());
        let mut put = |name: String, shape: Shape, places: Vec<FloorPlace>| {
            if places.is_empty() {
                unplaced.push(name.clone());
            }
            things.extend(places.into_iter().map(|place| Placed { name: name.clone(), shape, place }));
        };
        let at_camera = |distance: Metres| vec![FloorPlace::of(distance, Angle::AT_CAMERA)];
        put("camera".to_owned(), Shape::Camera, sheet.camera.distance.map_or_else(Vec::new, at_camera));
        for light in &sheet.lights {
            put(light.group.to_string(), Shape::Light, light.stands.places());
        }
        for thing in &sheet.passive {
            put(thing.name.clone(), Shape::Passive(thing.kind), thing.stands.places());
        }
        PlanView::fitted(things, unplaced)
    }

    fn fitted(things: Vec<Placed>, unplaced: Vec<String>) -> PlanView {
        let most =
            |of: fn(&FloorPlace) -> f64| things.iter().map(|thing| of(&thing.place)).fold(2.0 * SITTER, f64::max);
        let (beside, before, behind) =
            (most(|place| place.right.abs()), most(|place| place.towards_camera), most(|place| -place.towards_camera));
        let across = (f64::from(WIDTH) / 2.0 - 2.0 * MARGIN) / beside;
        let down = (MOST_HEIGHT - 2.0 * MARGIN) / (before + behind);
        let scale = across.min(down).min(LARGEST);
        let height = (before + behind) * scale + 2.0 * MARGIN;
        let middle = (f64::from(WIDTH) / 2.0, behind * scale + MARGIN);
        PlanView { things, unplaced, scale, middle, height: height.ceil() as u32 }
    }

    /// Pixels a metre.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// Where a place is drawn, in pixels from the upper left corner.
    pub fn drawn(&self, place: FloorPlace) -> (f64, f64) {
        (self.middle.0 + place.right * self.scale, self.middle.1 + place.towards_camera * self.scale)
    }

    /// As an SVG.
    pub fn svg(&self) -> String {
        let mut svg = String::new();
        // A drawing into memory has nothing to fail on.
        if let Err(e) = self.draw(SVGBackend::with_string(&mut svg, (WIDTH, self.height)).into_drawing_area()) {
            tracing::warn!("the plan is not complete: {e}");
        }
        svg
    }

    /// For those who don't see it.
    pub fn in_words(&self) -> String {
        let stands = |thing: &Placed| {
            let FloorPlace { right, towards_camera } = thing.place;
            let ahead = if towards_camera < 0.0 { "behind the sitter" } else { "towards the camera" };
            let side = if right < 0.0 { "left" } else { "right" };
            format!("{} {:.1} m {ahead} and {:.1} m {side}", thing.name, towards_camera.abs(), right.abs())
        };
        let things: Vec<String> = self.things.iter().map(stands).collect();
        match things.is_empty() {
            true => "Plan of the set from above: only the sitter, for no place was typed.".to_owned(),
            false => format!("Plan of the set from above, from the sitter: {}.", things.join("; ")),
        }
    }

    fn draw(&self, area: DrawingArea<SVGBackend, Shift>) -> Result<(), Box<dyn std::error::Error>> {
        area.fill(&WHITE)?;
        self.draw_metres(&area)?;
        let middle = self.pixel(self.middle);
        for light in self.things.iter().filter(|thing| thing.shape == Shape::Light) {
            let axis = vec![self.pixel(self.drawn(light.place)), middle];
            area.draw(&PathElement::new(axis, FAINT.mix(0.5).stroke_width(1)))?;
        }
        self.draw_sitter(&area)?;
        let mut names = Names::default();
        names.taken.push((middle.0 - 24, middle.1 - 24, 48, 48));
        for thing in &self.things {
            self.draw_thing(thing, &area)?;
        }
        for thing in &self.things {
            let at = self.drawn(thing.place);
            names.draw(&area, &thing.name, self.pixel(at), thing.place.right)?;
        }
        area.present()?;
        Ok(())
    }

    fn pixel(&self, (x, y): (f64, f64)) -> (i32, i32) {
        (x.round() as i32, y.round() as i32)
    }

    /// Circles about the sitter, a metre apart.
    fn draw_metres(&self, area: &DrawingArea<SVGBackend, Shift>) -> Result<(), Box<dyn std::error::Error>> {
        let corner = self.middle.0.hypot(self.middle.1.max(f64::from(self.height) - self.middle.1));
        let middle = self.pixel(self.middle);
        let label = ("sans-serif", METRES_SIZE).into_font().color(&FAINT).pos(Pos::new(HPos::Center, VPos::Center));
        for metres in (1..).take_while(|metres| f64::from(*metres) * self.scale < corner) {
            let radius = (f64::from(metres) * self.scale).round() as i32;
            area.draw(&Circle::new(middle, radius, PALE.stroke_width(1)))?;
            let left = middle.0 - radius;
            if left > 20 {
                area.draw_text(&format!("{metres} m"), &label, (left, middle.1))?;
            }
        }
        Ok(())
    }

    /// A head that looks at the camera, between shoulders.
    fn draw_sitter(&self, area: &DrawingArea<SVGBackend, Shift>) -> Result<(), Box<dyn std::error::Error>> {
        let middle = self.pixel(self.middle);
        let part = |share: f64| (SITTER * self.scale * share).round().max(2.0) as i32;
        let shoulders = [(-1.0, -0.45), (1.0, -0.45), (1.0, 0.1), (-1.0, 0.1)];
        let shoulders = shoulders
            .map(|(x, y)| (middle.0 + (x * f64::from(part(1.0))) as i32, middle.1 + (y * f64::from(part(1.0))) as i32));
        area.draw(&Polygon::new(shoulders.to_vec(), PALE.filled()))?;
        area.draw(&Circle::new(middle, part(0.5), WHITE.filled()))?;
        area.draw(&Circle::new(middle, part(0.5), INK.stroke_width(2)))?;
        let nose = [(-part(0.14), part(0.46)), (part(0.14), part(0.46)), (0, part(0.75))];
        let nose: Vec<(i32, i32)> = nose.iter().map(|(x, y)| (middle.0 + x, middle.1 + y)).collect();
        area.draw(&Polygon::new(nose, INK.filled()))?;
        Ok(())
    }

    fn draw_thing(
        &self,
        thing: &Placed,
        area: &DrawingArea<SVGBackend, Shift>,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let turned = |corners: &[(f64, f64)]| self.turned(thing.place, corners);
        match thing.shape {
            Shape::Camera => {
                let body = [(-18.0, 0.0), (18.0, 0.0), (18.0, 20.0), (-18.0, 20.0)];
                let lens = [(-7.0, -10.0), (7.0, -10.0), (7.0, 0.0), (-7.0, 0.0)];
                area.draw(&Polygon::new(turned(&body), INK.filled()))?;
                area.draw(&Polygon::new(turned(&lens), INK.mix(0.6).filled()))?;
            }
            Shape::Light => {
                // The front, which the distance goes to, is the wide side.
                let front = [(-16.0, 0.0), (16.0, 0.0), (8.0, 13.0), (-8.0, 13.0)];
                let head = [(-5.0, 13.0), (5.0, 13.0), (5.0, 23.0), (-5.0, 23.0)];
                area.draw(&Polygon::new(turned(&front), RGBColor(0xf4, 0xc4, 0x4a).filled()))?;
                area.draw(&Polygon::new(turned(&head), INK.filled()))?;
                let edge = turned(&front);
                area.draw(&PathElement::new([&edge[..], &edge[..1]].concat(), INK.stroke_width(2)))?;
            }
            Shape::Passive(kind) => {
                let board = turned(&[(-20.0, 0.0), (20.0, 0.0), (20.0, 5.0), (-20.0, 5.0)]);
                let fill = match kind {
                    PassiveKind::Reflector => WHITE.filled(),
                    PassiveKind::Flag => INK.filled(),
                    PassiveKind::Scrim => PALE.filled(),
                };
                area.draw(&Polygon::new(board.clone(), fill))?;
                area.draw(&PathElement::new([&board[..], &board[..1]].concat(), INK.stroke_width(2)))?;
            }
        }
        Ok(())
    }

    /// Corners in pixels about a place: the first number along the front, the second away from the sitter.
    fn turned(&self, place: FloorPlace, corners: &[(f64, f64)]) -> Vec<(i32, i32)> {
        let (x, y) = self.drawn(place);
        let length = place.right.hypot(place.towards_camera);
        let (out_x, out_y) = (place.right / length, place.towards_camera / length);
        let corner =
            |(along, out): &(f64, f64)| self.pixel((x + along * out_y + out * out_x, y - along * out_x + out * out_y));
        corners.iter().map(corner).collect()
    }
}

/// Names beside their things, none over another.
#[derive(Default)]
struct Names {
    /// Left, top, width and height of what is taken.
    taken: Vec<(i32, i32, i32, i32)>,
}

impl Names {
    fn draw(
        &mut self,
        area: &DrawingArea<SVGBackend, Shift>,
        name: &str,
        (x, y): (i32, i32),
        right: f64,
    ) -> Result<(), Box<dyn std::error::Error>> {
        let name = shortened(&printable(name));
        let width = (name.chars().count() as f64 * LETTER).ceil() as i32;
        let (all_width, all_height) = (WIDTH as i32, area.dim_in_pixel().1 as i32);
        let beside = if right < 0.0 { x - 30 - width } else { x + 30 };
        let left = beside.clamp(2, (all_width - width - 2).max(2));
        let free = |top: &i32| {
            let rect = (left, *top, width, LINE);
            *top >= 2 && *top + LINE <= all_height - 2 && self.taken.iter().all(|other| !overlap(rect, *other))
        };
        let wanted = y - LINE / 2;
        // As far up and down as the drawing goes.
        let tops = (0..all_height / NUDGE).flat_map(|step| [wanted + step * NUDGE, wanted - step * NUDGE]);
        let top = { tops }.find(free).unwrap_or(wanted.clamp(2, all_height - LINE - 2));
        self.taken.push((left, top, width, LINE));
        let style = ("sans-serif", NAME_SIZE).into_font().color(&INK).pos(Pos::new(HPos::Left, VPos::Center));
        area.draw_text(&name, &style, (left, top + LINE / 2))?;
        Ok(())
    }
}

fn overlap(a: (i32, i32, i32, i32), b: (i32, i32, i32, i32)) -> bool {
    a.0 < b.0 + b.2 && b.0 < a.0 + a.2 && a.1 < b.1 + b.3 && b.1 < a.1 + a.3
}

fn shortened(name: &str) -> String {
    match name.char_indices().nth(LONGEST_NAME) {
        Some((end, _)) => format!("{}…", &name[..end]),
        None => name.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn light(metres: f64, degrees: f64) -> Placed {
        let place = FloorPlace::of(Metres::new(metres).unwrap(), Angle::new(degrees).unwrap());
        Placed { name: "key".to_owned(), shape: Shape::Light, place }
    }

    /// The fronts of the lights that a drawing shows, by their shape of four corners in the colour of light.
    fn fronts(svg: &str) -> Vec<[(f64, f64); 4]> {
        let polygons = svg.split("<polygon ").skip(1).filter(|polygon| polygon.contains("#F4C44A"));
        let corners = |polygon: &str| {
            let points = polygon.split_once("points=\"")?.1.split_once('"')?.0;
            let read: Vec<(f64, f64)> = points
                .split_whitespace()
                .filter_map(|pair| pair.split_once(','))
                .map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()))
                .collect();
            read.try_into().ok()
        };
        polygons.filter_map(corners).collect()
    }

    proptest! {
        /// CHECK: polar coordinates about the sitter: from the drawn front of a light, the distance and the angle that were typed.
        #[test]
        fn a_light_is_drawn_as_far_away_and_in_the_direction_that_was_typed(
            lights in prop::collection::vec((0.3_f64..8.0, -179.0_f64..180.0), 1..6),
        ) {
            let view = PlanView::fitted(lights.iter().map(|(metres, degrees)| light(*metres, *degrees)).collect(), Vec::new());
            let drawn = fronts(&view.svg());
            prop_assert_eq!(drawn.len(), lights.len());
            for (front, (metres, degrees)) in drawn.iter().zip(&lights) {
                // The middle of the wide side, which is its first two corners.
                let at = ((front[0].0 + front[1].0) / 2.0, (front[0].1 + front[1].1) / 2.0);
                let (right, towards) = (at.0 - view.middle.0, at.1 - view.middle.1);
                let pixels = metres * view.scale;
                prop_assert!((right.hypot(towards) - pixels).abs() < 1.5, "{right} {towards} is not {pixels}");
                let turned = (right.atan2(towards).to_degrees() - degrees + 540.0).rem_euclid(360.0) - 180.0;
                prop_assert!(turned.abs().to_radians() * pixels < 1.5, "{turned} degrees off at {pixels} pixels");
                prop_assert!((0.0..=f64::from(WIDTH)).contains(&at.0) && (0.0..=f64::from(view.height)).contains(&at.1));
            }
        }
    }

    #[test]
    fn names_do_not_lie_over_each_other_and_stay_on_the_drawing() {
        let mut lights: Vec<Placed> = (0..6).map(|n| light(1.2, 40.0 + f64::from(n) * 2.0)).collect();
        for (n, light) in lights.iter_mut().enumerate() {
            light.name = format!("a light with a long name, number {n}");
        }
        let view = PlanView::fitted(lights, Vec::new());
        let svg = view.svg();
        let texts: Vec<&str> = svg.split("<text ").skip(1).filter(|text| text.contains("a light")).collect();
        assert_eq!(texts.len(), 6);
        let y = |text: &str| text.split_once(" y=\"").unwrap().1.split('"').next().unwrap().parse::<f64>().unwrap();
        let mut heights: Vec<f64> = texts.iter().map(|text| y(text)).collect();
        heights.sort_by(f64::total_cmp);
        assert!(heights.windows(2).all(|pair| pair[1] - pair[0] >= 22.0), "{heights:?}");
        assert!(texts.iter().all(|text| text.contains('…')), "{texts:?}");
    }
}
