//! The file that a map of change is drawn to.

use std::io::{Cursor, ErrorKind};
use std::path::{Path, PathBuf};

use image::ImageFormat;

use super::Judged;
use super::drawing::{Map, draw};
use crate::align::Overlay;
use crate::commands::exit::CommandError;
use crate::drift::change_map;
use crate::files;
use crate::outlet::plain::printable;

/// A file that isn't there yet.
pub struct MapFile(PathBuf);

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
        // A link that leads nowhere is something, too.
        if path.symlink_metadata().is_ok() {
            return Err(is_there(path));
        }
        Ok(MapFile(path.to_owned()))
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
        drawn.write_to(&mut Cursor::new(&mut png), ImageFormat::Png).map_err(|e| self.unwritten(&e))?;
        match files::create(&self.0, &png) {
            Err(e) if e.kind() == ErrorKind::AlreadyExists => Err(is_there(&self.0)),
            written => written.map(Ok).map_err(|e| self.unwritten(&e)),
        }
    }

    fn unwritten(&self, why: &dyn std::error::Error) -> CommandError {
        CommandError::CannotRun(format!("the map can't be written to {}: {why}", shown(&self.0)))
    }
}

fn is_there(path: &Path) -> CommandError {
    CommandError::CannotRun(format!(
        "{} is there already, and stays as it is: name a new file for the map",
        shown(path)
    ))
}

fn shown(path: &Path) -> String {
    printable(&path.display().to_string())
}

fn name_of(path: &Path) -> String {
    printable(&path.file_name().unwrap_or(path.as_os_str()).to_string_lossy())
}
