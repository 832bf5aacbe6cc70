//! A spot as the configuration writes it.

use serde::Deserialize;

use super::values::{Scalar, share_of_frame};
use super::wrong::Wrong;
use crate::meter::{Area, CENTRE, GREY, Place, Spot, WHOLE};
use crate::wording;

/// More of them are a mistake, or somebody's malice.
pub(super) const MOST_SPOTS: usize = 40;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WrittenSpot {
    name: String,
    left: Scalar,
    top: Scalar,
    right: Scalar,
    bottom: Scalar,
}

impl WrittenSpot {
    /// Puts the spot among those that there are.
    pub fn placed(&self, spots: &mut Vec<Spot>) -> Result<(), Wrong> {
        let name = &self.name;
        let [left, top, right, bottom] =
            [("left", &self.left), ("top", &self.top), ("right", &self.right), ("bottom", &self.bottom)]
                .map(|(key, text)| share_of_frame(key, text));
        let area = Area::new(left?, top?, right?, bottom?).ok_or_else(|| {
            let fault = "left, top, right and bottom are fractions of the upright frame (0.44) or per cent (44 %), left \
                         before right and top before bottom";
            Wrong::new("name", name, format!("spot '{name}': {fault}"))
        })?;
        let spot = Spot::even(checked_name(name)?, area);
        match spots.iter_mut().find(|s| s.name == spot.name) {
            // A grey patch placed by hand stands in for the one that is looked for.
            Some(ready) if spot.name == GREY && ready.place == Place::FoundGrey => *ready = spot,
            Some(_) if spot.name == WHOLE || spot.name == CENTRE => {
                let fault = format!("the spot '{name}' is there already: choose another name");
                return Err(Wrong::new("name", name, fault));
            }
            Some(_) => return Err(duplicate(name)),
            None => spots.push(spot),
        }
        Ok(())
    }
}

pub(super) fn duplicate(name: &str) -> Wrong {
    Wrong::new("name", name, format!("the name '{name}' is there twice: give each its own"))
}

pub(super) fn checked_name(name: &str) -> Result<&str, Wrong> {
    wording::name(name).ok_or_else(|| Wrong::new("name", name, "a name has 1 to 40 printable characters"))
}
