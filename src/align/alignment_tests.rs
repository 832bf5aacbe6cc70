//! Two pictures of a made-up scene, framed and exposed as each test wants it.

use std::sync::Arc;

use proptest::prelude::*;

use super::{Alignment, CodePicture, MatchedPatch, Overlay, Prepared};
use crate::frame::{Colour, Picture, Proxy};
use crate::response::{srgb_decode, srgb_encode};

/// A picture of the scene: its size in pixels, where its middle lies in the scene, and what the scene is seen as there.
#[derive(Debug, Clone, Copy)]
struct View {
    size: [usize; 2],
    middle: [f64; 2],
    zoom: f64,
    /// Clockwise, in degrees.
    turn: f64,
    stops: f64,
}

/// As many pixels as a picture keeps, so that pixels of one are pixels of the other.
const USUAL: View = View { size: [384, 256], middle: [1000.0, 1000.0], zoom: 1.0, turn: 0.0, stops: 0.0 };

impl View {
    fn shifted(self, [right, down]: [f64; 2]) -> View {
        View { middle: [self.middle[0] - right, self.middle[1] - down], ..self }
    }

    /// Where a pixel's place lies in the scene.
    fn in_scene(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [width, height] = self.size.map(|side| side as f64);
        let (right, down) = ((x - width / 2.0) / self.zoom, (y - height / 2.0) / self.zoom);
        let (sine, cosine) = self.turn.to_radians().sin_cos();
        [self.middle[0] + cosine * right + sine * down, self.middle[1] - sine * right + cosine * down]
    }

    fn light(&self) -> Vec<f64> {
        let [width, height] = self.size;
        let places = (0..height).flat_map(|y| (0..width).map(move |x| [x as f64 + 0.5, y as f64 + 0.5]));
        places.map(|place| scene(self.in_scene(place)) * self.stops.exp2()).collect()
    }

    fn prepared(&self) -> Prepared {
        let codes = self.light().into_iter().map(|light| [code(light); 3]).collect();
        prepared(self.size, codes)
    }

    /// With another view before it, as a sitter stands before a backdrop: within a box of the picture, in pixels.
    fn behind(&self, sitter: &View, corner: [usize; 2], size: [usize; 2]) -> Prepared {
        let (mut light, before, width) = (self.light(), sitter.light(), self.size[0]);
        for y in corner[1]..corner[1] + size[1] {
            let line = y * width + corner[0]..y * width + corner[0] + size[0];
            light[line.clone()].copy_from_slice(&before[line]);
        }
        prepared(self.size, light.into_iter().map(|light| [code(light); 3]).collect())
    }

    fn mirrored(&self) -> Prepared {
        let codes: Vec<[u8; 3]> = self.light().into_iter().map(|light| [code(light); 3]).collect();
        prepared(self.size, codes.chunks(self.size[0]).flat_map(|line| line.iter().rev().copied()).collect())
    }
}

fn code(light: f64) -> u8 {
    (srgb_encode(light.clamp(0.0, 1.0)) * 255.0).round() as u8
}

fn prepared([width, height]: [usize; 2], rgb: Vec<[u8; 3]>) -> Prepared {
    let picture = Picture { proxy: Proxy { width, height, rgb }, colour: Colour::of(None, None), linear: None };
    Prepared::of(&Arc::new(CodePicture::of(&picture)))
}

/// Light of a place, clipped nowhere a stop up or down: blots of several sizes, and a grid that nothing repeats.
fn scene([x, y]: [f64; 2]) -> f64 {
    let octaves = [(61.0, 1.1), (23.0, 0.9), (9.0, 0.6)];
    let stops: f64 = octaves.iter().map(|(size, stops)| stops * blots(x / size, y / size, *size as u64)).sum();
    0.12 * stops.exp2()
}

