//! What a configuration that was written anew changes of what is asked, in words.

use super::Config;
use crate::photometry::IsoSpeed;

impl Config {
    /// A sentence for each bound of the ISO speed that is another than before. Powers and groups are known to the sitting, which tells
    /// theirs.
    pub fn changes_since(&self, before: &Config) -> Vec<String> {
        let (was, is) = (&before.at_hand, &self.at_hand);
        let bound = |key: &str, [was, is]: [Option<IsoSpeed>; 2], side: &str| {
            let shown = |iso: Option<IsoSpeed>| iso.map_or_else(|| "not told".to_owned(), |iso| format!("{iso}"));
            let means = match is {
                Some(iso) => format!("no ISO speed {side} {iso} is asked for from now on"),
                None => format!("no ISO speed is too {} any more", if side == "below" { "low" } else { "high" }),
            };
            (was != is).then(|| format!("{key} is {} now (before: {}): {means}", shown(is), shown(was)))
        };
        let lowest = bound("lowest_iso", [was.lowest_iso, is.lowest_iso], "below");
        let highest = bound("highest_iso", [was.highest_iso, is.highest_iso], "above");
        lowest.into_iter().chain(highest).collect()
    }
}
