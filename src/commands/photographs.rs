//! Photographs that somebody named on the command line: read by a worker, as a watch reads them.

use std::path::Path;

use crate::container::{Kind, Links};
use crate::frame::{Cut, CutPlace, Frame};
use crate::outlet::plain::printable;
use crate::photometry::Series;
use crate::workers::{Depth, Pool, Task, this_program};

/// What reads the photographs of one command. Clones share the workers.
#[derive(Clone)]
pub struct Photographs(Pool);

impl Photographs {
    /// One after the other.
    pub fn open() -> Photographs {
        Photographs::several(1)
    }

    /// So many at one time.
    pub fn several(seats: usize) -> Photographs {
        Photographs(Pool::new(this_program(), seats))
    }

    /// Reads nothing any more; what is being read is given up.
    pub fn stop(&self) {
        self.0.stop();
    }

    /// `Err` is the sentence to show.
    pub fn read(&self, path: &Path, series: Series, depth: Depth) -> Result<Frame, String> {
        let kind = Kind::of(path).ok_or("it is no picture by its name")?;
        let task = Task { links: Links::Followed, ..Task::of(path.to_owned(), kind, series, depth) };
        let answer = self.0.read(&task).map_err(|refused| printable(&refused.to_string()))?;
        answer.frame.ok_or_else(|| "nothing of it could be read".to_owned())
    }

    /// Cuts pieces at full resolution out of a photograph. `Err` is the sentence to show.
    pub fn cut(&self, path: &Path, cuts: Vec<CutPlace>) -> Result<Vec<Cut>, String> {
        let kind = Kind::of(path).ok_or("it is no picture by its name")?;
        let task = Task::of(path.to_owned(), kind, Series::Thirds, Depth::Cuts);
        let task = Task { links: Links::Followed, cuts, ..task };
        self.0.read(&task).map(|answer| answer.cuts).map_err(|refused| printable(&refused.to_string()))
    }

    /// What keeps the workers in, as a sentence.
    pub fn confinement(&self) -> String {
        self.0.confinement().map_or_else(|refused| refused.to_string(), |confinement| confinement.to_string())
    }
}
