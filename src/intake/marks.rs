//! Marks: who is to be told when everything that was in the folder has been told.

use std::path::{Path, PathBuf};

/// Open marks, each with the files that it still waits for.
#[derive(Debug, Default)]
pub struct Marks(Vec<(u64, Vec<PathBuf>)>);

impl Marks {
    pub fn add(&mut self, token: u64, files: Vec<PathBuf>) {
        self.0.push((token, files));
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Marks that wait for nothing but stalled files any more, with those files.
    pub fn take_over(
        &mut self,
        is_waiting: impl Fn(&Path) -> bool,
        is_stalled: impl Fn(&Path) -> bool,
    ) -> Vec<(u64, Vec<PathBuf>)> {
        let mut over = Vec::new();
        self.0.retain_mut(|(token, files)| {
            files.retain(|file| is_waiting(file));
            let done = files.iter().all(|file| is_stalled(file));
            if done {
                over.push((*token, std::mem::take(files)));
            }
            !done
        });
        over
    }
}
