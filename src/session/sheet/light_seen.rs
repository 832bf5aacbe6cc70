//! The last frame laid over the reference's picture: from where to where its light changed.

use serde::{Deserialize, Serialize};

use crate::drift::change_map;
use crate::photometry::Stops;
use crate::session::last_laid::LastLaid;

/// Of the patches that both show, a twentieth changed by less than the one, a twentieth by more than the other.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LightSeen {
    pub least: Stops,
    pub most: Stops,
}

/// Fewer tell nothing of the whole.
const FEWEST: usize = 20;

impl LightSeen {
    /// `None` where the frame is laid over nothing, or over another frame in the reference's place.
    pub(super) fn of(laid: &LastLaid) -> Option<LightSeen> {
        let alignment = laid.overlay.alignment().filter(|_| laid.anchor.is_none())?;
        let mut changes: Vec<Stops> = change_map(alignment, &laid.response).iter().map(|patch| patch.change).collect();
        if changes.len() < FEWEST {
            return None;
        }
        changes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let twentieth = changes.len() / 20;
        Some(LightSeen { least: changes[twentieth].rounded(), most: changes[changes.len() - 1 - twentieth].rounded() })
    }

    /// 'light map: nine parts in ten changed by -1.05 to -0.90 stop'. Whether that is alike, the frame's own sentence says: it knows
    /// what an error of the curve does to bright and dark parts.
    pub(super) fn in_words(self) -> String {
        let LightSeen { least, most } = self;
        format!("light map: nine parts in ten changed by {least} to {most} stop")
    }
}
