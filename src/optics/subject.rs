//! What is to be sharp: parts of a subject before and behind the point in focus, and how each is drawn at an aperture.

use super::OpticsError;
use super::depth_of_field::{blur_disk, depth_of_field, widest_sharp};
use super::diffraction::{airy_disk, overtaken_from};
use super::focus::Focus;
use super::length::{Depth, Micrometres, distance_in_words};
use super::sensor::CircleOfConfusion;
use crate::photometry::{FNumber, Metres, Series};
use crate::wording;

/// More of them are a mistake.
const MOST_PARTS: usize = 8;
const LONGEST_NAME: usize = 20;

/// A part of the subject that has a name.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    pub name: String,
    /// From the point in focus.
    pub depth: Depth,
}

/// A subject before a lens that is focused on one point of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Subject {
    focus: Focus,
    circle: CircleOfConfusion,
    parts: Vec<Part>,
}

/// How a subject is drawn at one aperture.
#[derive(Debug, Clone, PartialEq)]
pub struct Sharpness {
    /// Where sharpness begins, from the point in focus.
    pub near: Depth,
    /// Where it ends; `None` beyond a kilometre.
    pub far: Option<Depth>,
    /// Diameter of the blur disk of each part, in their order.
    pub blur: Vec<Micrometres>,
    /// Diameter of the Airy disk.
    pub airy: Micrometres,
}

impl Sharpness {
    /// From the beginning of sharpness to its end; `None` beyond a kilometre.
    pub fn total(&self) -> Option<Metres> {
        Metres::new(self.far?.metres() - self.near.metres())
    }

    pub fn total_in_words(&self) -> String {
        self.total().map_or_else(|| "more than 1 km".to_owned(), distance_in_words)
    }
}

impl Part {
    /// The tip of the nose and the ears of a face whose eyes are in focus (common practice, no source).
    pub fn of_a_face() -> Vec<Part> {
        let part = |name: &str, metres| Depth::new(metres).map(|depth| Part { name: name.to_owned(), depth });
        [part("nose", -0.03), part("ears", 0.1)].into_iter().flatten().collect()
    }

    /// From text such as `nose -3cm, ears 10cm`.
    ///
    /// # Errors
    /// A sentence where one has no name or no length, or shares its name with another.
    pub fn read_all(text: &str) -> Result<Vec<Part>, OpticsError> {
        let mut parts: Vec<Part> = Vec::new();
        for written in text.split(',') {
            let part = Part::read(written)?;
            if parts.iter().any(|p| p.name == part.name) {
                return Err(OpticsError::TwiceNamed(part.name));
            }
            parts.push(part);
        }
        if parts.len() > MOST_PARTS { Err(OpticsError::TooManyParts(MOST_PARTS)) } else { Ok(parts) }
    }

    fn read(written: &str) -> Result<Part, OpticsError> {
        let no_part = || OpticsError::NoPart(written.trim().to_owned());
        let at = written.find(|c: char| c.is_ascii_digit() || "+-.\u{2212}".contains(c)).ok_or_else(no_part)?;
        let (name, length) = written.split_at(at);
        let name = wording::name(name).filter(|name| name.chars().count() <= LONGEST_NAME).ok_or_else(no_part)?;
        Ok(Part { name: name.to_owned(), depth: length.parse()? })
    }
}

impl Subject {
    /// # Errors
    /// A part that lies at the lens or behind it.
    pub fn new(focus: Focus, circle: CircleOfConfusion, parts: Vec<Part>) -> Result<Subject, OpticsError> {
        match parts.iter().find(|part| distance_of(focus, part.depth).is_none()) {
            Some(part) => Err(OpticsError::BehindCamera { name: part.name.clone(), depth: part.depth }),
            None => Ok(Subject { focus, circle, parts }),
        }
    }

    pub fn focus(&self) -> Focus {
        self.focus
    }

    pub fn circle(&self) -> CircleOfConfusion {
        self.circle
    }

    pub fn parts(&self) -> &[Part] {
        &self.parts
    }

    /// How it is drawn at an aperture.
    pub fn at(&self, n: FNumber) -> Sharpness {
        let sharp = depth_of_field(self.focus, n, self.circle);
        let from_focus = |at: Metres| at.get() - self.focus.distance().get();
        Sharpness {
            // It lies between the lens and the point in focus, which is no farther than a kilometre.
            near: Depth::new(from_focus(sharp.near)).unwrap_or(Depth::ZERO),
            far: sharp.far.and_then(|far| Depth::new(from_focus(far))),
            blur: self.parts.iter().map(|part| self.blur(n, part.depth).unwrap_or(Micrometres(0.0))).collect(),
            airy: airy_disk(self.focus, n),
        }
    }

    /// The blur disk of a point at a depth; `None` at the lens and behind it.
    pub fn blur(&self, n: FNumber, depth: Depth) -> Option<Micrometres> {
        Some(blur_disk(self.focus, n, distance_of(self.focus, depth)?))
    }

    /// The widest marked aperture at which a part is sharp; `None` if none is narrow enough, or diffraction blurs it there.
    pub fn widest_for(&self, part: &Part, series: Series) -> Option<FNumber> {
        self.widest_for_all(&[distance_of(self.focus, part.depth)?], series)
    }

