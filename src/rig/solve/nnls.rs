//! Non-negative least squares: no light gives less than none.

use nalgebra::{DMatrix, DVector};

/// What is nearer to zero than this part of the largest pull pulls no more.
const NO_PULL: f64 = 1e-12;

/// The `x >= 0` that brings `rows * x` nearest to `wanted`, by the active-set method: one light more is let in as long as that brings it
/// nearer, and those that would have to give less than none are put out again.
/// Source: Lawson and Hanson, Solving Least Squares Problems, 1974, chapter 23 (from memory).
pub fn nnls(rows: &[Vec<f64>], wanted: &[f64]) -> Vec<f64> {
    let columns = rows.first().map_or(0, Vec::len);
    let matrix = DMatrix::from_fn(rows.len(), columns, |i, j| rows[i][j]);
    let wanted = DVector::from_column_slice(wanted);
    let least = NO_PULL * matrix.tr_mul(&wanted).amax();
    let mut x = DVector::<f64>::zeros(columns);
    let mut free: Vec<usize> = Vec::new();
    // Each light is let in a few times at most; rounding must not make it go on for ever.
    for _ in 0..3 * columns {
        let pull = matrix.tr_mul(&(&wanted - &matrix * &x));
        let out = (0..columns).filter(|j| !free.contains(j) && pull[*j] > least);
        let Some(next) = out.max_by(|a, b| pull[*a].total_cmp(&pull[*b])) else { break };
        free.push(next);
        if least_squares(&matrix, &wanted, &free).is_none() {
            break;
        }
        while let Some(best) = least_squares(&matrix, &wanted, &free) {
            if free.iter().all(|j| best[*j] > 0.0) {
                x = best;
                break;
            }
            let back = |j: &usize| (best[*j] <= 0.0).then(|| x[*j] / (x[*j] - best[*j]));
            let part = free.iter().filter_map(back).filter(|p| p.is_finite()).fold(1.0, f64::min);
            x += (best - &x) * part;
            free.retain(|j| x[*j] > f64::EPSILON);
            (0..columns).filter(|j| !free.contains(j)).for_each(|j| x[j] = 0.0);
        }
    }
    x.as_slice().to_vec()
}

/// Least squares of some columns alone, the others zero; `None` where these say the same.
fn least_squares(matrix: &DMatrix<f64>, wanted: &DVector<f64>, free: &[usize]) -> Option<DVector<f64>> {
    let qr = matrix.select_columns(free).qr();
    let solved = qr.r().solve_upper_triangular(&qr.q().tr_mul(wanted))?;
    let mut x = DVector::zeros(matrix.ncols());
    free.iter().zip(solved.iter()).for_each(|(j, value)| x[*j] = *value);
    Some(x)
}
