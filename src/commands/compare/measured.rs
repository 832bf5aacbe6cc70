//! What the spots of all photographs come to: which is the sharpest, what each keeps of it, why, and which aperture keeps what.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};

use crate::frame::Cut;
use crate::photometry::FNumber;
use crate::response::Response;
use crate::session::WhichAperture;
use crate::sharpness::{Cause, Crop, ReferenceSpot, Softness, SpotSoftness, Untold, finest_first, judge, kept_of};

/// One photograph, as far as it could be read.
pub struct Shot {
    pub file: PathBuf,
    pub f_number: Option<FNumber>,
    /// Why there is nothing of it.
    pub fault: Option<String>,
    pub response: Response,
    /// Of each spot, where it lies in the frame.
    pub cuts: Vec<Result<Cut, Untold>>,
}

/// All that was measured.
pub struct Measured {
    pub spots: Vec<String>,
    pub shots: Vec<Shot>,
    /// Of each spot the shot that is the sharpest there; `None` where nothing could be measured.
    pub sharpest: Vec<Option<usize>>,
    /// Of each shot and spot, against that one; `None` is that one itself.
    pub against_sharpest: Vec<Vec<Option<Result<Softness, Untold>>>>,
    /// Of each shot but the first, against the first.
    pub causes: Vec<Option<Cause>>,
    pub which_aperture: WhichAperture,
}

impl Shot {
    pub fn unread(file: &Path, spots: usize, why: String) -> Shot {
        let cuts = (0..spots).map(|_| Err(Untold::Moved)).collect();
        Shot { file: file.to_owned(), f_number: None, fault: Some(why), response: Response::srgb(), cuts }
    }

    /// A spot's piece in light.
    fn crop(&self, spot: usize) -> Result<Crop, Untold> {
        let cut = self.cuts[spot].as_ref().map_err(|untold| *untold)?;
        Ok(Crop::of_cut(cut, &self.response))
    }
}

impl Measured {
    pub fn of(spots: Vec<String>, shots: Vec<Shot>) -> Measured {
        let progress = Progress { all: spots.len(), shown: std::io::stderr().is_terminal() };
        let (mut sharpest, mut first, mut against) = (Vec::new(), Vec::new(), Vec::new());
        for (at, spot) in spots.iter().enumerate() {
            progress.measures(at + 1, spot);
            let (best, from_first, from_best) = compare_all(&shots, at);
            sharpest.push(best);
            first.push(from_first);
            against.push(from_best);
        }
        let over_spots = |of: &[Vec<Option<Result<Softness, Untold>>>], shot: usize| {
            of.iter().map(|spot| spot[shot]).collect::<Vec<_>>()
        };
        let against_sharpest: Vec<Vec<_>> = (0..shots.len()).map(|shot| over_spots(&against, shot)).collect();
        let cause = |shot: usize| {
            let measured = over_spots(&first, shot).into_iter().zip(&spots);
            let measured: Vec<SpotSoftness> = measured
                .filter_map(|(measured, spot)| Some(SpotSoftness { spot: spot.clone(), measured: measured? }))
                .collect();
            (shot > 0 && shots[shot].fault.is_none()).then(|| judge(&measured, shots[0].f_number, shots[shot].f_number))
        };
        let causes = (0..shots.len()).map(cause).collect();
        let shares = |shot: usize| -> Vec<Option<f64>> {
            let share = |(measured, best): (&Option<Result<Softness, Untold>>, &Option<usize>)| match measured {
                None => best.map(|_| 1.0),
                Some(measured) => kept_of(measured),
            };
            against_sharpest[shot].iter().zip(&sharpest).map(share).collect()
        };
        let known: Vec<(FNumber, Vec<Option<f64>>)> =
            shots.iter().enumerate().filter_map(|(at, shot)| Some((shot.f_number?, shares(at)))).collect();
        let which_aperture = WhichAperture::of(&spots, &known);
        Measured { spots, shots, sharpest, against_sharpest, causes, which_aperture }
    }
}

type OfAllShots = Vec<Option<Result<Softness, Untold>>>;

/// One spot of all shots: which is the sharpest, all against the first, all against the sharpest.
fn compare_all(shots: &[Shot], spot: usize) -> (Option<usize>, OfAllShots, OfAllShots) {
    let crops: Vec<Result<Crop, Untold>> = shots.iter().map(|shot| shot.crop(spot)).collect();
    let against = |number: usize| -> OfAllShots {
        // Of one spot at a time, for its spectra are large.
        let reference = crops[number].as_ref().map(ReferenceSpot::of).map_err(|why| *why);
        let compared = |(at, crop): (usize, &Result<Crop, Untold>)| {
            (at != number).then(|| {
                let reference = reference.as_ref().map_err(|why| *why)?;
                reference.compare(crop.as_ref().map_err(|why| *why)?)
            })
        };
        crops.iter().enumerate().map(compared).collect()
    };
    let first = against(0);
    let told =
        |all: &OfAllShots| all.iter().flatten().any(|measured| matches!(measured, Ok(_) | Err(Untold::TooBlurred)));
    let over = |at: usize| if at == 0 { first.clone() } else { against(at) };
    // The finest detail may be that of another scene, with which nothing compares.
    let pieces: Vec<Option<&Crop>> = crops.iter().map(|crop| crop.as_ref().ok()).collect();
    let base = finest_first(&pieces).into_iter().map(|at| (at, over(at))).find(|(_, all)| told(all));
    let Some((base, all)) = base else { return (None, first.clone(), first) };
    let blur = |(at, measured): (usize, &Option<Result<Softness, Untold>>)| match measured {
        Some(Ok(softness)) if softness.is_sharper() => Some((at, softness.blur.0)),
        _ => None,
    };
    let sharper = all.iter().enumerate().filter_map(blur).min_by(|a, b| a.1.total_cmp(&b.1));
    match sharper {
        Some((best, _)) => {
            let all = over(best);
            (Some(best), first, all)
        }
        None => (Some(base), first, all),
    }
}

/// Told on a terminal only: it is nothing for files.
pub struct Progress {
    pub all: usize,
    pub shown: bool,
}

impl Progress {
    pub fn reads(&self, number: usize) {
        if self.shown {
            eprintln!("reading photograph {number} of {}", self.all);
        }
    }

    fn measures(&self, number: usize, spot: &str) {
        if self.shown {
            eprintln!("measuring spot {number} of {}: {spot}", self.all);
        }
    }
}
