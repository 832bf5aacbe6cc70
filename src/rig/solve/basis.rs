//! What each source gives to every part of the frame: the survey's pictures, made to add up.
//!
//! The pictures of single lights tell shares, the picture with all lights tells the level. So an error
//! that is common to all (a sitter who moved a little, a curve that bends) cancels as long as nothing
//! changes, and counts only with what changes.

use nalgebra::{DMatrix, DVector};

use super::cells_of;
use super::field::{Field, Shift};
use super::model::{CurveError, Task};
use crate::meter::Area;
use crate::photometry::Stops;
use crate::response::{Response, TRUSTED};
use crate::rig::PatchLight;
use crate::rig::share::LightShare;
use crate::statistics::Z95;

/// A single source's picture, ambient light taken off, and what its light is now against then.
#[derive(Debug, Clone)]
pub struct Single {
    pub light: PatchLight,
    pub gain: Stops,
}

/// The sources of a surveyed set of lights.
#[derive(Debug, Clone)]
pub struct Basis {
    pub(super) fields: Vec<Field>,
    /// Share of each source in every cell, when nothing has changed.
    pub(super) shares: Vec<Vec<f64>>,
    /// How far a source's own light may be off in a cell, standard deviation in stops.
    pub(super) sd: Vec<Vec<f64>>,
    /// Codes of each source's own picture, and of the picture with all.
    codes: Vec<Vec<f64>>,
    all_codes: Vec<f64>,
    pub(super) cells: (usize, usize),
    /// How far each single picture surely is from what the picture with all says of it: beyond its 95 % interval.
    pub misfit: Vec<Stops>,
}

/// How far a light's single picture may be off, standard deviation before anything is seen.
const SINGLE_OFF: f64 = 0.3;
/// Ways in which the curve may be off that are taken along.
const CURVE_ERRORS: usize = 8;
/// Light of a patch that is nearly black is this uncertain.
const BLACK_SD: f64 = 1.5;
/// Above this condition lights are tied: a hundredth of a stop in the cells is then more than half a stop in a light. Not lower, for
/// what is tied is told to have changed as one: at 8, one claim in twenty of `each_light_is_read_out_of_a_frame` was wrong for it. On
/// real faces (`.ci/strobe-shoot`, seeds 31 to 34) none of 231 claims at conditions above 8 was wrong, 20 of 3,813 were below.
const MOST_CONDITION: f64 = 60.0;
/// A patch's level is mended by no more than this.
const MOST_MENDED: f64 = 1.0;

impl Basis {
    /// Puts the single pictures together so that they add up to the one with all lights. `whole`: every
    /// light has its picture; else the last of them is what the others leave over, and nothing can be held against it.
    pub fn of(singles: &[Single], all: &PatchLight, response: &Response, whole: bool) -> Option<Basis> {
        let fields: Vec<Field> = singles.iter().map(|s| Field::of(&s.light, s.gain)).collect();
        let code = |light: Option<f64>| light.map_or(0.0, |l| response.code(Stops(l)));
        let codes: Vec<Vec<f64>> = singles.iter().map(|s| cells_of(&s.light).into_iter().map(code).collect()).collect();
        let all_codes: Vec<f64> = cells_of(all).into_iter().map(code).collect();
        let raw = Basis {
            shares: vec![vec![0.0; all_codes.len()]; fields.len()],
            sd: codes.iter().map(|c| own_sd(c, &all_codes, response)).collect(),
            codes,
            all_codes,
            cells: all.cells(),
            misfit: Vec::new(),
            fields,
        };
        let (factors, sd, shift) = if whole {
            let fit = Task { prior: vec![SINGLE_OFF; singles.len()], ..raw.task(all, response, &[]) }.fit()?;
            let sd = fit.covariance.diagonal().map(|v| v.max(0.0).sqrt()).as_slice().to_vec();
            (fit.factors.as_slice().to_vec(), sd, fit.shift)
        } else {
            (vec![1.0; singles.len()], vec![0.0; singles.len()], Shift::default())
        };
        let fields = raw.mended(all, &factors, shift);
        let lit: Vec<Vec<f64>> = fields.iter().map(|f| f.cells(Shift::default())).collect();
        let sum: Vec<f64> = (0..raw.all_codes.len()).map(|i| lit.iter().map(|l| l[i]).sum()).collect();
        let shares = lit.iter().map(|l| l.iter().zip(&sum).map(|(own, all)| own / all).collect()).collect();
        Some(Basis {
            fields,
            shares,
            misfit: factors.iter().zip(&sd).map(|(f, d)| sure_misfit(*f, *d)).collect(),
            ..raw
        })
    }

