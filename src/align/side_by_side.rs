//! Two files of one exposure, a raw file and its picture: they show the same framing, so that their parts need not be looked
//! for.

use super::code_picture::CodePicture;
use super::plane::Plane;

/// Parts along the long side, where the pictures have as many pixels.
const PARTS: usize = 64;

/// The mean codes of the same parts of both, row by row; those in which either is burnt out are left out.
pub fn side_by_side(one: &CodePicture, other: &CodePicture) -> Vec<[f64; 2]> {
    let [width, height] = [one.width().min(other.width()), one.height().min(other.height())];
    let coarser = (PARTS as f64 / width.max(height) as f64).min(1.0);
    let [columns, rows] = [width, height].map(|side| ((side as f64 * coarser).round() as usize).max(1));
    let parts = |picture: &CodePicture| {
        let codes = picture.codes();
        let burnt = codes.map(|code| f32::from(u8::from(code >= 255.0)));
        (codes.shrunk(columns, rows), burnt.shrunk(columns, rows))
    };
    let ((one, one_burnt), (other, other_burnt)) = (parts(one), parts(other));
    let is_whole = |(at, _): &(usize, [f64; 2])| one_burnt.values[*at] == 0.0 && other_burnt.values[*at] == 0.0;
    let both = one.values.iter().zip(&other.values).map(|(one, other)| [f64::from(*one), f64::from(*other)]);
    both.enumerate().filter(is_whole).map(|(_, codes)| codes).collect()
}

impl CodePicture {
    /// The code of each pixel's luminance.
    fn codes(&self) -> Plane {
        let (width, height) = (self.width(), self.height());
        let values =
            (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| self.code_at(x, y)).collect();
        Plane { width, height, values }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy};

    /// A ramp with a lamp in it, at any size.
    fn picture(width: usize, height: usize, brighter: f64) -> CodePicture {
        let code = |x: usize, y: usize| {
            let (u, v) = ((x as f64 + 0.5) / width as f64, (y as f64 + 0.5) / height as f64);
            let is_lamp = (0.8..0.9).contains(&u) && v < 0.2;
            [if is_lamp { 255 } else { (20.0 + 150.0 * u + 30.0 * v + brighter) as u8 }; 3]
        };
        let rgb = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| code(x, y)).collect();
        CodePicture::of(&Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None })
    }

    /// However many pixels each has: a part of the one is that part of the other.
    #[test]
    fn the_same_parts_are_read_in_files_of_any_size() {
        let parts = side_by_side(&picture(240, 160, 0.0), &picture(750, 500, 20.0));
        assert!(parts.len() > 2_600 && parts.len() < 64 * 43, "the lamp is left out: {}", parts.len());
        assert!(parts.iter().all(|[one, other]| (other - one - 20.0).abs() < 3.0), "{parts:?}");
    }

    #[test]
    fn pictures_of_a_line_and_of_a_pixel_have_parts() {
        assert_eq!(side_by_side(&picture(1, 1, 0.0), &picture(1, 1, 9.0)).len(), 1);
        assert!(!side_by_side(&picture(200, 1, 0.0), &picture(1, 200, 0.0)).is_empty());
    }
}