    /// The widest marked aperture at which all parts are sharp; `None` if none is narrow enough, or diffraction blurs them there.
    pub fn widest(&self, series: Series) -> Option<FNumber> {
        let at: Vec<Metres> = self.parts.iter().filter_map(|part| distance_of(self.focus, part.depth)).collect();
        self.widest_for_all(&at, series)
    }

    fn widest_for_all(&self, at: &[Metres], series: Series) -> Option<FNumber> {
        widest_sharp(self.focus, self.circle, at, series).filter(|n| self.circle.holds(airy_disk(self.focus, *n)))
    }

    /// The widest marked aperture whose Airy disk is wider than `limit`.
    pub fn diffraction_passes(&self, limit: Micrometres, series: Series) -> Option<FNumber> {
        overtaken_from(self.focus, limit, series)
    }
}

fn distance_of(focus: Focus, depth: Depth) -> Option<Metres> {
    Metres::new(focus.distance().get() + depth.metres())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::optics::{FocalLength, Sensor};
    use proptest::prelude::*;

    fn subject(parts: &str) -> Result<Subject, OpticsError> {
        let focus = Focus::new(FocalLength::new(85.0).unwrap(), Metres::new(1.8).unwrap()).unwrap();
        Subject::new(focus, CircleOfConfusion::usual(Sensor::FULL_FRAME), Part::read_all(parts).unwrap())
    }

    #[test]
    fn parts_are_read_by_name_and_depth() {
        let parts = Part::read_all("tip of the nose -3 cm, ears 10cm").unwrap();
        assert_eq!((parts[0].name.as_str(), parts[0].depth), ("tip of the nose", Depth::new(-0.03).unwrap()));
        assert_eq!(parts[1].depth.to_string(), "10 cm behind");
        assert_eq!(Part::read_all("nose -3cm, ears 10cm").unwrap(), Part::of_a_face());
        for (text, part) in [
            ("", "'ears 10cm'"),
            ("nose", "'ears 10cm'"),
            ("3cm", "'ears 10cm'"),
            ("nose -3", "no length"),
            ("nose -3cm,", "'ears 10cm'"),
            ("nose 1cm, nose 2cm", "twice"),
            ("a 1cm,b 1cm,c 1cm,d 1cm,e 1cm,f 1cm,g 1cm,h 1cm,i 1cm", "8"),
        ] {
            let said = Part::read_all(text).unwrap_err().to_string();
            assert!(said.contains(part), "{text}: {said}");
        }
    }

    #[test]
    fn what_is_sharp_lies_within_the_depth_of_field() {
        let face = subject("nose -3cm, ears 10cm").unwrap();
        let series = Series::Thirds;
        let widest = face.widest(series).unwrap();
        let [nose, ears] = face.parts() else { panic!("two parts") };
        assert_eq!(Some(widest), face.widest_for(ears, series));
        assert!(face.widest_for(nose, series).unwrap().av() < widest.av());
        let sharp = face.at(widest);
        assert!(sharp.near < nose.depth && sharp.far.unwrap() > ears.depth);
        assert!(sharp.blur.iter().all(|blur| face.circle().holds(*blur)));
        let total = sharp.far.unwrap().metres() - sharp.near.metres();
        assert!((sharp.total().unwrap().get() - total).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn no_text_is_more_than_refused(text in "[-+.0-9a-zµ×−, /]{0,24}") {
            let _ = (Part::read_all(&text), text.parse::<Sensor>(), crate::optics::read_distance(&text));
            if let Ok(length) = text.parse::<FocalLength>() {
                prop_assert!(length.millimetres().get() >= 1.0);
            }
        }

        /// What is within the limits is sharp, and what is beyond them isn't.
        #[test]
        fn the_limits_part_sharp_from_blurred(depth in -1.5_f64..5.0, mark in 0_usize..37) {
            let n = FNumber::new(FNumber::marks(Series::Thirds)[mark], None, Series::Thirds).unwrap();
            let face = subject("ears 10cm").unwrap();
            let sharp = face.at(n);
            let within = depth > sharp.near.metres() && sharp.far.is_none_or(|far| depth < far.metres());
            let blur = face.blur(n, Depth::new(depth).unwrap()).unwrap();
            prop_assert_eq!(face.circle().holds(blur), within);
        }
    }

    /// At f/22 its Airy disk is 31.9 µm wide, more than the circle of 28.8 µm.
    #[test]
    fn what_diffraction_blurs_is_not_called_sharp() {
        let far = subject("shoulders 20cm, wall 60cm").unwrap();
        let [shoulders, wall] = far.parts() else { panic!("two parts") };
        assert_eq!(far.widest_for(shoulders, Series::Thirds).unwrap().to_string(), "f/16");
        let by_depth_alone = widest_sharp(far.focus(), far.circle(), &[Metres::new(2.4).unwrap()], Series::Thirds);
        assert!(by_depth_alone.unwrap().marked() > 22.0);
        assert_eq!((far.widest_for(wall, Series::Thirds), far.widest(Series::Thirds)), (None, None));
    }

    #[test]
    fn nothing_behind_the_camera_is_a_part() {
        let said = subject("hand -2m").unwrap_err().to_string();
        assert!(said.contains("hand") && said.contains("camera"), "{said}");
    }
}