    /// Sources that light the same cells so alike that no picture can tell them apart; each set is tied, every
    /// other source stands alone. `among` are the sources that may be tied.
    ///
    /// By the condition of the system of shares, its columns scaled to one length (Golub and Van Loan,
    /// Matrix Computations, from memory).
    pub fn ties(&self, among: &[usize]) -> Vec<Vec<usize>> {
        let mut sets: Vec<Vec<usize>> = among.iter().map(|s| vec![*s]).collect();
        loop {
            let columns: Vec<DVector<f64>> = sets.iter().map(|set| self.column(set)).collect();
            let alike = DMatrix::from_fn(sets.len(), sets.len(), |i, j| columns[i].dot(&columns[j]));
            let pairs = (0..sets.len()).flat_map(|j| (0..j).map(move |i| (i, j)));
            let nearest = pairs.max_by(|a, b| alike[*a].total_cmp(&alike[*b]));
            let Some((i, j)) = nearest.filter(|_| condition(&alike) > MOST_CONDITION) else { return sets };
            let joined = sets.remove(j);
            sets[i].extend(joined);
        }
    }

    /// Shares of a set of sources in every cell, scaled to length one.
    fn column(&self, set: &[usize]) -> DVector<f64> {
        let share = |at: usize| set.iter().map(|s| self.shares[*s][at]).sum::<f64>();
        let cells = (0..self.all_codes.len()).map(share).map(|s| if s.is_finite() { s } else { 0.0 });
        let column = DVector::from_iterator(self.all_codes.len(), cells);
        let length = column.norm();
        if length > 0.0 { column / length } else { column }
    }

    /// The same light with tied sources as one; `sets` name every source once.
    pub fn joined(&self, sets: &[Vec<usize>]) -> Basis {
        let sum = |of: &[Vec<f64>], set: &[usize]| -> Vec<f64> {
            (0..of[0].len()).map(|at| set.iter().map(|s| of[*s][at]).sum()).collect()
        };
        let strongest = |of: &[Vec<f64>], set: &[usize]| -> Vec<f64> {
            let by_share = |at: usize| {
                set.iter().copied().max_by(|a, b| self.shares[*a][at].total_cmp(&self.shares[*b][at])).unwrap_or(set[0])
            };
            (0..of[0].len()).map(|at| of[by_share(at)][at]).collect()
        };
        Basis {
            fields: sets.iter().map(|set| Field::sum(set.iter().map(|s| &self.fields[*s]))).collect(),
            shares: sets.iter().map(|set| sum(&self.shares, set)).collect(),
            sd: sets.iter().map(|set| strongest(&self.sd, set)).collect(),
            codes: sets.iter().map(|set| strongest(&self.codes, set)).collect(),
            misfit: misfit_of(sets, &self.misfit),
            ..self.clone()
        }
    }

    /// Share of each source in the light of an area of the frame; `None` where all of the area is clipped.
    pub fn shares_in(&self, area: Area) -> Option<Vec<LightShare>> {
        let sums: Vec<f64> = self.fields.iter().map(|f| f.light_in(area)).collect();
        LightShare::of_parts(&sums)
    }

    /// The most that each source gives to any cell.
    pub fn most(&self) -> Vec<f64> {
        self.shares.iter().map(|s| s.iter().copied().filter(|v| v.is_finite()).fold(0.0, f64::max)).collect()
    }

    /// The fields where the picture with all has the scene, with its level.
    fn mended(&self, all: &PatchLight, factors: &[f64], shift: Shift) -> Vec<Field> {
        let moved: Vec<Field> = self.fields.iter().zip(factors).map(|(f, c)| f.moved(shift, *c)).collect();
        let wanted = Field::of(all, Stops::ZERO);
        let factor: Vec<f64> = (0..wanted.light.len())
            .map(|i| {
                let sum: f64 = moved.iter().map(|f| f.light[i]).sum();
                (wanted.light[i] / sum).clamp((-MOST_MENDED).exp2(), MOST_MENDED.exp2())
            })
            .collect();
        moved
            .into_iter()
            .map(|mut field| {
                field.light.iter_mut().zip(&factor).for_each(|(l, f)| *l *= f);
                field
            })
            .collect()
    }

