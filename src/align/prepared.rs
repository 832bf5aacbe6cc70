//! A picture made ready to be laid over others: its structure at the sizes that are needed, and its features.

use std::sync::Arc;

use super::code_picture::CodePicture;
use super::features::{Feature, features};
use super::motion::Place;
use super::net::{Net, PATCHES_APART};
use super::plane::Plane;
use super::structure::{Structure, structures};

/// See the module. It takes some 3 MiB, so that few are kept.
#[derive(Debug, Clone)]
pub struct Prepared {
    picture: Arc<CodePicture>,
    pub(super) features: Vec<Feature>,
    pub(super) full: Structure,
    /// About half the size: there motions are followed first.
    pub(super) half: Structure,
    /// How much the patch about each pixel shows of where it lies.
    texture: Plane,
}

/// Sizes at which features are looked for, each this part of the one before.
const SIZES: usize = 4;
const FACTOR: f32 = 0.75;
const HALF: usize = 2;
/// A patch with less texture lies where those about it do.
const TEXTURED: f32 = 0.012;
const TEXTURE_RADIUS: usize = 6;

impl Prepared {
    pub fn of(picture: &Arc<CodePicture>) -> Prepared {
        let mut sizes = structures(picture, FACTOR, SIZES);
        let features = features(&sizes);
        let half = sizes.swap_remove(HALF);
        let full = sizes.swap_remove(0);
        let texture = full.texture(TEXTURE_RADIUS);
        Prepared { picture: Arc::clone(picture), features, full, half, texture }
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
        [self.picture.width() as f32, self.picture.height() as f32]
    }

    /// The patches that the picture is parted in.
    pub(super) fn net(&self) -> Net {
        Net::over(self.size(), PATCHES_APART)
    }

    /// The patch about a place shows where it lies.
    pub(super) fn is_textured(&self, [x, y]: Place) -> bool {
        self.texture.at(x as isize, y as isize) >= TEXTURED
    }

    pub(super) fn textured_patches(&self) -> usize {
        self.net().places().filter(|place| self.is_textured(*place)).count()
    }
}
