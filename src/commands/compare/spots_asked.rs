//! Which spots sharpness is measured in: typed, configured, or the most textured places of the reference.

use crate::commands::exit::CommandError;
use crate::config::Config;
use crate::frame::{MOST_CUTS, Picture};
use crate::meter::Area;
use crate::sharpness::most_textured;
use crate::wording::name;

/// So many places are taken where nobody named any.
const TAKEN: usize = 4;

/// A spot as it is typed: NAME:X,Y,R.
#[derive(Debug, Clone, PartialEq)]
pub struct TypedSpot {
    name: String,
    middle: [f64; 2],
    /// Half its side, as a part of the frame's width.
    radius: f64,
}

impl TypedSpot {
    pub fn read(text: &str) -> Result<TypedSpot, CommandError> {
        let wrong = || {
            CommandError::WrongUse(format!(
                "--spot '{text}' is no spot: write a name, its middle from the left and the top, and half its side; across, and \
                 the half side, as parts of the frame's width, down as a part of its height, such as 'left eye:0.42,0.35,0.04'"
            ))
        };
        let (spot, numbers) = text.rsplit_once(':').ok_or_else(wrong)?;
        let numbers: Vec<f64> = numbers.split(',').map_while(|number| number.trim().parse().ok()).collect();
        let [x, y, radius] = *numbers.as_slice() else { return Err(wrong()) };
        let inside = [x, y].iter().all(|v| (0.0..=1.0).contains(v)) && radius > 0.0 && radius <= 0.5;
        let name = name(spot).filter(|_| inside && text.matches(',').count() == 2).ok_or_else(wrong)?;
        Ok(TypedSpot { name: name.to_owned(), middle: [x, y], radius })
    }

    /// Square in pixels, and as much of it as lies in a frame of that shape (width over height).
    fn area(&self, shape: f64) -> Option<Area> {
        let ([x, y], across, down) = (self.middle, self.radius, self.radius * shape);
        Area::new((x - across).max(0.0), (y - down).max(0.0), (x + across).min(1.0), (y + down).min(1.0))
    }
}

/// Names and places in the reference.
///
/// # Errors
/// More spots than are cut out of one frame, or two of one name.
pub fn spots(typed: &[TypedSpot], config: &Config, reference: &Picture) -> Result<Vec<(String, Area)>, CommandError> {
    let shape = reference.proxy.width as f64 / reference.proxy.height.max(1) as f64;
    if !typed.is_empty() {
        return checked(typed.iter().filter_map(|spot| Some((spot.name.clone(), spot.area(shape)?))).collect());
    }
    // The ready spots cover the frame, or are looked for in each: they are no places for looking at detail.
    let configured = config.placed_spots().filter(|(_, area)| *area != Area::WHOLE);
    let places: Vec<(String, Area)> = configured.map(|(name, area)| (name.to_owned(), area)).collect();
    if places.is_empty() { Ok(most_textured(reference, TAKEN)) } else { checked(places) }
}

fn checked(places: Vec<(String, Area)>) -> Result<Vec<(String, Area)>, CommandError> {
    if places.len() > MOST_CUTS {
        let count = places.len();
        return Err(CommandError::WrongUse(format!(
            "sharpness is measured in {MOST_CUTS} spots at most, and these are {count}: name fewer with --spot"
        )));
    }
    let twice = places.iter().enumerate().find(|(at, (name, _))| places[..*at].iter().any(|(other, _)| other == name));
    match twice {
        Some((_, (name, _))) => {
            Err(CommandError::WrongUse(format!("two spots are named '{name}': give each a name of its own")))
        }
        None => Ok(places),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_typed_spot_is_square_in_pixels_and_within_the_frame() {
        let spot = TypedSpot::read("left eye:0.4,0.02,0.05").unwrap();
        assert_eq!(spot.name, "left eye");
        let area = spot.area(1.5).unwrap();
        assert!((area.left - 0.35).abs() < 1e-12 && area.top == 0.0 && (area.bottom - 0.095).abs() < 1e-12, "{area:?}");
    }

    #[test]
    fn too_many_spots_and_two_of_one_name_are_refused() {
        let places = |names: Vec<String>| checked(names.into_iter().map(|name| (name, Area::WHOLE)).collect());
        let numbered = |count: usize| (0..count).map(|at| format!("spot {at}")).collect::<Vec<String>>();
        assert_eq!(places(numbered(MOST_CUTS)).unwrap().len(), MOST_CUTS);
        let why = places(numbered(40)).unwrap_err().to_string();
        assert!(why.contains("32 spots at most, and these are 40"), "{why}");
        let why = places(vec!["eye".to_owned(), "ear".to_owned(), "eye".to_owned()]).unwrap_err().to_string();
        assert!(why.contains("two spots are named 'eye'"), "{why}");
    }

    #[test]
    fn what_is_no_spot_is_refused_with_an_example() {
        for text in [
            "",
            "eye",
            "eye:",
            "eye:1,2",
            "eye:0.1,0.2,x",
            "eye:0.1,0.2,0",
            "eye:0.1,1.2,0.1",
            ":0.1,0.2,0.1",
            "e:0.1,0.2,0.1,4",
        ] {
            let why = TypedSpot::read(text).unwrap_err().to_string();
            assert!(why.contains("left eye:0.42,0.35,0.04"), "{text}: {why}");
        }
    }
}
