//! The hot loops of the meters, in explicit vectors: the compiler makes single steps of a minimum beside a maximum.
//!
//! The width of the registers is chosen at run time. Sums are kept in `ACCUMULATORS` accumulators whatever the width, and a
//! minimum has no order, so every processor gives the same bytes.
//!
//! It knows slices, and neither blocks nor streams.

use pulp::{Arch, Simd, WithSimd};

/// Accumulators of every sum; a multiple of all register widths.
const ACCUMULATORS: usize = 8;

type Accumulators = [f64; ACCUMULATORS];

/// The least and the greatest value of a slice; (∞, −∞) when it is empty.
pub(crate) fn range(samples: &[f64]) -> (f64, f64) {
    Arch::new().dispatch(Range(samples))
}

struct Range<'a>(&'a [f64]);

impl WithSimd for Range<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> (f64, f64) {
        let (vectors, rest) = S::as_simd_f64s(self.0);
        let (mut low, mut high) =
            ([simd.splat_f64s(f64::INFINITY); 4], [simd.splat_f64s(f64::NEG_INFINITY); 4]);
        // Four at a time, since each step waits for the one before.
        let (fours, singles) = vectors.as_chunks::<4>();
        for four in fours {
            for nth in 0..4 {
                low[nth] = simd.min_f64s(low[nth], four[nth]);
                high[nth] = simd.max_f64s(high[nth], four[nth]);
            }
        }
        for &vector in singles {
            low[0] = simd.min_f64s(low[0], vector);
            high[0] = simd.max_f64s(high[0], vector);
        }
        let low = simd.min_f64s(simd.min_f64s(low[0], low[1]), simd.min_f64s(low[2], low[3]));
        let high = simd.max_f64s(simd.max_f64s(high[0], high[1]), simd.max_f64s(high[2], high[3]));
        let low = rest.iter().copied().fold(simd.reduce_min_f64s(low), f64::min);
        (low, rest.iter().copied().fold(simd.reduce_max_f64s(high), f64::max))
    }
}

/// The greatest second difference |x\[k\] − 2 x\[k+1\] + x\[k+2\]| of three samples or more.
pub(crate) fn largest_bend(samples: &[f64]) -> f64 {
    Arch::new().dispatch(LargestBend(samples))
}

struct LargestBend<'a>(&'a [f64]);

impl WithSimd for LargestBend<'_> {
    type Output = f64;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> f64 {
        let Some(places) = self.0.len().checked_sub(2) else { return 0.0 };
        let (first, second, third) = (&self.0[..places], &self.0[1..=places], &self.0[2..]);
        let ((a, a_rest), (b, b_rest), (c, c_rest)) =
            (S::as_simd_f64s(first), S::as_simd_f64s(second), S::as_simd_f64s(third));
        let mut largest = simd.splat_f64s(0.0);
        for ((&a, &b), &c) in a.iter().zip(b).zip(c) {
            let bend = simd.add_f64s(simd.sub_f64s(a, simd.add_f64s(b, b)), c);
            largest = simd.max_f64s(largest, simd.abs_f64s(bend));
        }
        let rest = a_rest.iter().zip(b_rest).zip(c_rest);
        rest.map(|((a, b), c)| (a - (b + b) + c).abs()).fold(simd.reduce_max_f64s(largest), f64::max)
    }
}

/// What one stretch of samples amounts to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Totals {
    /// Least sample.
    pub min: f64,
    /// Greatest sample.
    pub max: f64,
    /// Sum of the samples.
    pub sum: f64,
    /// Sum of their squares.
    pub sum_sq: f64,
}

impl Totals {
    /// What no sample amounts to.
    pub(crate) const NONE: Self = Self { min: f64::INFINITY, max: f64::NEG_INFINITY, sum: 0.0, sum_sq: 0.0 };

    /// Measures a slice.
    pub(crate) fn of(samples: &[f64]) -> Self {
        Arch::new().dispatch(TotalsOf(samples))
    }

    /// Adds what follows.
    pub(crate) fn join(&mut self, other: &Self) {
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.sum += other.sum;
        self.sum_sq += other.sum_sq;
    }
}

struct TotalsOf<'a>(&'a [f64]);

