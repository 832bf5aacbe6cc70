//! A plane of numbers, and what pictures are prepared by: shrinking, smoothing, slopes.

/// Numbers in rows from the top left.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Plane {
    pub width: usize,
    pub height: usize,
    pub values: Vec<f32>,
}

impl Plane {
    pub fn map(&self, of: impl Fn(f32) -> f32) -> Plane {
        Plane { values: self.values.iter().map(|v| of(*v)).collect(), ..*self }
    }

    pub fn zip(&self, other: &Plane, of: impl Fn(f32, f32) -> f32) -> Plane {
        Plane { values: self.values.iter().zip(&other.values).map(|(a, b)| of(*a, *b)).collect(), ..*self }
    }

    /// The plane at a smaller size, each value the mean of what it covers.
    pub fn shrunk(&self, width: usize, height: usize) -> Plane {
        let (columns, rows) = (cover(self.width, width), cover(self.height, height));
        let mut values = Vec::with_capacity(width * height);
        let mut low = vec![0.0; self.width];
        for (first, weights) in rows {
            low.fill(0.0);
            let lines = self.values[first * self.width..].chunks(self.width);
            for (line, weight) in lines.zip(weights) {
                low.iter_mut().zip(line).for_each(|(sum, value)| *sum += value * weight);
            }
            values.extend(columns.iter().map(|(first, weights)| dot(&low[*first..first + weights.len()], weights)));
        }
        Plane { width, height, values }
    }

    /// The mean about each pixel, falling off to `radius` pixels and beyond: two box means after each other.
    pub fn smoothed(&self, radius: usize) -> Plane {
        self.boxed(radius).boxed(radius)
    }

    /// The mean of the square about each pixel; beyond an edge the square ends.
    pub fn boxed(&self, radius: usize) -> Plane {
        let (count, mut padded) = (2 * radius + 1, vec![0.0; self.width + 2 * radius]);
        let shares: Vec<f32> = (0..self.width).map(|x| share_of(x, self.width, radius)).collect();
        let mut sums = Sums::default();
        let mut across = Vec::with_capacity(self.values.len());
        for line in self.values.chunks(self.width) {
            padded[radius..radius + self.width].copy_from_slice(line);
            across.extend(sums.of(&padded, count).iter().zip(&shares).map(|(sum, share)| sum * share));
        }
        // Down all columns at once, so that memory is walked in its order.
        let mut values = vec![0.0; self.values.len()];
        let mut sums = vec![0.0_f32; self.width];
        let line_of = |row: usize| &across[row * self.width..(row + 1) * self.width];
        let add = |sums: &mut [f32], row: usize, sign: f32| {
            sums.iter_mut().zip(line_of(row)).for_each(|(sum, value)| *sum += sign * value);
        };
        (0..radius.min(self.height)).for_each(|row| add(&mut sums, row, 1.0));
        for row in 0..self.height {
            if row + radius < self.height {
                add(&mut sums, row + radius, 1.0);
            }
            if row > radius {
                add(&mut sums, row - radius - 1, -1.0);
            }
            let share = share_of(row, self.height, radius);
            let out = &mut values[row * self.width..(row + 1) * self.width];
            out.iter_mut().zip(&sums).for_each(|(value, sum)| *value = sum * share);
        }
        Plane { values, ..*self }
    }

    /// How the plane rises to the right, and downwards, at each pixel.
    pub fn slopes(&self) -> [Plane; 2] {
        let (width, height) = (self.width, self.height);
        let (mut across, mut down) = (vec![0.0; self.values.len()], vec![0.0; self.values.len()]);
        for y in 0..height {
            let (above, below) = (y.saturating_sub(1) * width, (y + 1).min(height - 1) * width);
            let line = y * width;
            for x in 0..width {
                let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
                across[line + x] = (self.values[line + right] - self.values[line + left]) / 2.0;
                down[line + x] = (self.values[below + x] - self.values[above + x]) / 2.0;
            }
        }
        [Plane { values: across, ..*self }, Plane { values: down, ..*self }]
    }
}

/// What each of the values about one, as far as there are such, makes of their mean.
fn share_of(at: usize, count: usize, radius: usize) -> f32 {
    1.0 / ((at + radius).min(count - 1) + 1 - at.saturating_sub(radius)) as f32
}

/// Sums of neighbours, by sums of half as many. In a running sum each would have to wait for the one before it.
#[derive(Default)]
struct Sums {
    sums: Vec<f32>,
    next: Vec<f32>,
}

