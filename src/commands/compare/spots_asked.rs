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
                "--spot '{text}' is no spot: write a name, its middle from the left and the top, and half its side, as parts of \
                 the frame's width and height, such as 'left eye:0.42,0.35,0.04'"
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
pub fn spots(typed: &[TypedSpot], config: &Config, reference: &Picture) -> Vec<(String, Area)> {
    let shape = reference.proxy.width as f64 / reference.proxy.height.max(1) as f64;
    if !typed.is_empty() {
        return typed.iter().filter_map(|spot| Some((spot.name.clone(), spot.area(shape)?))).take(MOST_CUTS).collect();
    }
    // The ready spots cover the frame, or are looked for in each: they are no places for looking at detail.
    let configured = config.spots.iter().filter_map(|spot| Some((spot.name.clone(), spot.area()?)));
    let places: Vec<(String, Area)> = configured.filter(|(_, area)| *area != Area::WHOLE).take(MOST_CUTS).collect();
    if places.is_empty() { most_textured(reference, TAKEN) } else { places }
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
