//! Keeps the light of the frames' parts over a restart.

use std::path::PathBuf;
use std::sync::mpsc::TrySendError;
use std::time::Duration;

use tokio::sync::oneshot;

use super::keeper::Keeper;
use crate::outlet::light_maps::LightMaps;
use crate::session::LightOfFile;

/// What was kept before is read within this, or does without.
const READING: Duration = Duration::from_secs(1);
/// Maps that wait for a slow disk; further ones are not kept.
const MOST_WAITING: usize = 32;

const SILENT: &str = "the shot log's disk doesn't answer: what earlier frames show of each light is not known after this \
                      start, and their files that are still to come are judged without it";

/// The keeper of one log's light.
pub(super) struct LightKeeper {
    /// What was kept before this start, oldest first.
    pub earlier: Vec<LightOfFile>,
    /// Why nothing can be kept.
    pub trouble: Option<String>,
    keeper: Keeper<LightOfFile>,
}

impl LightKeeper {
    pub fn beside(log: PathBuf) -> LightKeeper {
        let (keeper, found) = Keeper::start(MOST_WAITING, READING, move || {
            let (file, earlier) = LightMaps::beside(&log);
            let trouble = file.trouble().map(|why| sentence(&file, why));
            ((earlier, trouble), keep_in(file))
        });
        let (earlier, trouble) = found.unwrap_or_else(|| (Vec::new(), Some(SILENT.to_owned())));
        LightKeeper { earlier, trouble, keeper }
    }

    /// Takes a map to be kept, and never waits.
    pub fn taker(&self) -> impl FnMut(LightOfFile) + Send + 'static {
        let maps = self.keeper.taker();
        let mut is_told = false;
        move |light| match maps.try_send(light) {
            Ok(()) => is_told = false,
            Err(TrySendError::Full(light) | TrySendError::Disconnected(light)) => {
                if !std::mem::replace(&mut is_told, true) {
                    tracing::warn!("the disk doesn't answer: the light of {} is not kept over a restart", light.file);
                }
            }
        }
    }

    /// As [`Keeper::ends_with_takers`].
    pub fn ends_with_takers(self) -> oneshot::Receiver<()> {
        self.keeper.ends_with_takers()
    }
}

fn keep_in(mut file: LightMaps) -> impl FnMut(LightOfFile) {
    move |light| {
        let is_told = file.trouble().is_some();
        file.keep(&light);
        if let Some(why) = file.trouble().filter(|_| !is_told) {
            tracing::warn!("{}", sentence(&file, why));
        }
    }
}

fn sentence(file: &LightMaps, why: &str) -> String {
    let path = file.path().display();
    format!("the light of the frames' parts can't be kept over a restart in {path}: {why}")
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;

    use super::*;
    use crate::container::Fingerprint;
    use crate::numbers::FrameNumber;

    fn light(number: u64) -> LightOfFile {
        let map = serde_json::json!({"columns": 4, "rows": 4, "scale": "rendered", "codes": vec![Some(99); 16]});
        let map = serde_json::from_value(map).unwrap();
        let (frame, fingerprint) = (FrameNumber::new(number), Fingerprint::Whole(number));
        LightOfFile { frame, file: format!("{number}.jpg"), fingerprint, map }
    }

    /// The thread hangs until it is let go, as one would that hangs in the disk.
    #[test]
    fn a_disk_that_hangs_holds_up_nobody_and_no_more_than_a_few_wait_for_it() {
        let (let_go, hangs) = channel::<()>();
        let (tell, kept) = channel();
        let (keeper, _) = Keeper::start(MOST_WAITING, Duration::ZERO, move || {
            let _ = hangs.recv();
            ((), move |light| tell.send(light).unwrap())
        });
        let keeper = LightKeeper { earlier: Vec::new(), trouble: None, keeper };
        let mut take = keeper.taker();
        (1..=100).for_each(|frame| take(light(frame)));
        drop(let_go);
        let soon = Duration::from_secs(10);
        let taken: Vec<LightOfFile> = (0..MOST_WAITING).map(|_| kept.recv_timeout(soon).unwrap()).collect();
        assert_eq!(taken.last(), Some(&light(MOST_WAITING as u64)));
        take(light(101));
        assert_eq!(kept.recv_timeout(soon), Ok(light(101)), "it goes on when the disk does, and no more had waited");
    }

    #[test]
    fn what_was_taken_is_kept_when_the_last_taker_went_away() {
        let home = tempfile::tempdir().unwrap();
        let log = home.path().join("shots.jsonl");
        let keeper = LightKeeper::beside(log.clone());
        let mut take = keeper.taker();
        (1..=3).for_each(|frame| take(light(frame)));
        drop(take);
        keeper.ends_with_takers().blocking_recv().unwrap();
        assert_eq!(LightKeeper::beside(log).earlier, [light(1), light(2), light(3)]);
    }
}
