//! The small pictures that frames are laid over, in a folder of their own beside the shot log: a file each, named by its
//! checksum, for this user alone.
//!
//! Nothing rests on them but that frames can be laid over a reference whose photograph is gone, and over references of before
//! a restart. So whatever is damaged is passed over, nothing waits for them, and a loss is told and harmless. Which of them
//! are wanted is for the session.

use std::collections::BTreeSet;
use std::fs::{self, DirBuilder, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;

use crate::align::{CodePicture, PictureId};
use crate::files::{open_own, replace_private_unsynced};

const ENDING: &str = "codes";
/// What every file begins with; what follows is the picture's bytes, deflated (RFC 1951).
const HEAD: &[u8] = b"greyhold codes 1\n";

/// The folder of one log.
#[derive(Debug)]
pub struct ScenePictures {
    folder: PathBuf,
}

impl ScenePictures {
    pub fn beside(log: &Path) -> ScenePictures {
        let mut name = log.file_name().unwrap_or_default().to_owned();
        name.push(".pictures");
        ScenePictures { folder: log.with_file_name(name) }
    }

    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// A picture as it was kept; `None` when it isn't there, or isn't what it was.
    pub fn read(&self, id: PictureId) -> Option<CodePicture> {
        let file = open_own(&self.path_of(id), OpenOptions::new().read(true)).ok()?;
        let mut packed = Vec::new();
        // Whatever can be deflated to a picture is no longer than its bytes and a little.
        File::take(file, 2 * CodePicture::MOST_BYTES as u64).read_to_end(&mut packed).ok()?;
        let mut bytes = Vec::new();
        let unpacked = DeflateDecoder::new(packed.strip_prefix(HEAD)?);
        unpacked.take(CodePicture::MOST_BYTES as u64 + 1).read_to_end(&mut bytes).ok()?;
        CodePicture::from_bytes(id, &bytes)
    }

    /// Keeps a picture; one that is there already, and whole, is left as it is.
    pub fn keep(&self, id: PictureId, picture: &CodePicture) -> io::Result<()> {
        if self.read(id).is_some() {
            return Ok(());
        }
        self.make_folder()?;
        let mut packed = DeflateEncoder::new(HEAD.to_vec(), Compression::fast());
        packed.write_all(&picture.to_bytes())?;
        replace_private_unsynced(&self.path_of(id), &packed.finish()?)
    }

    /// Takes away those of our files that are none of these.
    pub fn retain(&self, wanted: &BTreeSet<PictureId>) -> io::Result<()> {
        let entries = match fs::read_dir(&self.folder) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
            entries => entries?,
        };
        for path in entries.flatten().map(|entry| entry.path()) {
            let id = path.file_stem().and_then(|stem| stem.to_str()?.parse::<PictureId>().ok());
            let is_named = path.extension().is_some_and(|ending| ending == ENDING);
            if is_named && id.is_some_and(|id| !wanted.contains(&id)) && is_ours(&path) {
                fs::remove_file(&path)?;
            }
        }
        Ok(())
    }

    fn path_of(&self, id: PictureId) -> PathBuf {
        self.folder.join(format!("{id}.{ENDING}"))
    }

    fn make_folder(&self) -> io::Result<()> {
        let builder = &mut DirBuilder::new();
        #[cfg(unix)]
        std::os::unix::fs::DirBuilderExt::mode(builder, 0o700);
        match builder.create(&self.folder) {
            Err(e) if e.kind() != io::ErrorKind::AlreadyExists => Err(e),
            // A link could lead our files among somebody else's.
            _ if fs::symlink_metadata(&self.folder)?.is_dir() => Ok(()),
            _ => Err(io::Error::new(io::ErrorKind::AlreadyExists, "something that is no folder stands there")),
        }
    }
}

/// Whether a file begins as ours do: no other program's is taken away.
fn is_ours(path: &Path) -> bool {
    let mut head = [0; HEAD.len()];
    let file = open_own(path, OpenOptions::new().read(true));
    file.and_then(|mut file| file.read_exact(&mut head)).is_ok() && head == HEAD
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{Colour, Picture, Proxy};

    fn picture(shade: u8) -> CodePicture {
        let rgb = (0..120 * 80).map(|i| [shade, (i % 200) as u8, 40]).collect();
        let proxy = Proxy { width: 120, height: 80, rgb };
        CodePicture::of(&Picture { proxy, colour: Colour::of(None, None), linear: None })
    }

    #[test]
    fn pictures_are_kept_and_those_not_wanted_any_more_are_taken_away() {
        let home = tempfile::tempdir().unwrap();
        let kept = ScenePictures::beside(&home.path().join("shots.jsonl"));
        let (one, two) = (picture(1), picture(99));
        assert_eq!(kept.read(one.id()), None);
        kept.retain(&BTreeSet::new()).unwrap();
        for picture in [&one, &two, &one] {
            kept.keep(picture.id(), picture).unwrap();
        }
        assert_eq!(kept.read(one.id()), Some(one.clone()));
        let strangers = ["notes.txt", "0123456789abcdef.codes"].map(|name| kept.folder().join(name));
        strangers.iter().for_each(|path| fs::write(path, "somebody else's").unwrap());
        kept.retain(&BTreeSet::from([two.id()])).unwrap();
        assert_eq!((kept.read(one.id()), kept.read(two.id())), (None, Some(two)));
        assert!(strangers.iter().all(|path| path.exists()), "another program's files are left alone");
    }

    #[test]
    fn a_damaged_file_is_passed_over_and_a_link_is_not_written_through() {
        let home = tempfile::tempdir().unwrap();
        let kept = ScenePictures::beside(&home.path().join("shots.jsonl"));
        let one = picture(7);
        kept.keep(one.id(), &one).unwrap();
        let path = kept.path_of(one.id());
        let bytes = fs::read(&path).unwrap();
        for damaged in [&bytes[..bytes.len() / 2], &bytes[1..], b"", HEAD] {
            fs::write(&path, damaged).unwrap();
            assert_eq!(kept.read(one.id()), None);
        }
        #[cfg(unix)]
        {
            fs::remove_dir_all(kept.folder()).unwrap();
            let elsewhere = home.path().join("elsewhere");
            fs::create_dir(&elsewhere).unwrap();
            std::os::unix::fs::symlink(&elsewhere, kept.folder()).unwrap();
            assert!(kept.keep(one.id(), &one).is_err());
            assert_eq!(fs::read_dir(&elsewhere).unwrap().count(), 0);
        }
    }
}