    /// How far the curve as a whole may be off between a frame's cells and the survey's, standard deviation in stops.
    fn curve_sd(&self, frame_codes: &[f64], response: &Response) -> Vec<f64> {
        let of = |(frame, all): (&f64, &f64)| response.uncertainty_of([(*frame, *all, 1.0)].into_iter()).0 / Z95;
        frame_codes.iter().zip(&self.all_codes).map(of).collect()
    }

    /// The sources' light when each has changed as expected; one that nothing is said of, not at all.
    pub(super) fn expected_fields(&self, expected: &[Stops]) -> Vec<Field> {
        let gain = |s: usize| expected.get(s).map_or(1.0, |e| e.ratio());
        self.fields.iter().enumerate().map(|(s, f)| f.times(gain(s))).collect()
    }

    /// What is to be fitted for a frame.
    pub(super) fn task(&self, frame: &PatchLight, response: &Response, expected: &[Stops]) -> Task {
        let told = |(at, light): (usize, Option<f64>)| {
            let known = self.shares.iter().all(|s| s[at].is_finite());
            light.filter(|l| known && TRUSTED.contains(&response.code(Stops(*l))))
        };
        let observed: Vec<Option<f64>> = cells_of(frame).into_iter().enumerate().map(told).collect();
        let frame_codes: Vec<f64> = observed.iter().map(|s| s.map_or(0.0, |l| response.code(Stops(l)))).collect();
        let at = |error: &[f64; 256], codes: &[f64]| -> Vec<f64> {
            codes.iter().map(|c| error[c.round() as usize]).collect()
        };
        let curve = response.likely_errors(CURVE_ERRORS);
        let curve = curve.iter().map(|error| CurveError {
            frame: at(error, &frame_codes).iter().zip(at(error, &self.all_codes)).map(|(f, a)| f - a).collect(),
            sources: self.codes.iter().map(|codes| at(error, codes)).collect(),
        });
        Task {
            fields: self.expected_fields(expected),
            noise: frame_codes.iter().map(|c| response.noise_between(*c, *c).0).collect(),
            observed,
            curve: curve.collect(),
            curve_sd: self.curve_sd(&frame_codes, response),
            prior: vec![3.0; self.fields.len()],
            shares: self.shares.clone(),
            sd: self.sd.clone(),
            cells: self.cells,
        }
    }
}

/// How far sets of tied sources are off: as far as the one of them that is farthest, for one that doesn't add up is one too
/// many.
fn misfit_of(sets: &[Vec<usize>], misfit: &[Stops]) -> Vec<Stops> {
    let farther = |a: Stops, b: Stops| if b.abs() > a.abs() { b } else { a };
    sets.iter().map(|set| set.iter().map(|s| misfit[*s]).fold(Stops::ZERO, farther)).collect()
}

/// Stops of a factor, less the half-width of its 95 % interval.
fn sure_misfit(factor: f64, sd: f64) -> Stops {
    let misfit = factor.log2();
    let half_width = Z95 * sd / (factor * std::f64::consts::LN_2);
    Stops(misfit.signum() * (misfit.abs() - half_width).max(0.0))
}

/// Largest by smallest singular value of columns, given their products.
fn condition(products: &DMatrix<f64>) -> f64 {
    let values = products.clone().symmetric_eigen().eigenvalues;
    (values.max() / values.min().max(1e-12)).sqrt()
}

/// How far a source's light may be off in a cell, against the light of all there.
fn own_sd(codes: &[f64], all: &[f64], response: &Response) -> Vec<f64> {
    let of = |(own, all): (&f64, &f64)| {
        if *own < TRUSTED.start {
            return BLACK_SD;
        }
        let curve = response.uncertainty_between(response.light(*all), response.light(*own)).0 / Z95;
        curve.hypot(response.noise_between(*own, *own).0).min(BLACK_SD)
    };
    codes.iter().zip(all).map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_tied_sources_the_one_that_adds_up_worst_counts() {
        let misfit = [Stops(0.1), Stops(0.0), Stops(-0.9)];
        assert_eq!(misfit_of(&[vec![0], vec![1, 2]], &misfit), [Stops(0.1), Stops(-0.9)]);
    }
}
