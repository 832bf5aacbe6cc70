//! Measuring sharpness after a frame's verdict is out: on a thread of its own that yields to the metering, and with a worker of its own,
//! which yields as well and reads no frame. Nobody waits for it, the end least of all.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

use tokio::sync::oneshot;

use super::reading::regular;
use crate::frame::Cut;
use crate::meter::Area;
use crate::numbers::{FrameNumber, RecordNumber};
use crate::outlet::spot_pictures::{BaseLevel, SpotPicture, SpotPictures};
use crate::photometry::Series;
use crate::session::{MeasuredSharpness, SharpnessFile, SharpnessWanted, SpotSharpness};
use crate::sharpness::{Cause, Crop, Pixels, Softness, SpotSoftness, Untold, compare_spot, cut_place, judge};
use crate::workers::{Depth, Pool, Task};

/// Frames that follow each other faster are measured no more but the last: so long nothing must have landed.
const QUIET: Duration = Duration::from_millis(400);
/// So much of a large spot is looked at, and so much about it in which it may lie, in pixels: 0.6 MB a spot in memory, and of a raw
/// file 1.4 MB.
const MOST_SIDE: usize = 384;
const MARGIN: usize = 32;
/// How far the thread stands back behind those that meter.
#[cfg(target_os = "linux")]
const NICE: i32 = 10;

/// When it is measured, and what is kept of the frame that others are held against.
pub(super) struct Sharpening {
    /// Started by a thread that stands back, its worker does, too: a frame that it read would be late.
    pool: Pool,
    folder: PathBuf,
    last_landed: Instant,
    under_way: bool,
    /// The state was looked at as of this record.
    looked_at: Option<RecordNumber>,
    /// It is tried once.
    tried: Option<FrameNumber>,
    kept: Option<Arc<Kept>>,
    pictures: Arc<SpotPictures>,
}

/// The spots of one file, cut out.
pub(super) struct Kept {
    file: String,
    places: Vec<Option<Area>>,
    cuts: Vec<Option<Cut>>,
}

/// What came of it.
pub(super) struct Sharpened {
    pub wanted: Box<SharpnessWanted>,
    result: Told,
    /// What is kept from now on; `None` leaves what is.
    kept: Option<Arc<Kept>>,
}

enum Told {
    Measured(Box<MeasuredSharpness>),
    Pictures(Vec<Option<SpotPicture>>),
}

impl Sharpening {
    pub fn new(pool: Pool, folder: PathBuf) -> Sharpening {
        Sharpening {
            pool,
            folder,
            last_landed: Instant::now(),
            under_way: false,
            looked_at: None,
            tried: None,
            kept: None,
            pictures: Arc::default(),
        }
    }

    pub fn workers(&self) -> Pool {
        self.pool.clone()
    }

    pub fn pictures(&self) -> Arc<SpotPictures> {
        Arc::clone(&self.pictures)
    }

    /// Something came from the intake: whatever else lands is waited for.
    pub fn landed(&mut self) {
        self.last_landed = Instant::now();
    }

    /// Whether it is worth a look at the state as of this record.
    pub fn is_due(&mut self, now: RecordNumber) -> bool {
        let is_due = !self.under_way && self.last_landed.elapsed() >= QUIET && self.looked_at != Some(now);
        if is_due {
            self.looked_at = Some(now);
        }
        is_due
    }

    /// Measured or shown, or tried in vain. Without a page nothing is shown.
    pub fn is_done(&self, wanted: &SharpnessWanted, has_page: bool) -> bool {
        match wanted.measures {
            Some(_) => self.tried == wanted.measures,
            None => !has_page || self.pictures.has(&wanted.beside),
        }
    }

    /// Begins; `None` where no thread is to be had.
    pub fn begin(&mut self, wanted: SharpnessWanted) -> Option<oneshot::Receiver<Sharpened>> {
        let tried = wanted.measures.or(self.tried);
        let (pool, folder, kept) = (self.pool.clone(), self.folder.clone(), self.kept.clone());
        let (tell, told) = oneshot::channel();
        let measuring = move || {
            stand_back();
            // Who is gone doesn't want it any more.
            let _ = tell.send(measure(&pool, &folder, wanted, kept));
        };
        // Not one of those that the end waits for.
        std::thread::Builder::new().name("sharpness".to_owned()).spawn(measuring).ok()?;
        (self.tried, self.under_way) = (tried, true);
        Some(told)
    }

    /// What is to be logged of it. Nothing may have come of it, or something that doesn't hold any more.
    pub fn take(&mut self, done: Option<Sharpened>) -> Option<Box<MeasuredSharpness>> {
        self.under_way = false;
        let Sharpened { wanted, result, kept } = done?;
        if let Some(kept) = kept {
            self.kept = Some(kept);
        }
        match result {
            Told::Measured(measured) => Some(measured),
            Told::Pictures(pictures) => {
                Arc::make_mut(&mut self.pictures).add(&wanted, pictures);
                // No record tells that there may be another one to show.
                self.looked_at = None;
                None
            }
        }
    }
}

#[cfg(target_os = "linux")]
fn stand_back() {
    // On Linux it is of the thread alone; where it is refused the thread is one like the others.
    let _ = rustix::process::setpriority_process(None, NICE);
}

#[cfg(not(target_os = "linux"))]
fn stand_back() {}

