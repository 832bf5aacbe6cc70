//! Where the scene of a reference lies in another frame, patch by patch, and whether it is the same scene at all.

use super::motion::{Match, Motion, Place, within};
use super::net::{Net, PATCHES_APART};
use super::patches::{Field, Pair};
use super::prepared::Prepared;
use super::{features, motion};
use crate::response::TRUSTED;

/// What comes of laying a frame over its reference.
#[derive(Debug, Clone, PartialEq)]
pub enum Overlay {
    /// Both show one scene.
    Matched(Alignment),
    /// One of them shows too little to tell: a plain wall, or a frame that is nearly black or white.
    TooPlain,
    /// Both show enough, and nothing of the one is found in the other.
    OtherScene,
}

/// How the scene of a reference lies in a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Alignment {
    pub columns: usize,
    pub rows: usize,
    /// Of each patch of the reference, row by row; `None` where it isn't found in the frame.
    pub patches: Vec<Option<MatchedPatch>>,
    /// Share of the patches that show where they lie, and lie in both pictures, that were found.
    pub share: f64,
    /// Share of what the frame shows that the reference shows, too, about.
    pub covers: f64,
    pub moved: Moved,
    /// Width and height of the reference and of the frame, in pixels of their small pictures.
    pub sides: [[f32; 2]; 2],
    /// The frame is the scene as a mirror shows it.
    pub is_mirrored: bool,
}

/// One part of the scene in both pictures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MatchedPatch {
    /// Its middle, in fractions of the reference's width and height, and of the frame's.
    pub at: [f32; 2],
    pub to: [f32; 2],
    /// Its codes in the reference and in the frame, the means over its pixels; the scale's end where it is largely clipped.
    pub codes: [f32; 2],
    /// Codes of red, green and blue in both.
    pub colours: [[u8; 3]; 2],
    /// How far its codes deviate from their mean, as a part of that, in both.
    pub spreads: [f32; 2],
    /// It was followed there and back; else it is flat in both, and taken to lie where those about it lead.
    pub is_followed: bool,
}

impl MatchedPatch {
    fn is_flat(&self) -> bool {
        self.spreads.iter().all(|spread| *spread <= FLAT)
    }
}

/// How the scene as a whole lies in the frame.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Moved {
    /// Of the reference's middle, in fractions of the frame's width and height; to the right and downwards is positive.
    pub right: f64,
    pub down: f64,
    /// How much larger it is in the frame; 1 is the same size.
    pub zoom: f64,
    /// Clockwise, in degrees.
    pub turn: f64,
}

/// A picture with fewer patches that show where they lie is too plain.
const FEWEST_TEXTURED: usize = 20;
/// One scene shares at least this much, and two scenes at most that. Pairs of 90 unlike photographs shared 0.054 at most (before
/// patches had to agree, which makes it less); sitters who moved while a light was out 0.58 at least, before a plain backdrop 0.137.
const ONE_SCENE: f64 = 0.10;
const OTHER_SCENES: f64 = 0.07;
const FEWEST_FOUND: usize = 12;
/// A picture that shows so much, be it edges only, shows some scene.
const DRAWN: f64 = 0.05;
/// Of one that is burnt out in so large a part nobody can say what it shows.
const BURNT: f64 = 0.3;
/// A patch counts when so many of those about it moved as it did, to so many pixels: what is alike by chance lies anywhere.
const AGREEING: usize = 2;
const AGREE: f32 = 2.0;
/// A flat part moves as what is no more than this many patches away; beyond that, as the whole.
const FLAT_PARTS: usize = 6;
/// A patch whose codes deviate by no more than this part of their mean is flat: about a tenth of a stop.
const FLAT: f32 = 0.035;
/// A flat patch counts where a textured one was followed no more than this many patches away.
const AMONG: usize = 2;

impl Overlay {
    /// Lays a frame over its reference. One that shows another scene is looked at in a mirror, too.
    pub fn of(reference: &Prepared, frame: &Prepared) -> Overlay {
        match Overlay::of_upright(reference, frame) {
            Overlay::OtherScene => {
                let mirrored = Prepared::of(&frame.picture().mirrored());
                match Overlay::of_upright(reference, &mirrored) {
                    Overlay::Matched(alignment) => Overlay::Matched(alignment.mirrored()),
                    other => other,
                }
            }
            upright => upright,
        }
    }

    /// Without a look into a mirror.
    pub fn of_upright(reference: &Prepared, frame: &Prepared) -> Overlay {
        let followed = Followed::of(reference, frame);
        let [textured, in_frame] =
            [reference, frame].map(|of| of.textured.iter().filter(|is_textured| **is_textured).count());
        let found = followed.sure.iter().filter(|sure| **sure).count();
        let is_burnt = reference.burnt.max(frame.burnt) >= BURNT;
        if textured.min(in_frame) < FEWEST_TEXTURED {
            // What shows where it lies is not there any more, and something else is.
            let is_other = found == 0
                && textured.max(in_frame) >= FEWEST_TEXTURED
                && reference.drawn.min(frame.drawn) >= DRAWN
                && !is_burnt;
            return if is_other { Overlay::OtherScene } else { Overlay::TooPlain };
        }
        // Nobody knows yet how much of one lies in the other.
        let share = found as f64 / textured.min(in_frame) as f64;
        if share < OTHER_SCENES {
            return if is_burnt { Overlay::TooPlain } else { Overlay::OtherScene };
        }
        if share < ONE_SCENE || found < FEWEST_FOUND {
            return Overlay::TooPlain;
        }
        Overlay::Matched(followed.measured(reference, frame, found))
    }