impl WithSimd for TotalsOf<'_> {
    type Output = Totals;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Totals {
        let (mut min, mut max): (Accumulators, Accumulators) =
            ([f64::INFINITY; ACCUMULATORS], [f64::NEG_INFINITY; ACCUMULATORS]);
        let (mut sum, mut sum_sq): (Accumulators, Accumulators) = ([0.0; ACCUMULATORS], [0.0; ACCUMULATORS]);
        let (chunks, rest) = self.0.as_chunks::<ACCUMULATORS>();
        {
            let (min, max) = (vectors::<S>(&mut min), vectors::<S>(&mut max));
            let (sum, sum_sq) = (vectors::<S>(&mut sum), vectors::<S>(&mut sum_sq));
            for chunk in chunks {
                let (samples, _) = S::as_simd_f64s(chunk);
                for nth in 0..ACCUMULATORS / S::F64_LANES {
                    let sample = samples[nth];
                    min[nth] = simd.min_f64s(min[nth], sample);
                    max[nth] = simd.max_f64s(max[nth], sample);
                    sum[nth] = simd.add_f64s(sum[nth], sample);
                    sum_sq[nth] = simd.add_f64s(sum_sq[nth], simd.mul_f64s(sample, sample));
                }
            }
        }
        for (nth, &sample) in rest.iter().enumerate() {
            min[nth] = min[nth].min(sample);
            max[nth] = max[nth].max(sample);
            sum[nth] += sample;
            sum_sq[nth] += sample * sample;
        }
        Totals {
            min: min.iter().copied().fold(f64::INFINITY, f64::min),
            max: max.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            sum: sum.iter().sum(),
            sum_sq: sum_sq.iter().sum(),
        }
    }
}

#[inline(always)]
fn vectors<S: Simd>(accumulators: &mut Accumulators) -> &mut [S::f64s] {
    S::as_mut_simd_f64s(accumulators).0
}

/// How two channels of one stretch compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Comparison {
    /// Greatest |L − R|.
    pub difference: f64,
    /// Greatest |L + R|.
    pub sum: f64,
    /// Greatest sample of both.
    pub peak: f64,
    /// Sums of L², R² and L·R.
    pub products: [f64; 3],
}

/// Compares two channels of one length.
pub(crate) fn compare(left: &[f64], right: &[f64]) -> Comparison {
    Arch::new().dispatch(Compare(left, right))
}

struct Compare<'a>(&'a [f64], &'a [f64]);

impl WithSimd for Compare<'_> {
    type Output = Comparison;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Comparison {
        let (mut maxima, mut products) = ([[0.0; ACCUMULATORS]; 3], [[0.0; ACCUMULATORS]; 3]);
        let ((left, left_rest), (right, right_rest)) =
            (self.0.as_chunks::<ACCUMULATORS>(), self.1.as_chunks::<ACCUMULATORS>());
        {
            let [difference, sum, peak] = maxima.each_mut().map(vectors::<S>);
            let [left_sq, right_sq, cross] = products.each_mut().map(vectors::<S>);
            for (left, right) in left.iter().zip(right) {
                let ((left, _), (right, _)) = (S::as_simd_f64s(left), S::as_simd_f64s(right));
                for nth in 0..ACCUMULATORS / S::F64_LANES {
                    let (l, r) = (left[nth], right[nth]);
                    let larger = simd.max_f64s(simd.abs_f64s(l), simd.abs_f64s(r));
                    difference[nth] = simd.max_f64s(difference[nth], simd.abs_f64s(simd.sub_f64s(l, r)));
                    sum[nth] = simd.max_f64s(sum[nth], simd.abs_f64s(simd.add_f64s(l, r)));
                    peak[nth] = simd.max_f64s(peak[nth], larger);
                    left_sq[nth] = simd.add_f64s(left_sq[nth], simd.mul_f64s(l, l));
                    right_sq[nth] = simd.add_f64s(right_sq[nth], simd.mul_f64s(r, r));
                    cross[nth] = simd.add_f64s(cross[nth], simd.mul_f64s(l, r));
                }
            }
        }
        for (nth, (l, r)) in left_rest.iter().zip(right_rest).enumerate() {
            let sizes = [(l - r).abs(), (l + r).abs(), l.abs().max(r.abs())];
            for (maximum, size) in maxima.iter_mut().zip(sizes) {
                maximum[nth] = maximum[nth].max(size);
            }
            for (product, value) in products.iter_mut().zip([l * l, r * r, l * r]) {
                product[nth] += value;
            }
        }
        let [difference, sum, peak] = maxima.map(|all| all.iter().copied().fold(0.0, f64::max));
        Comparison { difference, sum, peak, products: products.map(|all| all.iter().sum()) }
    }
}

