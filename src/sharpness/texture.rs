//! Where in a frame there is anything to measure sharpness by, where nobody named spots.

use crate::frame::{Ends, Picture};
use crate::meter::Area;

/// Side of a place, as a part of the frame's long side.
const SIDE: f64 = 0.1;
/// A place must not be burnt out in more than this part.
const BURNT: f64 = 0.01;
/// Darker ones hold more noise than texture.
const DARKEST: f32 = 0.01;

const ROWS: [&str; 3] = ["top", "middle", "bottom"];
const COLUMNS: [&str; 3] = ["left", "", "right"];

/// The most textured places, each in another ninth of the frame and named by that ('top left'), the most textured first.
pub fn most_textured(picture: &Picture, count: usize) -> Vec<(String, Area)> {
    let (width, height) = (picture.proxy.width, picture.proxy.height);
    let light: Vec<f32> = picture.luminance().collect();
    let ends = Ends::of(picture);
    let side = ((width.max(height) as f64 * SIDE) as usize).max(2).min(width).min(height);
    let step = (side / 2).max(1);
    let mut best: [Option<(f64, [usize; 2])>; 9] = [None; 9];
    for top in (0..=height - side).step_by(step) {
        for left in (0..=width - side).step_by(step) {
            let Some(texture) = texture(picture, &light, ends, [left, top], side) else { continue };
            let ninth = |middle: usize, of: usize| (middle * 3 / of.max(1)).min(2);
            let best = &mut best[ninth(top + side / 2, height) * 3 + ninth(left + side / 2, width)];
            if best.is_none_or(|(most, _)| texture > most) {
                *best = Some((texture, [left, top]));
            }
        }
    }
    let mut places: Vec<(usize, f64, [usize; 2])> =
        best.iter().enumerate().filter_map(|(ninth, best)| best.map(|(texture, at)| (ninth, texture, at))).collect();
    places.sort_by(|a, b| b.1.total_cmp(&a.1));
    let part = |at: usize, of: usize| at as f64 / of as f64;
    let area = |[left, top]: [usize; 2]| {
        Area::new(part(left, width), part(top, height), part(left + side, width), part(top + side, height))
    };
    places.into_iter().filter_map(|(ninth, _, at)| Some((name(ninth), area(at)?))).take(count).collect()
}

fn name(ninth: usize) -> String {
    format!("{} {}", ROWS[ninth / 3], COLUMNS[ninth % 3]).trim_end().to_owned()
}

/// Mean step from pixel to pixel as a part of the mean light; `None` where it is burnt out or dark.
fn texture(picture: &Picture, light: &[f32], ends: Ends, [left, top]: [usize; 2], side: usize) -> Option<f64> {
    let width = picture.proxy.width;
    let (mut steps, mut sum, mut burnt) = (0.0_f32, 0.0_f32, 0_usize);
    for row in top..top + side {
        let at = row * width + left;
        let line = &light[at..at + side];
        sum += line.iter().sum::<f32>();
        steps += line.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum::<f32>();
        burnt += picture.proxy.rgb[at..at + side].iter().filter(|rgb| ends.burn_out(rgb)).count();
    }
    let all = (side * side) as f32;
    let is_sound = burnt as f32 <= BURNT as f32 * all && sum / all >= DARKEST;
    is_sound.then(|| f64::from(steps / sum))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Proxy};

    #[test]
    fn a_narrow_strip_has_places_too() {
        let rgb = (0..400 * 20).map(|at| [90 + (at % 2 * 60) as u8; 3]).collect();
        let proxy = Proxy { width: 400, height: 20, rgb };
        assert!(!most_textured(&Picture { proxy, colour: Colour::of(None, None), linear: None }, 2).is_empty());
    }

    #[test]
    fn places_are_where_the_texture_is_and_not_where_it_is_burnt_out() {
        let (width, height) = (300, 200);
        let code = |x: usize, y: usize| match (x * 3 / width, y * 3 / height) {
            (0, 0) => 90 + (x % 2 * 60) as u8,
            (2, 2) => 90 + (x % 2 * 20) as u8,
            (1, 1) => 255 - (x % 2 * 2) as u8,
            _ => 110,
        };
        let rgb = (0..height).flat_map(|y| (0..width).map(move |x| [code(x, y); 3])).collect();
        let picture = Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None };
        let places = most_textured(&picture, 2);
        assert_eq!(places.iter().map(|(name, _)| name.as_str()).collect::<Vec<_>>(), ["top left", "bottom right"]);
        assert!(places[0].1.right <= 0.4 && places[0].1.bottom <= 0.4, "{places:?}");
    }
}