    pub fn alignment(&self) -> Option<&Alignment> {
        match self {
            Overlay::Matched(alignment) => Some(alignment),
            Overlay::TooPlain | Overlay::OtherScene => None,
        }
    }
}

/// Where each patch of the reference was followed to.
struct Followed {
    net: Net,
    motions: Vec<Option<Motion>>,
    /// Those that show where they lie, and were followed.
    sure: Vec<bool>,
}

impl Followed {
    fn of(reference: &Prepared, frame: &Prepared) -> Followed {
        let pairs = features::matches(&reference.features, &frame.features);
        let [width, height] = reference.size();
        let there = motion::motions(&pairs, [width / 2.0, height / 2.0], width.max(height));
        let back: Vec<Motion> = there.iter().map(Motion::inverse).collect();
        let there = Field::of(&reference.half, &frame.half, &there);
        let back = Field::of(&frame.half, &reference.half, &back);
        let pair = Pair { from: &reference.full, to: &frame.full, there: &there, back: &back };
        let net = reference.net();
        let motions: Vec<Option<Motion>> = net.places().map(|place| pair.follow(place)).collect();
        let is_sure = |at: usize| reference.textured[at] && agreeing(&net, &motions, at) >= AGREEING;
        let sure = (0..net.len()).map(is_sure).collect();
        Followed { net, motions, sure }
    }

    fn measured(&self, reference: &Prepared, frame: &Prepared, found: usize) -> Alignment {
        let most = self.most_shared(reference.size());
        let measured = |at: usize| {
            let place = self.net.place(at);
            let counts = self.sure[at] || (!reference.textured[at] && self.lies_among(at));
            match self.motions[at].filter(|_| counts) {
                Some(motion) => measure(reference, frame, place, &motion),
                None if reference.textured[at] => None,
                // Where it lies in a flat part matters little, if that is flat in both pictures.
                None => {
                    let motion = self.motion_near(at).unwrap_or(most);
                    let patch = measure(reference, frame, place, &motion).filter(MatchedPatch::is_flat)?;
                    Some(MatchedPatch { is_followed: false, ..patch })
                }
            }
        };
        let (columns, rows) = (self.net.columns, self.net.rows);
        let patches: Vec<Option<MatchedPatch>> = (0..self.net.len()).map(measured).collect();
        let moved = Moved::of(&most, reference.size(), frame.size());
        let textured = (0..self.net.len()).filter(|at| reference.textured[*at]);
        let in_both = textured.filter(|at| lies_in(frame.size(), most.of(self.net.place(*at)))).count();
        let in_frame = frame.textured.iter().filter(|is_textured| **is_textured).count();
        let share = found as f64 / in_both.min(in_frame).max(found) as f64;
        let covers = (found as f64 * moved.zoom.powi(2) / in_frame.max(1) as f64).min(1.0);
        let sides = [reference.size(), frame.size()];
        Alignment { columns, rows, patches, share, covers, moved, sides, is_mirrored: false }
    }

    /// One that shows where it lies was followed near by.
    fn lies_among(&self, at: usize) -> bool {
        self.net.around(at, AMONG).any(|other| self.sure[other])
    }

    /// The motion of the nearest patch that shows where it lies.
    fn motion_near(&self, at: usize) -> Option<Motion> {
        let near = |far: usize| self.net.around(at, far).find(|other| self.sure[*other]);
        self.motions[(1..=FLAT_PARTS).find_map(near)?]
    }

    /// The motion that most patches share.
    fn most_shared(&self, [width, height]: [f32; 2]) -> Motion {
        let sure = (0..self.net.len()).filter(|at| self.sure[*at]).filter_map(|at| Some((at, self.motions[at]?)));
        let matches: Vec<Match> = sure
            .map(|(at, motion)| {
                let from = self.net.place(at);
                Match { from, to: motion.of(from) }
            })
            .collect();
        motion::best_motion(&matches, [width / 2.0, height / 2.0], width.max(height)).unwrap_or(Motion::NONE)
    }
}

impl Moved {
    /// How far anything in the middle or at the edges moved, in parts of the frame, about.
    pub fn far(&self) -> f64 {
        let shift = self.right.abs().max(self.down.abs());
        shift.max((self.zoom - 1.0).abs() / 2.0).max(self.turn.to_radians().abs() / 2.0)
    }

