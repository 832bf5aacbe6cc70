//! A picture made ready to be laid over others: its structure at the sizes that are needed, and its features.

use std::sync::Arc;

use super::code_picture::CodePicture;
use super::features::{Feature, features};
use super::motion::Place;
use super::net::{Net, PATCHES_APART};
use super::structure::{Structure, structures};
use super::window::Window;

/// See the module. It takes some 3 MiB, so that few are kept.
#[derive(Debug, Clone)]
pub struct Prepared {
    picture: Arc<CodePicture>,
    pub(super) features: Vec<Feature>,
    pub(super) full: Structure,
    /// About half the size: there motions are followed first.
    pub(super) half: Structure,
    /// Of each patch, whether it shows where it lies. One at the very edge is not followed.
    pub(super) textured: Vec<bool>,
    /// Share of the patches that show anything, be it an edge only, and are neither dark nor burnt out.
    pub(super) drawn: f64,
    /// Share of those that are burnt out.
    pub(super) burnt: f64,
}

/// Sizes at which features are looked for, each this part of the one before.
const SIZES: usize = 4;
const FACTOR: f32 = 0.75;
const HALF: usize = 2;
/// A patch with less texture lies where those about it do.
const TEXTURED: f32 = 0.012;
const TEXTURE_RADIUS: usize = 6;
/// Squares of the slopes of a patch that shows anything, their mean.
const DRAWN: f32 = 0.03;
/// Codes of what is neither dark nor burnt out.
const LIT: std::ops::Range<f32> = 20.0..250.0;

impl Prepared {
    pub fn of(picture: &Arc<CodePicture>) -> Prepared {
        let mut sizes = structures(picture, FACTOR, SIZES);
        let features = features(&sizes);
        let half = sizes.swap_remove(HALF);
        let full = sizes.swap_remove(0);
        let is_textured = |place: Place| {
            let [x, y] = place.map(|v| v as usize);
            Window::lies_in(&full, place) && full.texture_about(x, y, TEXTURE_RADIUS) >= TEXTURED
        };
        let net = net_of(picture);
        let textured = net.places().map(is_textured).collect();
        let is_drawn = |place: &Place| {
            let [x, y] = place.map(|v| v as usize);
            LIT.contains(&picture.code_at(x, y)) && full.steepness_about(x, y, PATCHES_APART as usize / 2) >= DRAWN
        };
        let share = |count: usize| count as f64 / net.len().max(1) as f64;
        let is_burnt = |[x, y]: &Place| picture.code_at(*x as usize, *y as usize) >= LIT.end;
        let burnt = share(net.places().filter(is_burnt).count());
        let drawn = share(net.places().filter(is_drawn).count());
        Prepared { picture: Arc::clone(picture), features, full, half, textured, drawn, burnt }
    }

    pub(super) fn picture(&self) -> &CodePicture {
        &self.picture
    }

    /// The linear light of a raw file.
    pub fn is_raw(&self) -> bool {
        self.picture.is_raw()
    }

    /// Width and height in pixels.
    pub(super) fn size(&self) -> [f32; 2] {
        size_of(&self.picture)
    }

    /// The patches that the picture is parted in.
    pub(super) fn net(&self) -> Net {
        net_of(&self.picture)
    }
}

fn size_of(picture: &CodePicture) -> [f32; 2] {
    [picture.width() as f32, picture.height() as f32]
}

fn net_of(picture: &CodePicture) -> Net {
    Net::over(size_of(picture), PATCHES_APART)
}
