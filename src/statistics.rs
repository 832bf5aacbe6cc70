//! The few statistics that everything else is worked out with: one median, one quantile a distribution, one correlation.
//!
//! Owns no unit and no meaning: numbers in, numbers out. Who calls says what they are. Two words are used the same
//! everywhere: a *deviation* is one standard deviation, a *half-width* is that of a two-sided 95 % interval. They never add
//! up without a factor from here between them.

/// The normal distribution's two-sided 95 % quantile: from a standard deviation to a half-width.
/// Source: any statistical table (1.959964), from memory.
pub const Z95: f64 = 1.96;

/// From the median absolute deviation to a standard deviation, for normal errors: one over the normal distribution's upper
/// quartile (Hampel 1974, from memory).
const MAD_TO_DEVIATION: f64 = 1.4826;

/// How much farther a median of normal errors is off than their mean: the root of pi over two, for many of them
/// (Kendall and Stuart, from memory).
const MEDIAN_OVER_MEAN: f64 = 1.2533;

/// Share of the standard normal distribution that lies below a place of it.
/// Source: by the complementary error function (Abramowitz and Stegun 7.1.2 and 26.2.29, from memory), by the `libm` crate.
pub fn normal_below(at: f64) -> f64 {
    libm::erfc(-at / std::f64::consts::SQRT_2) / 2.0
}

/// The middle of values, and the mean of the middle two of an even count; they are sorted. `None` of no values.
///
/// The mean of two and not one of them: the same values with all signs turned then have exactly the turned median.
pub fn median(values: &mut [f64]) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let upper = *values.get(values.len() / 2)?;
    let lower = *values.get((values.len() - 1) / 2)?;
    Some((lower + upper) / 2.0)
}

/// The value with half of the weight on either side, and the mean of two where the weights part evenly between them.
/// Each item is a value and its weight; `None` of no weight.
pub fn weighted_median(items: &mut [(f64, f64)]) -> Option<f64> {
    items.sort_by(|a, b| a.0.total_cmp(&b.0));
    let all: f64 = items.iter().map(|(_, weight)| weight).sum();
    // Sums of weights in either order differ in their last digits, and no more than that is an even parting.
    let (half, even) = (all / 2.0, all * 1e-9);
    let mut below = 0.0;
    let mut lower = None;
    for (value, weight) in items.iter().filter(|(_, weight)| *weight > 0.0) {
        if let Some(lower) = lower {
            return Some((lower + value) / 2.0);
        }
        below += weight;
        if (below - half).abs() <= even {
            lower = Some(*value);
        } else if below > half {
            return Some(*value);
        }
    }
    lower
}

/// Standard deviation of values about a centre, by the median of their distances: a few that are far off don't count.
pub fn robust_deviation(values: impl Iterator<Item = f64>, centre: f64) -> Option<f64> {
    let mut distances: Vec<f64> = values.map(|v| (v - centre).abs()).collect();
    Some(median(&mut distances)? * MAD_TO_DEVIATION)
}

/// Degrees of freedom of errors with long tails: Student's t (Lange, Little and Taylor, JASA 84, 1989, from memory).
pub const LONG_TAILED: f64 = 4.0;

/// How much larger errors with long tails are than they were taken to be, by the median of their ratios to that; `None` of no ratios.
pub fn larger_long_tailed(ratios: impl Iterator<Item = f64>) -> Option<f64> {
    // The median of the size of Student's t with four degrees of freedom (any table, from memory).
    const MEDIAN_SIZE: f64 = 0.741;
    let mut sizes: Vec<f64> = ratios.map(f64::abs).collect();
    Some(median(&mut sizes)? / MEDIAN_SIZE)
}

/// How much an observation with a long-tailed error counts in least squares, `left` being left over of it.
pub fn long_tailed_weight(left: f64, error: f64) -> f64 {
    (LONG_TAILED + 1.0) / (LONG_TAILED + (left / error).powi(2)) / error.powi(2)
}

/// Half-width of a median's 95 % interval, given the deviation of single values and how many of them are independent.
///
/// Student's quantile and not the normal one, for the deviation is known from no more values than those.
pub fn half_width_of_median(deviation: f64, independent: usize) -> f64 {
    let count = independent.max(2);
    student95(count - 1) * MEDIAN_OVER_MEAN * deviation / (count as f64).sqrt()
}

/// Student's two-sided 95 % quantile. For more than ten degrees of freedom by its expansion about the normal one
/// (Abramowitz and Stegun 26.7.5, from memory), which is right to a thousandth there.
pub fn student95(freedom: usize) -> f64 {
    const TABLE: [f64; 10] = [12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228];
    let expanded = || {
        let (z, v) = (Z95, freedom as f64);
        let third = 3.0 * z.powi(7) + 19.0 * z.powi(5) + 17.0 * z.powi(3) - 15.0 * z;
        let second = 5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z;
        z + (z.powi(3) + z) / (4.0 * v) + second / (96.0 * v.powi(2)) + third / (384.0 * v.powi(3))
    };
    TABLE.get(freedom.saturating_sub(1)).copied().unwrap_or_else(expanded)
}