impl Sums {
    /// Of so many values from each on, where there are so many.
    fn of(&mut self, values: &[f32], count: usize) -> &[f32] {
        self.sums.clear();
        self.sums.extend_from_slice(values);
        let mut summed = 1;
        for bit in (0..count.ilog2()).rev() {
            self.add(None, summed);
            summed *= 2;
            if count >> bit & 1 == 1 {
                self.add(Some(values), summed);
                summed += 1;
            }
        }
        &self.sums
    }

    /// To each sum what stands so many places behind it: a value, or another sum.
    fn add(&mut self, values: Option<&[f32]>, behind: usize) {
        let added = &values.unwrap_or(&self.sums)[behind..];
        self.next.clear();
        self.next.extend(self.sums.iter().zip(added).map(|(sum, more)| sum + more));
        std::mem::swap(&mut self.sums, &mut self.next);
    }
}

/// The sum of products of as many values on either side.
pub(super) fn dot(a: &[f32], b: &[f32]) -> f32 {
    // Several sums side by side: one alone would have to wait for itself.
    const LANES: usize = 8;
    let mut sums = [0.0_f32; LANES];
    let (a, b) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest: f32 = a.remainder().iter().zip(b.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a.zip(b) {
        for lane in 0..LANES {
            sums[lane] += a[lane] * b[lane];
        }
    }
    sums.iter().sum::<f32>() + rest
}

/// For each of `to` places the first of `from` values that it covers, and what share of it each one makes.
fn cover(from: usize, to: usize) -> Vec<(usize, Vec<f32>)> {
    let size = from as f64 / to as f64;
    let place = |at: usize| {
        let (begin, end) = (at as f64 * size, (at + 1) as f64 * size);
        let first = (begin as usize).min(from - 1);
        let last = (end.ceil() as usize).clamp(first + 1, from);
        let overlap = |value: usize| (end.min((value + 1) as f64) - begin.max(value as f64)).max(0.0);
        let all: f64 = (first..last).map(overlap).sum();
        (first, (first..last).map(|value| (overlap(value) / all) as f32).collect())
    };
    (0..to).map(place).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plane(width: usize, height: usize, of: impl Fn(usize, usize) -> f32) -> Plane {
        let values = (0..height).flat_map(|y| (0..width).map(move |x| (x, y))).map(|(x, y)| of(x, y)).collect();
        Plane { width, height, values }
    }

    /// CHECK: a mean of means that cover all of it alike is the mean (definition).
    #[test]
    fn shrinking_keeps_the_mean_and_a_ramp_stays_one() {
        let ramp = plane(90, 60, |x, y| x as f32 + 2.0 * y as f32);
        let small = ramp.shrunk(40, 25);
        let mean = |p: &Plane| p.values.iter().sum::<f32>() / p.values.len() as f32;
        assert!((mean(&ramp) - mean(&small)).abs() < 0.01);
        // The middle of a small pixel in the large picture's pixels. What a pixel shows is the same all over it, so that a
        // ramp has steps: the mean is off by less than a tenth of how the ramp rises over a small pixel.
        let at = |x: usize, y: usize| ((x as f32 + 0.5) * 2.25 - 0.5) + 2.0 * ((y as f32 + 0.5) * 2.4 - 0.5);
        assert!((small.values[10 * 40 + 7] - at(7, 10)).abs() < 0.225);
    }

    proptest! {
        /// CHECK: the mean of the square about a pixel, as far as it lies within the plane (definition).
        #[test]
        fn a_boxed_plane_holds_the_means_of_squares(
            width in 1_usize..20, height in 1_usize..20, radius in 0_usize..6, seed in 0_u32..1000,
        ) {
            let of = |x: usize, y: usize| ((x as u32 * 31 + y as u32 * 17 + seed) % 23) as f32;
            let boxed = plane(width, height, of).boxed(radius);
            for y in 0..height {
                for x in 0..width {
                    let rows = y.saturating_sub(radius)..=(y + radius).min(height - 1);
                    let columns = x.saturating_sub(radius)..=(x + radius).min(width - 1);
                    let all: Vec<f32> =
                        rows.flat_map(|y| columns.clone().map(move |x| (x, y))).map(|(x, y)| of(x, y)).collect();
                    let mean = all.iter().sum::<f32>() / all.len() as f32;
                    prop_assert!((boxed.values[y * width + x] - mean).abs() < 1e-3);
                }
            }
        }
    }

    #[test]
    fn slopes_of_a_ramp_are_its_steepness() {
        let [across, down] = plane(6, 5, |x, y| 0.5 * x as f32 - 2.0 * y as f32).slopes();
        assert_eq!((across.values[2 * 6 + 3], down.values[2 * 6 + 3]), (0.5, -2.0));
    }
}
