//! Reading the frames of a series.

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::exit::CommandError;
use super::photographs::Photographs;
use crate::align::CodePicture;
use crate::calibration::SeriesFrame;
use crate::container::Kind;
use crate::meter::{Spot, meter};
use crate::outlet::plain::printable;
use crate::photometry::{Series, Stops};
use crate::workers::Depth;

/// Exposures told by hand: by file name, in stops.
#[derive(Debug, Default)]
pub struct Exposures(HashMap<String, Stops>);

impl Exposures {
    /// From a CSV file (RFC 4180) with the columns `file` (with folders or without) and `exposure_stops`.
    pub fn read(file: Option<&Path>) -> Result<Exposures, CommandError> {
        #[derive(serde::Deserialize)]
        struct Row {
            file: String,
            exposure_stops: f64,
        }
        let Some(file) = file else { return Ok(Exposures::default()) };
        let wrong = |e: csv::Error| {
            CommandError::WrongUse(format!("{}: {e}: it needs the columns file and exposure_stops", file.display()))
        };
        let rows = csv::Reader::from_path(file).map_err(wrong)?.into_deserialize();
        let rows = rows.collect::<Result<Vec<Row>, _>>().map_err(wrong)?;
        Ok(Exposures(rows.into_iter().map(|r| (r.file, Stops(r.exposure_stops))).collect()))
    }

    fn of(&self, path: &Path) -> Option<Stops> {
        let mut names = path.iter().rev().map(|part| part.to_string_lossy());
        let name = names.next()?;
        let in_folder = names.next().map(|folder| format!("{folder}/{name}"));
        in_folder.and_then(|n| self.0.get(&n)).or_else(|| self.0.get(name.as_ref())).copied()
    }
}

/// Reads a frame of a series; `Err` is the sentence to show.
pub fn read(photographs: &Photographs, path: &Path, exposures: &Exposures) -> Result<SeriesFrame, String> {
    let read = photographs.read(path, Series::Thirds, Depth::Whole)?;
    let Some(picture) = read.picture else {
        return Err(printable(&read.notes.join("; ")));
    };
    Ok(SeriesFrame {
        file: path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned(),
        settings: read.settings,
        exposure: exposures.of(path),
        is_raw: picture.linear.is_some(),
        codes: Arc::new(CodePicture::of(&picture)),
        metered: meter(&picture, &Spot::ready()),
    })
}

/// The pictures that lie in a folder, by name.
pub fn pictures_in(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)?.flatten().map(|e| e.path()).collect();
    files.retain(|f| f.is_file() && Kind::of(f).is_some());
    files.sort();
    Ok(files)
}