/// From -1 to 1, smooth between whole places.
fn blots(x: f64, y: f64, seed: u64) -> f64 {
    let at = |right: f64, down: f64| {
        let mut z = (x.floor() + right) as i64 as u64 ^ ((y.floor() + down) as i64 as u64) << 20 ^ seed << 40;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z >> 40) as f64 / (1_u64 << 23) as f64 - 1.0
    };
    let smooth = |part: f64| part * part * (3.0 - 2.0 * part);
    let (beside, below) = (smooth(x - x.floor()), smooth(y - y.floor()));
    let between = |a: f64, b: f64, part: f64| a + (b - a) * part;
    between(between(at(0.0, 0.0), at(1.0, 0.0), beside), between(at(0.0, 1.0), at(1.0, 1.0), beside), below)
}

fn laid(reference: &View, frame: &View) -> Alignment {
    matched(Overlay::of(&reference.prepared(), &frame.prepared()))
}

fn matched(overlay: Overlay) -> Alignment {
    match overlay {
        Overlay::Matched(alignment) => alignment,
        other => panic!("one scene is told as {other:?}"),
    }
}

/// In stops.
fn change(patch: &MatchedPatch) -> f64 {
    let [then, now] = patch.codes.map(|code| srgb_decode(f64::from(code) / 255.0));
    (now / then).log2()
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// How far from the truth the middles of the found patches lie, in pixels of the frame.
fn off(alignment: &Alignment, reference: &View, frame: &View) -> Vec<f64> {
    let in_pixels =
        |view: &View, [x, y]: [f32; 2]| [f64::from(x) * view.size[0] as f64, f64::from(y) * view.size[1] as f64];
    let off = alignment.found().map(|patch| {
        let wanted = reference.in_scene(in_pixels(reference, patch.at));
        let found = frame.in_scene(in_pixels(frame, patch.to));
        (wanted[0] - found[0]).hypot(wanted[1] - found[1]) * frame.zoom
    });
    let mut off: Vec<f64> = off.collect();
    off.sort_by(f64::total_cmp);
    off
}

/// CHECK: the truth of made-up pictures. Nearly all patches lie where they should; a zoom makes them less exact.
fn assert_found(alignment: &Alignment, reference: &View, frame: &View) {
    let off = off(alignment, reference, frame);
    let (half, nearly_all) = (off[off.len() / 2], off[off.len() * 95 / 100]);
    let most = if frame.zoom == 1.0 { [0.25, 0.5] } else { [0.5, 1.2] };
    assert!(half < most[0] && nearly_all < most[1], "off by {half} and {nearly_all} pixels: {reference:?} {frame:?}");
}

#[test]
fn a_picture_laid_over_itself_is_the_same_everywhere() {
    let alignment = laid(&USUAL, &USUAL);
    assert!(alignment.share > 0.99, "{}", alignment.share);
    let moved = alignment.moved;
    let most = [moved.right, moved.down, moved.zoom - 1.0, moved.turn.to_radians()].map(f64::abs);
    assert!(most.iter().all(|by| *by < 1e-4), "{moved:?}");
    assert!(!alignment.is_mirrored);
    for patch in alignment.found() {
        assert!((patch.codes[0] - patch.codes[1]).abs() < 0.1, "{patch:?}");
        assert_eq!(patch.colours[0], patch.colours[1]);
    }
}

#[test]
fn a_mirrored_frame_is_told_and_its_patches_lie_where_they_are() {
    let frame = USUAL.shifted([20.0, -12.0]);
    let alignment = matched(Overlay::of(&USUAL.prepared(), &frame.mirrored()));
    assert!(alignment.is_mirrored);
    let mut unmirrored = alignment.clone();
    unmirrored.patches.iter_mut().flatten().for_each(|patch| patch.to[0] = 1.0 - patch.to[0]);
    assert_found(&unmirrored, &USUAL, &frame);
    assert!((alignment.moved.right + 20.0 / 384.0).abs() < 0.002, "{:?}", alignment.moved);
    assert!((alignment.moved.down + 12.0 / 256.0).abs() < 0.003, "{:?}", alignment.moved);
}

/// CHECK: the truth of made-up pictures.
#[test]
fn what_a_sitter_who_moved_covers_is_not_seen() {
    let sitter = View { middle: [5000.0, 5000.0], ..USUAL };
    let reference = USUAL.behind(&sitter, [40, 60], [120, 160]);
    let stays = matched(Overlay::of(
        &reference,
        &USUAL.shifted([9.0, 5.0]).behind(&sitter.shifted([9.0, 5.0]), [49, 65], [120, 160]),
    ));
    assert!(stays.moved_as_one());
    let turned = |by: f64| View { turn: by, ..USUAL };
    for by in [-5.0, 5.0] {
        assert!(laid(&USUAL, &turned(by)).moved_as_one(), "the camera was turned by {by} degrees");
    }
    let moved = matched(Overlay::of(&reference, &USUAL.behind(&sitter.shifted([110.0, 0.0]), [150, 60], [120, 160])));
    assert!(!moved.moved_as_one());
    let shows = |[x, y]: [f64; 2]| moved.followed_beside([x / 384.0, y / 256.0]);
    assert!(shows([100.0, 140.0]), "the sitter, who stands elsewhere");
    assert!(shows([350.0, 140.0]), "the backdrop beside");
    assert!(!shows([250.0, 140.0]), "the backdrop where the sitter stands now");
}

#[test]
fn upright_is_laid_over_wide() {
    let upright = View { size: [256, 384], ..USUAL };
    for (reference, frame) in [(USUAL, upright), (upright, USUAL)] {
        let alignment = laid(&reference, &frame);
        assert_found(&alignment, &reference, &frame);
        // Two thirds of the reference are in the frame.
        let found = alignment.found().count() as f64 / alignment.patches.len() as f64;
        assert!((0.5..0.67).contains(&found), "{found}");
    }
}

#[test]
fn another_part_of_the_scene_is_another_scene() {
    let elsewhere = View { middle: [5000.0, 5000.0], ..USUAL };
    let overlay = Overlay::of(&USUAL.prepared(), &elsewhere.prepared());
    assert!(matches!(overlay, Overlay::OtherScene), "{:?}", overlay.alignment().map(|alignment| alignment.share));
}

fn view() -> impl Strategy<Value = View> {
    (-50.0..50.0, -35.0..35.0, 0.8..1.25, -6.0..6.0, -1.0..1.0).prop_map(|(right, down, zoom, turn, stops)| View {
        zoom,
        turn,
        stops,
        ..USUAL.shifted([right, down])
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// Whatever its framing and exposure, and its light is what it is.
    #[test]
    fn a_frame_of_the_scene_is_laid_over_it(frame in view()) {
        let alignment = laid(&USUAL, &frame);
        assert_found(&alignment, &USUAL, &frame);
        let light = median(alignment.found().map(change));
        prop_assert!((light - frame.stops).abs() < 0.02, "{light} {frame:?}");
        let moved = alignment.moved;
        prop_assert!((moved.zoom - frame.zoom).abs() < 0.01 && (moved.turn - frame.turn).abs() < 0.5, "{moved:?} {frame:?}");
    }

    /// Codes are whole, and zooms blur: the two ways agree to a hundredth and a half of a stop.
    #[test]
    fn turned_about_light_changes_by_as_much_the_other_way(frame in view()) {
        let (there, back) = (laid(&USUAL, &frame), laid(&frame, &USUAL));
        let (there, back) = (median(there.found().map(change)), median(back.found().map(change)));
        prop_assert!((there + back).abs() < 0.015, "{there} {back}");
    }

    #[test]
    fn one_shift_after_another_is_their_sum(
        first in [-40.0..40.0, -25.0..25.0], second in [-40.0..40.0, -25.0..25.0],
    ) {
        let between = USUAL.shifted(first);
        let last = between.shifted(second);
        let (whole, parts) = (laid(&USUAL, &last), [laid(&USUAL, &between), laid(&between, &last)]);
        let right = parts[0].moved.right + parts[1].moved.right - whole.moved.right;
        let down = parts[0].moved.down + parts[1].moved.down - whole.moved.down;
        prop_assert!(right.abs() * 384.0 < 0.5 && down.abs() * 256.0 < 0.5, "{right} {down}");
        assert_found(&whole, &USUAL, &last);
    }

    /// Places don't depend on how much light there is.
    #[test]
    fn an_exposure_moves_nothing(stops in -1.0..1.0, right in -30.0..30.0) {
        let frame = USUAL.shifted([right, 0.0]);
        let (plain, exposed) = (laid(&USUAL, &frame), laid(&USUAL, &View { stops, ..frame }));
        let both = plain.patches.iter().zip(&exposed.patches);
        let both: Vec<_> = both.filter_map(|(plain, exposed)| Some((plain.as_ref()?.to, exposed.as_ref()?.to))).collect();
        prop_assert!(both.len() as f64 > 0.9 * plain.found().count() as f64);
        let off = median(both.iter().map(|(a, b)| f64::from((a[0] - b[0]).hypot(a[1] - b[1])) * 384.0));
        prop_assert!(off < 0.2, "{off}");
    }
}

fn all_numbers(alignment: &Alignment) -> bool {
    let moved = [alignment.moved.right, alignment.moved.down, alignment.moved.zoom, alignment.moved.turn];
    let of_patch = |patch: &MatchedPatch| [patch.at, patch.to, patch.codes].concat();
    moved.iter().all(|v| v.is_finite())
        && (0.0..=1.0).contains(&alignment.share)
        && alignment.patches.len() == alignment.columns * alignment.rows
        && alignment.found().flat_map(of_patch).all(f32::is_finite)
}

/// What a photographer's pictures aren't.
fn strange() -> impl Strategy<Value = Prepared> {
    let size = prop_oneof![
        Just([0, 0]),
        Just([0, 700]),
        Just([1, 1]),
        (1_usize..900).prop_map(|n| [1, n]),
        (1_usize..900).prop_map(|n| [n, 1]),
        [1_usize..40, 1_usize..40],
        [200_usize..500, 150_usize..400],
    ];
    (size, 0..6, any::<u32>()).prop_map(|(size, kind, seed)| {
        let mut random = seed | 1;
        let mut noise = || {
            random = random.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (random >> 24) as u8
        };
        let pixels = size[0] * size[1];
        let rgb = match kind {
            0 => vec![[0; 3]; pixels],
            1 => vec![[255; 3]; pixels],
            2 => vec![[seed as u8, (seed >> 8) as u8, (seed >> 16) as u8]; pixels],
            3 => (0..pixels).map(|_| [noise(), noise(), noise()]).collect(),
            4 => (0..pixels).map(|at| [if at / 16 % 2 == 0 { 0 } else { 255 }; 3]).collect(),
            _ => View { size, ..USUAL }.light().into_iter().map(|light| [code(light); 3]).collect(),
        };
        prepared(size, rgb)
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn no_picture_gives_what_is_no_number(one in strange(), other in strange()) {
        let scene = USUAL.prepared();
        for (reference, frame) in [(&one, &other), (&one, &scene), (&scene, &one), (&one, &one)] {
            if let Overlay::Matched(alignment) = Overlay::of(reference, frame) {
                prop_assert!(all_numbers(&alignment), "{alignment:?}");
            }
        }
    }
}

#[test]
fn flat_black_and_white_pictures_are_too_plain() {
    for code in [0, 90, 255] {
        let flat = prepared([384, 256], vec![[code; 3]; 384 * 256]);
        assert_eq!(Overlay::of(&USUAL.prepared(), &flat), Overlay::TooPlain);
        assert_eq!(Overlay::of(&flat, &USUAL.prepared()), Overlay::TooPlain);
    }
}