/// Pearson's correlation of pairs of values; `None` where either side is all alike, and there is nothing to go together.
pub fn correlation(pairs: impl Iterator<Item = (f64, f64)> + Clone) -> Option<f64> {
    let count = pairs.clone().count() as f64;
    let (sum_a, sum_b) = pairs.clone().fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
    let (mean_a, mean_b) = (sum_a / count, sum_b / count);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in pairs {
        let (x, y) = (x - mean_a, y - mean_b);
        ab += x * y;
        aa += x * x;
        bb += y * y;
    }
    // Equal values have means that are off in their last digits.
    let flat = |squares: f64, mean: f64| squares <= 1e-18 * count * (1.0 + mean * mean);
    (count >= 2.0 && !flat(aa, mean_a) && !flat(bb, mean_b)).then(|| ab / (aa * bb).sqrt())
}

/// Spearman's correlation (1904): that of the places in order, which no rising change of either side touches.
pub fn rank_correlation(a: &[f64], b: &[f64]) -> Option<f64> {
    let (a, b) = (ranks(a), ranks(b));
    correlation(a.iter().copied().zip(b.iter().copied()))
}

/// The place of each value in order; equal ones share the mean of their places.
fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|i, j| values[*i].total_cmp(&values[*j]));
    let mut ranks = vec![0.0; values.len()];
    let mut place = 0;
    for equal in order.chunk_by(|i, j| values[*i] == values[*j]) {
        for i in equal {
            ranks[*i] = place as f64 + (equal.len() - 1) as f64 / 2.0;
        }
        place += equal.len();
    }
    ranks
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_median_is_the_middle_or_the_mean_of_the_middle_two() {
        assert_eq!(median(&mut []), None);
        assert_eq!(median(&mut [3.0]), Some(3.0));
        assert_eq!(median(&mut [4.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&mut [4.0, 1.0, 2.0, 3.0]), Some(2.5));
    }

    #[test]
    fn weights_move_a_median() {
        assert_eq!(weighted_median(&mut [(1.0, 1.0), (2.0, 1.0), (3.0, 5.0)]), Some(3.0));
        assert_eq!(weighted_median(&mut [(1.0, 1.0), (2.0, 1.0), (3.0, 2.0)]), Some(2.5));
        assert_eq!(weighted_median(&mut [(1.0, 2.0), (2.0, 0.0), (3.0, 2.0)]), Some(2.0));
        assert_eq!(weighted_median(&mut [(1.0, 0.0)]), None);
    }

    /// CHECK: Student's table, two-sided 5 % (Fisher and Yates, from memory): 2.228 at 10, 2.131 at 15, 2.042 at 30, 1.980 at 120.
    #[test]
    fn students_quantile_is_the_tables() {
        for (freedom, quantile) in
            [(1, 12.706), (5, 2.571), (10, 2.228), (11, 2.201), (15, 2.131), (30, 2.042), (120, 1.980)]
        {
            assert!((student95(freedom) - quantile).abs() < 2e-3, "{freedom}: {}", student95(freedom));
        }
    }

    /// CHECK: by hand: squares of the rank differences of (1 2 3 4 5) and (2 1 4 3 5) add up to 4, and 1 - 6 * 4 / 120 is 0.8.
    #[test]
    fn correlations_are_those_worked_out_by_hand() {
        let line = [1.0, 2.0, 3.0, 4.0, 5.0];
        assert!((rank_correlation(&line, &[20.0, 10.0, 400.0, 300.0, 5000.0]).unwrap() - 0.8).abs() < 1e-12);
        assert!((correlation(line.iter().map(|x| (*x, -3.0 * x))).unwrap() + 1.0).abs() < 1e-12);
        assert_eq!(correlation(line.iter().map(|x| (*x, 0.1))), None);
        assert_eq!(ranks(&[5.0, 1.0, 5.0]), [1.5, 0.0, 1.5]);
    }

    proptest! {
        #[test]
        fn signs_turn_with_their_median(values in proptest::collection::vec((-9.0_f64..9.0, 0.1_f64..3.0), 1..30)) {
            let mut turned: Vec<(f64, f64)> = values.iter().map(|(v, w)| (-v, *w)).collect();
            let mut items = values.clone();
            let (there, back) = (weighted_median(&mut items).unwrap(), weighted_median(&mut turned).unwrap());
            prop_assert!((there + back).abs() < 1e-12, "{there} {back}");
            let mut plain: Vec<f64> = values.iter().map(|(v, _)| *v).collect();
            let mut alike: Vec<(f64, f64)> = values.iter().map(|(v, _)| (*v, 1.0)).collect();
            prop_assert_eq!(median(&mut plain), weighted_median(&mut alike));
        }
    }
}