    fn of(motion: &Motion, reference: [f32; 2], frame: [f32; 2]) -> Moved {
        let [x, y] = motion.of(reference.map(|side| side / 2.0));
        Moved {
            right: f64::from(x / frame[0] - 0.5),
            down: f64::from(y / frame[1] - 0.5),
            zoom: f64::from(motion.zoom()),
            turn: f64::from(motion.across.atan2(motion.along).to_degrees()),
        }
    }
}

/// A patch about the place lies within a picture, and is not cut by its edge.
fn lies_in([width, height]: [f32; 2], [x, y]: Place) -> bool {
    let inside = |at: f32, side: f32| (PATCHES_APART..=side - PATCHES_APART).contains(&at);
    inside(x, width) && inside(y, height)
}

/// How many of the patches about one moved as it did.
fn agreeing(net: &Net, motions: &[Option<Motion>], at: usize) -> usize {
    let Some(own) = motions[at] else { return 0 };
    let place = net.place(at);
    let agrees = |other: &usize| motions[*other].is_some_and(|other| within(AGREE, other.of(place), own.of(place)));
    net.around(at, 1).filter(|other| *other != at).filter(agrees).count()
}

/// What is darker, or brighter, says no more than that.
const DARKEST: f32 = TRUSTED.start as f32;
const BRIGHTEST: f32 = TRUSTED.end as f32;
/// A patch that tells of no half of its pixels stands at an end of the scale where one in so many does.
const PART_CLIPPED: u32 = 4;

/// The codes of a patch in both pictures: over the pixels that are clipped in neither where these are half of it, else over
/// all of them, with the scale's end for what is clipped.
fn measure(reference: &Prepared, frame: &Prepared, place: Place, motion: &Motion) -> Option<MatchedPatch> {
    let side = PATCHES_APART as usize;
    let corner = place.map(|v| (v - PATCHES_APART / 2.0) as usize);
    let (mut sound, mut all) = (Sums::default(), Sums::default());
    for y in corner[1]..corner[1] + side {
        for x in corner[0]..corner[0] + side {
            let here = reference.picture().code_at(x, y);
            let [u, v] = motion.of([x as f32 + 0.5, y as f32 + 0.5]);
            let Some(there) = frame.picture().code_between(u - 0.5, v - 0.5) else { continue };
            all.add(here, there);
            if (DARKEST..BRIGHTEST).contains(&here) && (DARKEST..BRIGHTEST).contains(&there) {
                sound.add(here, there);
            }
        }
    }
    let half = (side * side / 2) as u32;
    let codes = if sound.count >= half { sound.means() } else { all.with_ends() };
    let [u, v] = motion.of(place);
    let ([width, height], [to_width, to_height]) = (reference.size(), frame.size());
    (all.count >= half).then(|| MatchedPatch {
        spreads: all.spreads(),
        is_followed: true,
        at: [place[0] / width, place[1] / height],
        to: [u / to_width, v / to_height],
        codes,
        colours: [reference.picture().colour_at(place[0], place[1]), frame.picture().colour_at(u, v)],
    })
}

#[derive(Default)]
struct Sums {
    sums: [f32; 2],
    squares: [f32; 2],
    /// Pixels that are too dark, and too bright, in both.
    beyond: [[u32; 2]; 2],
    count: u32,
}

impl Sums {
    fn add(&mut self, here: f32, there: f32) {
        self.sums = [self.sums[0] + here, self.sums[1] + there];
        self.squares = [self.squares[0] + here * here, self.squares[1] + there * there];
        for (beyond, code) in self.beyond.iter_mut().zip([here, there]) {
            beyond[0] += u32::from(code < DARKEST);
            beyond[1] += u32::from(code >= BRIGHTEST);
        }
        self.count += 1;
    }

    /// The means, or the scale's end where a good part of the pixels stands there: a mean of both would be neither.
    fn with_ends(&self) -> [f32; 2] {
        let means = self.means();
        std::array::from_fn(|side| match self.beyond[side] {
            [_, bright] if bright * PART_CLIPPED >= self.count => 255.0,
            [dark, _] if dark * PART_CLIPPED >= self.count => 0.0,
            _ => means[side],
        })
    }

    fn means(&self) -> [f32; 2] {
        self.sums.map(|sum| sum / self.count.max(1) as f32)
    }

    fn spreads(&self) -> [f32; 2] {
        let means = self.means();
        std::array::from_fn(|side| {
            let variance = self.squares[side] / self.count.max(1) as f32 - means[side].powi(2);
            variance.max(0.0).sqrt() / means[side].max(1.0)
        })
    }
}

impl Alignment {
    /// Of the mirrored frame, as it lies in the frame itself.
    fn mirrored(mut self) -> Alignment {
        self.patches.iter_mut().flatten().for_each(|patch| patch.to[0] = 1.0 - patch.to[0]);
        let moved = Moved { right: -self.moved.right, turn: -self.moved.turn, ..self.moved };
        Alignment { moved, is_mirrored: true, ..self }
    }

    /// The patches that were found.
    pub fn found(&self) -> impl Iterator<Item = &MatchedPatch> {
        self.patches.iter().flatten()
    }
}
