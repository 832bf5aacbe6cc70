//! How a state's maps are written where it is carried on, so that it is the same state when it is read.

/// Maps as lists of rows: shorter than objects, and with keys that needn't be text.
macro_rules! rows {
    ($name:ident, $map:ty, $row:ty, $to:expr, $of:expr) => {
        pub(super) mod $name {
            use super::rows_of::*;

            pub fn serialize<S: Serializer>(map: &$map, to: S) -> Result<S::Ok, S::Error> {
                to.collect_seq(map.iter().map($to))
            }

            pub fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<$map, D::Error> {
                Vec::<$row>::deserialize(from).map(|rows| rows.into_iter().map($of).collect())
            }
        }
    };
}

/// What the rows are made of.
mod rows_of {
    pub use std::collections::{BTreeMap, HashMap};
    pub use std::sync::Arc;

    pub use serde::{Deserialize, Deserializer, Serializer};

    pub use crate::advice::Observation;
    pub use crate::container::Fingerprint;
    pub use crate::drift::Anchor;
    pub use crate::frame::Captured;
    pub use crate::intake::FileState;
    pub use crate::numbers::FrameNumber;
    pub use crate::photometry::Stops;
    pub use crate::response::{Curve, Response};
    pub use crate::rig::{GroupName, Known};
    pub use crate::session::record::Rendered;
    pub(in crate::session) use crate::session::remembered::{LearnedCurve, Look, Stem, learned_response};

    pub type Marks = BTreeMap<GroupName, Stops>;
    pub type MarksKnown = BTreeMap<GroupName, Known>;
    /// Size, times and identity of a file.
    pub type Stat = (u64, i64, i64, u64);

    pub fn stat(state: &FileState) -> Stat {
        (state.size, state.modified_ns, state.changed_ns, state.inode)
    }

    pub fn state((size, modified_ns, changed_ns, inode): Stat) -> FileState {
        FileState { size, modified_ns, changed_ns, inode }
    }
}

rows!(
    looks,
    BTreeMap<String, Look>,
    (String, Option<FrameNumber>, String, Arc<Observation>, Marks, MarksKnown, Vec<Anchor>),
    |(name, look)| (name, look.frame, &look.file, &look.observation, &look.marks, &look.known, &look.anchors),
    |(name, frame, file, observation, marks, known, anchors)| {
        (name, Look { frame, file, observation, marks, known, anchors })
    }
);
rows!(
    files,
    HashMap<String, (FileState, Fingerprint)>,
    (String, Stat, Fingerprint),
    |(name, (state, print))| (name, stat(state), print),
    |(name, stat, print)| (name, (state(stat), print))
);
rows!(
    turned_down,
    HashMap<String, FileState>,
    (String, Stat),
    |(name, state)| (name, stat(state)),
    |(name, stat)| (name, state(stat))
);
rows!(
    stems,
    HashMap<String, Stem>,
    (String, FrameNumber, Option<Captured>, bool),
    |(key, stem)| (key, stem.frame, &stem.captured, stem.picture),
    |(key, frame, captured, picture)| (key, Stem { frame, captured, picture })
);
rows!(
    learned,
    BTreeMap<Rendered, LearnedCurve>,
    (Rendered, LearnedCurve),
    |(of, learned)| (of, learned),
    |(of, learned)| (of, learned)
);
rows!(
    curves,
    BTreeMap<String, Response>,
    (String, Curve),
    |(name, response)| (name, response.curve()),
    |(name, curve)| {
        let response = learned_response(&name, curve);
        (name, response)
    }
);
