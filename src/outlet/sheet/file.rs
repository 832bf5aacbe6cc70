//! A set-up sheet as a file: what another sitting takes a look up from, and other programs read
//! (`config/sheet.schema.json`).

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::align::{CodePicture, PictureId};
use crate::container::{Links, open};
use crate::outlet::html::{base64, from_base64};
use crate::outlet::scene_pictures::ScenePictures;
use crate::session::sheet::{ImportedLook, Sheet};
use crate::wording;

/// Of the format.
const VERSION: u64 = 1;
/// Fifteen looks with two pictures each are smaller.
const MOST_MIB: u64 = 16;

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetFile {
    greyhold_sheet: u64,
    pub sheet: Sheet,
    /// The small pictures that the looks' readings are of, in bytes (RFC 4648, section 4).
    pictures: BTreeMap<PictureId, String>,
}

/// A look that is to be taken up, with the small pictures of its readings.
#[derive(Debug)]
pub struct KeptLook {
    pub look: ImportedLook,
    pub pictures: Vec<(PictureId, Arc<CodePicture>)>,
}

/// Why a file is no sheet that can be used: a whole sentence.
#[derive(Debug, thiserror::Error)]
pub enum SheetFault {
    #[error("{file} can't be read: {cause}")]
    Unreadable { file: String, cause: std::io::Error },
    #[error("{0} has more than {MOST_MIB} MiB, which no set-up sheet has: is it another file?")]
    TooLarge(String),
    #[error("{0} is no set-up sheet: 'greyhold sheet --json' writes one")]
    NoSheet(String),
    #[error("{0} was written by a newer greyhold: use that one, or have it written anew by this one")]
    Newer(String),
    #[error("{file} can't be used: {why}")]
    Unusable { file: String, why: String },
}

impl SheetFile {
    /// With the small pictures that are kept beside its log; those that are not are left out.
    pub fn of(sheet: Sheet, kept: &ScenePictures) -> SheetFile {
        let pictures = sheet.looks.iter().flat_map(|look| look.pictures.iter());
        let pictures = pictures.filter_map(|id| Some((*id, base64(&kept.read(*id)?.to_bytes())))).collect();
        SheetFile { greyhold_sheet: VERSION, sheet, pictures }
    }

    pub fn json(&self) -> String {
        // Every number in it is finite.
        serde_json::to_string(self).unwrap_or_default()
    }

    /// # Errors
    /// What is there is no sheet, or a damaged one.
    pub fn read(path: &Path) -> Result<SheetFile, SheetFault> {
        let file = || path.display().to_string();
        let unreadable = |cause| SheetFault::Unreadable { file: file(), cause };
        let mut bytes = Vec::new();
        let opened = open(path, Links::Followed).map_err(unreadable)?;
        opened.take((MOST_MIB << 20) + 1).read_to_end(&mut bytes).map_err(unreadable)?;
        if bytes.len() as u64 > MOST_MIB << 20 {
            return Err(SheetFault::TooLarge(file()));
        }
        let value: Value = serde_json::from_slice(&bytes).map_err(|_| SheetFault::NoSheet(file()))?;
        match value["greyhold_sheet"].as_u64() {
            None => return Err(SheetFault::NoSheet(file())),
            Some(version) if version > VERSION => return Err(SheetFault::Newer(file())),
            Some(_) => {}
        }
        let sheet = serde_json::from_value(value);
        sheet.map_err(|e| SheetFault::Unusable { file: file(), why: wording::of_fault(&e.to_string()) })
    }

    /// A look, to be taken up under a name; `file` names its photograph there.
    ///
    /// # Errors
    /// The end of a sentence that names the sheet.
    pub fn kept_look(&self, look: &str, taken_up_as: &str, file: String) -> Result<KeptLook, String> {
        let imported = ImportedLook::of(&self.sheet, look, taken_up_as, file)?;
        let picture = |id: PictureId| {
            let bytes = from_base64(self.pictures.get(&id)?)?;
            Some((id, Arc::new(CodePicture::from_bytes(id, &bytes)?)))
        };
        let wanted: Vec<PictureId> = imported.observation.pictures().collect();
        let pictures: Vec<(PictureId, Arc<CodePicture>)> = wanted.iter().filter_map(|id| picture(*id)).collect();
        match wanted.len() == pictures.len() {
            true => Ok(KeptLook { look: imported, pictures }),
            false => Err("the small picture of that look's reference is missing in it, or damaged".to_owned()),
        }
    }
}
