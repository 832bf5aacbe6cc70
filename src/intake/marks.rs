//! Marks: who is to be told when everything that was in the folder has been told.

use std::path::{Path, PathBuf};

/// Open marks, each with the files that it still waits for.
#[derive(Debug, Default)]
pub struct Marks(Vec<Mark>);

#[derive(Debug)]
struct Mark {
    token: u64,
    /// Looked at from the end, as far as something there is still under way: a folder holds many files.
    files: Vec<PathBuf>,
    /// Those found stalled, which may have moved on since.
    stalled: Vec<PathBuf>,
}

impl Marks {
    pub fn add(&mut self, token: u64, files: Vec<PathBuf>) {
        self.0.push(Mark { token, files, stalled: Vec::new() });
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
        self.0.retain_mut(|mark| {
            let done = mark.is_over(&is_waiting, &is_stalled);
            if done {
                over.push((mark.token, std::mem::take(&mut mark.stalled)));
            }
            !done
        });
        over
    }
}

impl Mark {
    fn is_over(&mut self, is_waiting: impl Fn(&Path) -> bool, is_stalled: impl Fn(&Path) -> bool) -> bool {
        while let Some(file) = self.files.pop() {
            if !is_waiting(&file) {
                continue;
            }
            if !is_stalled(&file) {
                self.files.push(file);
                return false;
            }
            self.stalled.push(file);
        }
        self.stalled.retain(|file| is_waiting(file));
        let moving: Vec<PathBuf> = self.stalled.extract_if(.., |file| !is_stalled(file)).collect();
        self.files = moving;
        self.files.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;

    #[test]
    fn a_mark_is_over_when_only_stalled_files_are_left_and_names_those() {
        let mut marks = Marks::default();
        marks.add(7, ["a", "b", "c"].map(PathBuf::from).to_vec());
        let name = |file: &Path| file.display().to_string();
        let ask = |marks: &mut Marks, waiting: &str, stalled: &str| {
            marks.take_over(|file| waiting.contains(&name(file)), |file| stalled.contains(&name(file)))
        };
        assert!(ask(&mut marks, "abc", "c").is_empty());
        assert!(ask(&mut marks, "ac", "a").is_empty(), "c moved on, and was stalled before");
        assert_eq!(ask(&mut marks, "a", "a"), [(7, vec![PathBuf::from("a")])]);
        assert!(marks.is_empty());
    }

    #[test]
    fn many_files_cost_a_look_each_and_not_one_for_each_that_moves() {
        let mut marks = Marks::default();
        let files: Vec<PathBuf> = (0..2000).map(|n| n.to_string().into()).collect();
        marks.add(1, files.clone());
        let looks = Cell::new(0);
        for done in 0..=files.len() {
            let gone = |file: &Path| {
                looks.set(looks.get() + 1);
                name_number(file) >= files.len() - done
            };
            let over = marks.take_over(|file| !gone(file), |_| false);
            assert_eq!(!over.is_empty(), done == files.len());
        }
        assert!(looks.get() < 3 * files.len() + 10, "{}", looks.get());
    }

    fn name_number(file: &Path) -> usize {
        file.display().to_string().parse().unwrap()
    }
}