fn measure(pool: &Pool, folder: &Path, wanted: SharpnessWanted, kept: Option<Arc<Kept>>) -> Sharpened {
    let base = match kept.filter(|kept| kept.is_of(&wanted.against)) {
        Some(kept) => Ok(kept),
        None => Kept::read(pool, folder, &wanted.against).map(Arc::new),
    };
    // The base is shown beside the others, too.
    let own = match &base {
        Ok(base) if base.is_of(&wanted.frame) => Ok(Arc::clone(base)),
        _ => Kept::read(pool, folder, &wanted.frame).map(Arc::new),
    };
    let (result, kept) = match wanted.measures {
        Some(number) => {
            let (measured, kept) = match base.and_then(|base| Ok((own?, base))) {
                Ok((own, base)) => compared(&wanted, number, own, base),
                Err(fault) => (MeasuredSharpness { fault: Some(fault), ..nothing_of(&wanted, number) }, None),
            };
            (Told::Measured(Box::new(measured)), kept)
        }
        None => {
            // What lies over nothing is seen as it is.
            let (own, base) = (own.ok(), base.ok());
            let picture = |at| picture(&wanted, at, own.as_deref()?, base.as_deref());
            (Told::Pictures((0..wanted.spots.len()).map(picture).collect()), base)
        }
    };
    Sharpened { wanted: Box::new(wanted), result, kept }
}

/// How a spot of the frame differs from that of the one that it is held against.
fn softness(wanted: &SharpnessWanted, at: usize, own: &Kept, base: &Kept) -> Result<Softness, Untold> {
    let crop = |kept: &Kept, of: &SharpnessFile| {
        let cut = kept.cuts.get(at).and_then(Option::as_ref).ok_or(Untold::Moved)?;
        Ok(Crop::of_cut(cut, &of.response))
    };
    compare_spot(&crop(base, &wanted.against)?, &crop(own, &wanted.frame)?)
}

fn picture(wanted: &SharpnessWanted, at: usize, own: &Kept, base: Option<&Kept>) -> Option<SpotPicture> {
    let found = base.and_then(|base| softness(wanted, at, own, base).ok());
    let shift = found.map_or([Pixels(0.0); 2], |softness| softness.shift);
    let of_base = base.and_then(|base| base.cuts.get(at)?.as_ref());
    SpotPicture::of(own.cuts.get(at)?.as_ref()?, shift, of_base.map(BaseLevel::of))
}

fn nothing_of(wanted: &SharpnessWanted, number: FrameNumber) -> MeasuredSharpness {
    let is = &wanted.frame.is;
    MeasuredSharpness {
        frame: number,
        file: is.file.clone(),
        f_number: is.f_number,
        look: wanted.beside.over.look.clone(),
        reference: wanted.beside.over.reference.clone(),
        against: wanted.against.is.clone(),
        spots: Vec::new(),
        cause: None,
        is_sharpest: false,
        fault: None,
    }
}

fn compared(
    wanted: &SharpnessWanted,
    number: FrameNumber,
    own: Arc<Kept>,
    base: Arc<Kept>,
) -> (MeasuredSharpness, Option<Arc<Kept>>) {
    let all: Vec<SpotSoftness> = wanted
        .spots
        .iter()
        .enumerate()
        .map(|(at, (spot, _))| SpotSoftness { spot: spot.clone(), measured: softness(wanted, at, &own, &base) })
        .collect();
    let cause = judge(&all, wanted.against.is.f_number, wanted.frame.is.f_number);
    // Where it tells nothing of a spot, no other frame could be held against it there.
    let is_whole = all.iter().all(|of| matches!(of.measured, Ok(_) | Err(Untold::ReferenceTooBlurred)));
    let is_sharper = match &cause {
        Cause::MoreDepth { .. } | Cause::ReferenceSoft { .. } => true,
        Cause::ApertureUnknown { softer, .. } => softer.is_empty(),
        _ => false,
    };
    let is_sharpest = is_sharper && is_whole;
    let is_told = !matches!(cause, Cause::Untold | Cause::AsSharp { .. });
    let spots = all.into_iter().zip(&wanted.spots);
    let spots = spots.map(|(of, (_, area))| SpotSharpness::of(of.spot, *area, of.measured)).collect();
    let measured = MeasuredSharpness {
        spots,
        cause: is_told.then(|| cause.sentence()),
        is_sharpest,
        ..nothing_of(wanted, number)
    };
    (measured, Some(if is_sharpest { own } else { base }))
}

impl Kept {
    fn is_of(&self, file: &SharpnessFile) -> bool {
        self.file == file.is.file && self.places == file.places
    }

    /// `Err` is a sentence.
    fn read(pool: &Pool, folder: &Path, wanted: &SharpnessFile) -> Result<Kept, String> {
        let file = &wanted.is.file;
        let of_file = |why: String| format!("{file}: {why}");
        let (path, kind) = regular(folder, file).map_err(of_file)?;
        let places = wanted.places.iter().flatten().map(|area| cut_place(*area, MOST_SIDE, MARGIN)).collect();
        let task = Task { cuts: places, ..Task::of(path, kind, Series::Thirds, Depth::Cuts) };
        let mut cuts = pool.read(&task).map_err(|refused| of_file(refused.to_string()))?.cuts.into_iter();
        let cuts = wanted.places.iter().map(|place| place.and_then(|_| cuts.next())).collect();
        Ok(Kept { file: file.clone(), places: wanted.places.clone(), cuts })
    }
}
