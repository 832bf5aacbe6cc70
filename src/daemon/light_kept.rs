//! Keeps the light of the frames' parts over a restart, on a thread of its own: a disk that hangs holds up neither the
//! start nor a frame.

use std::path::PathBuf;
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, channel, sync_channel};
use std::time::Duration;

use tokio::sync::oneshot;

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
    maps: SyncSender<LightOfFile>,
    /// Resolves when all is kept, after the last sender went away.
    all_kept: oneshot::Receiver<()>,
}

impl LightKeeper {
    pub fn beside(log: PathBuf) -> LightKeeper {
        let (maps, to_keep) = sync_channel(MOST_WAITING);
        let (tell, found) = channel();
        let (done, all_kept) = oneshot::channel();
        // Nobody waits for it to end: it may hang in the disk for ever.
        std::thread::spawn(move || {
            let (file, earlier) = LightMaps::beside(&log);
            let trouble = file.trouble().map(|why| sentence(&file, why));
            let _ = tell.send((earlier, trouble));
            keep(file, &to_keep);
            let _ = done.send(());
        });
        let silent = |_| (Vec::new(), Some(SILENT.to_owned()));
        let (earlier, trouble) = found.recv_timeout(READING).unwrap_or_else(silent);
        LightKeeper { earlier, trouble, maps, all_kept }
    }

    /// Takes a map to be kept, and never waits.
    pub fn taker(&self) -> impl FnMut(LightOfFile) + Send + 'static {
        let maps = self.maps.clone();
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

    /// All takers are there: when they went away, what they took is kept and the thread ends.
    pub fn ends_with_takers(self) -> oneshot::Receiver<()> {
        self.all_kept
    }
}

fn keep(mut file: LightMaps, maps: &Receiver<LightOfFile>) {
    while let Ok(light) = maps.recv() {
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
    use super::*;
    use crate::container::Fingerprint;
    use crate::numbers::FrameNumber;

    fn light(number: u64) -> LightOfFile {
        let map = serde_json::json!({"columns": 4, "rows": 4, "scale": "rendered", "codes": vec![Some(99); 16]});
        let map = serde_json::from_value(map).unwrap();
        let (frame, fingerprint) = (FrameNumber::new(number), Fingerprint::Whole(number));
        LightOfFile { frame, file: format!("{number}.jpg"), fingerprint, map }
    }

    /// Here nobody takes any out, as a thread wouldn't that hangs in the disk.
    #[test]
    fn a_disk_that_hangs_holds_up_nobody_and_no_more_than_a_few_wait_for_it() {
        let (maps, waiting) = sync_channel(MOST_WAITING);
        let (_, all_kept) = oneshot::channel();
        let keeper = LightKeeper { earlier: Vec::new(), trouble: None, maps, all_kept };
        let mut take = keeper.taker();
        (1..=100).for_each(|frame| take(light(frame)));
        assert_eq!(waiting.try_iter().count(), MOST_WAITING);
        take(light(101));
        assert_eq!(waiting.try_recv(), Ok(light(101)), "it goes on when the disk does");
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