/// Rounds samples to whole steps within full scale: `out` = round(`samples` · `scale` + `dither`), halves to even,
/// held at −`scale` and `scale` − 1. All slices have one length. Gives the least and greatest value before holding;
/// 0 counts as one of them.
#[inline(always)]
pub(crate) fn round_steps<S: Simd>(
    simd: S,
    samples: &[f64],
    scale: f64,
    dither: &[f64],
    out: &mut [f64],
) -> (f64, f64) {
    let scalar = pulp::Scalar::new();
    let ((samples, samples_rest), (dither, dither_rest)) =
        (S::as_simd_f64s(samples), S::as_simd_f64s(dither));
    let (out, out_rest) = S::as_mut_simd_f64s(out);
    let (low, high) = round_vectors(simd, samples, scale, dither, out);
    let (low, high) = (simd.reduce_min_f64s(low), simd.reduce_max_f64s(high));
    let (rest_low, rest_high) = round_vectors(scalar, samples_rest, scale, dither_rest, out_rest);
    (low.min(rest_low), high.max(rest_high))
}

/// Adding this to a number below 2^51 rounds it to an integer, halves to even, and leaves the integer in the low
/// bits: unlike a cast, it works on whole registers.
pub(crate) const ROUNDER: f64 = 6_755_399_441_055_744.0;

#[inline(always)]
fn round_vectors<S: Simd>(
    simd: S,
    samples: &[S::f64s],
    scale: f64,
    dither: &[S::f64s],
    out: &mut [S::f64s],
) -> (S::f64s, S::f64s) {
    let (rounder, factor) = (simd.splat_f64s(ROUNDER), simd.splat_f64s(scale));
    let (least, most) = (simd.splat_f64s(-scale), simd.splat_f64s(scale - 1.0));
    let (mut low, mut high) = (simd.splat_f64s(0.0), simd.splat_f64s(0.0));
    for ((&sample, &dither), out) in samples.iter().zip(dither).zip(out) {
        let value = simd.add_f64s(simd.mul_f64s(sample, factor), dither);
        let value = simd.sub_f64s(simd.add_f64s(value, rounder), rounder);
        low = simd.min_f64s(low, value);
        high = simd.max_f64s(high, value);
        *out = simd.add_f64s(simd.max_f64s(simd.min_f64s(value, most), least), rounder);
    }
    (low, high)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn samples() -> impl Strategy<Value = Vec<f64>> {
        prop::collection::vec(-1.0f64..1.0, 0..100)
    }

    proptest! {
        #[test]
        fn every_figure_is_what_one_sample_at_a_time_gives(left in samples()) {
            let right: Vec<f64> = left.iter().rev().map(|x| 0.5 * x).collect();
            let least = left.iter().copied().fold(f64::INFINITY, f64::min);
            let greatest = left.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            prop_assert_eq!(range(&left), (least, greatest));
            let totals = Totals::of(&left);
            prop_assert_eq!((totals.min, totals.max), (least, greatest));
            prop_assert!((totals.sum - left.iter().sum::<f64>()).abs() < 1e-12);
            prop_assert!((totals.sum_sq - left.iter().map(|x| x * x).sum::<f64>()).abs() < 1e-12);
            let bend = left.windows(3).map(|w| (w[0] - 2.0 * w[1] + w[2]).abs()).fold(0.0, f64::max);
            prop_assert_eq!(largest_bend(&left), bend);
            let found = compare(&left, &right);
            let pairs = || left.iter().zip(&right);
            prop_assert_eq!(found.difference, pairs().map(|(l, r)| (l - r).abs()).fold(0.0, f64::max));
            prop_assert_eq!(found.sum, pairs().map(|(l, r)| (l + r).abs()).fold(0.0, f64::max));
            prop_assert!((found.products[2] - pairs().map(|(l, r)| l * r).sum::<f64>()).abs() < 1e-12);
        }

        /// The promise that registers of any width give the same bytes.
        #[test]
        fn width_changes_no_bit(left in samples()) {
            let right: Vec<f64> = left.iter().rev().copied().collect();
            let scalar = pulp::Scalar::new();
            prop_assert_eq!(TotalsOf(&left).with_simd(scalar), Totals::of(&left));
            prop_assert_eq!(Compare(&left, &right).with_simd(scalar), compare(&left, &right));
        }
    }
}
