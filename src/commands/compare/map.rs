//! The file that a map of change is drawn to.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use image::ImageFormat;

use super::Judged;
use super::drawing::{Map, draw};
use crate::align::Overlay;
use crate::commands::exit::CommandError;
use crate::commands::new_file::NewFile;
use crate::drift::change_map;
use crate::outlet::plain::printable;

pub struct MapFile(NewFile);

impl MapFile {
    /// Says at once what can't be, before any frame is read.
    pub fn checked(path: &Path, frames: &[PathBuf]) -> Result<MapFile, CommandError> {
        if frames.len() != 1 {
            let why = "--map draws one frame: name the reference and one frame after it";
            return Err(CommandError::WrongUse(why.to_owned()));
        }
        if path.extension().is_none_or(|e| !e.eq_ignore_ascii_case("png")) {
            return Err(CommandError::WrongUse("--map draws a PNG: name a file that ends in .png".to_owned()));
        }
        NewFile::checked(path, "the map").map(MapFile)
    }

    /// The file, to be shown.
    pub fn name(&self) -> String {
        self.0.name()
    }

    /// Draws a frame over the reference. The inner error is why there is nothing to draw.
    pub fn write(
        &self,
        [reference, frame]: [&Path; 2],
        judged: &Judged,
    ) -> Result<Result<(), &'static str>, CommandError> {
        let alignment = match &judged.overlay {
            Some(Overlay::Matched(alignment)) => alignment,
            Some(Overlay::OtherScene) => return Ok(Err("the frame shows another scene than the reference")),
            Some(Overlay::TooPlain) => return Ok(Err("there is too little to see in the frame, or in the reference")),
            None => {
                return Ok(Err(
                    "one of the two has no picture, or one is a raw file and the other is not: give two of one kind",
                ));
            }
        };
        let Some(picture) = judged.small.as_ref().and_then(|small| small.image()) else {
            return Ok(Err("the frame has no picture"));
        };
        let patches = change_map(alignment, &judged.response);
        let [reference, frame] = [reference, frame].map(name_of);
        let title = format!("{frame}: change of light since {reference}, in stops");
        let drawn = draw(&Map { picture: &picture, patches: &patches, title: &title });
        let mut png = Vec::new();
        drawn.write_to(&mut Cursor::new(&mut png), ImageFormat::Png).map_err(|e| self.0.unwritten(e))?;
        self.0.create(&png).map(Ok)
    }
}

fn name_of(path: &Path) -> String {
    printable(&path.file_name().unwrap_or(path.as_os_str()).to_string_lossy())
}
