//! Photographs that somebody named on the command line: read by a worker, as a watch reads them.

use std::path::Path;

use crate::container::{Kind, Links};
use crate::frame::{Cut, CutPlace, Frame};
use crate::outlet::plain::printable;
use crate::photometry::Series;
use crate::workers::{Depth, Pool, Task, this_program};

/// What reads the photographs of one command, one after the other.
pub struct Photographs(Pool);

impl Photographs {
    pub fn open() -> Photographs {
        Photographs(Pool::new(this_program(), 1))
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
