//! The sums of the polyphase converter, in explicit vectors whose lanes are *outputs*.
//!
//! Outputs that are one period apart have the same coefficients and read inputs that are one period apart, so `LANES` periods
//! that are turned once give whole registers. Every output's sum runs over its taps in one order, in one lane, whatever the
//! width of the registers, and nothing is fused or folded; so every processor gives the same bytes.
//!
//! It knows slices, and neither rates nor streams.

use std::ops::Range;

use pulp::{Simd, WithSimd};

/// Outputs that are summed side by side, a period apart; a multiple of all register widths.
pub(super) const LANES: usize = 8;

/// Neighbouring outputs that are summed together, since they read nearly the same inputs.
pub(super) const ABREAST: usize = 4;

/// The coefficients of `ABREAST` neighbouring outputs for one row of inputs; zeros where an output does not reach.
pub(super) type Taps = [f64; ABREAST];

/// `ABREAST` neighbouring outputs.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Group {
    /// Where their coefficients stand in the table.
    pub taps: Range<usize>,
    /// The first row of inputs that they read; as many as there are coefficients.
    pub first_row: usize,
}

/// The sums of all groups: of `made`, `LANES` values an output, the groups' outputs in turn.
pub(super) struct Sums<'a> {
    /// What is to be summed.
    pub groups: &'a [Group],
    /// The coefficients of all groups.
    pub table: &'a [Taps],
    /// The inputs, `LANES` a row.
    pub rows: &'a [f64],
    /// What is made.
    pub made: &'a mut [f64],
}

impl WithSimd for Sums<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        match S::F64_LANES {
            8 => all::<S, 1, 1>(simd, self),
            4 => all::<S, 2, 2>(simd, self),
            2 => all::<S, 4, 4>(simd, self),
            // Eight sums at a time are what sixteen narrow registers hold.
            _ => all::<S, 8, 2>(simd, self),
        }
    }
}

/// All sums, `WIDE` registers of the `ROW` that a row has at a time.
#[inline(always)]
fn all<S: Simd, const ROW: usize, const WIDE: usize>(simd: S, work: Sums<'_>) {
    let Sums { groups, table, rows, made } = work;
    let (rows, _) = S::as_simd_f64s(rows);
    let (sums, _) = S::as_mut_simd_f64s(made);
    let (rows, sums) = (rows.as_chunks::<ROW>().0, sums.as_chunks_mut::<ROW>().0);
    for (group, sums) in groups.iter().zip(sums.as_chunks_mut::<ABREAST>().0) {
        let taps = &table[group.taps.clone()];
        let rows = &rows[group.first_row..group.first_row + taps.len()];
        for at in (0..ROW).step_by(WIDE) {
            tile::<S, ROW, WIDE>(simd, taps, rows, sums, at);
        }
    }
}

/// The sums of one group in the `WIDE` registers from register `at` of every row on.
#[inline(always)]
fn tile<S: Simd, const ROW: usize, const WIDE: usize>(
    simd: S,
    taps: &[Taps],
    rows: &[[S::f64s; ROW]],
    sums: &mut [[S::f64s; ROW]; ABREAST],
    at: usize,
) {
    let mut totals = [[simd.splat_f64s(0.0); WIDE]; ABREAST];
    for (taps, row) in taps.iter().zip(rows) {
        for (totals, &tap) in totals.iter_mut().zip(taps) {
            let tap = simd.splat_f64s(tap);
            for (nth, total) in totals.iter_mut().enumerate() {
                *total = simd.add_f64s(*total, simd.mul_f64s(tap, row[at + nth]));
            }
        }
    }
    for (sums, totals) in sums.iter_mut().zip(totals) {
        sums[at..at + WIDE].copy_from_slice(&totals);
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use pulp::{Arch, Scalar, Scalar128b, Scalar256b, Scalar512b};

    use super::*;

    /// Two groups of nine taps that read 12 rows, by the given registers.
    fn sums<S: Simd>(simd: S, table: &[Taps], rows: &[f64]) -> Vec<f64> {
        let groups = [Group { taps: 0..9, first_row: 0 }, Group { taps: 9..18, first_row: 3 }];
        let mut sums = vec![f64::NAN; 2 * ABREAST * LANES];
        Sums { groups: &groups, table, rows, made: &mut sums }.with_simd(simd);
        sums
    }

    struct Best<'a>(&'a [Taps], &'a [f64]);

    impl WithSimd for Best<'_> {
        type Output = Vec<f64>;

        #[inline(always)]
        fn with_simd<S: Simd>(self, simd: S) -> Vec<f64> {
            sums(simd, self.0, self.1)
        }
    }

    proptest! {
        /// The promise that registers of any width give the same bytes: one lane, two, four, eight, and this processor's.
        #[test]
        fn width_changes_no_bit(
            table in prop::collection::vec(prop::array::uniform4(-1.0f64..1.0), 18),
            rows in prop::collection::vec(-1.0f64..1.0, 12 * LANES),
        ) {
            let scalar = sums(Scalar::new(), &table, &rows);
            prop_assert_eq!(&sums(Scalar128b, &table, &rows), &scalar);
            prop_assert_eq!(&sums(Scalar256b, &table, &rows), &scalar);
            prop_assert_eq!(&sums(Scalar512b, &table, &rows), &scalar);
            prop_assert_eq!(&Arch::new().dispatch(Best(&table, &rows)), &scalar);
            // And they are the sums, tap by tap.
            for (output, lane) in [(0, 0), (3, 7), (5, 2)] {
                let (group, nth) = (output / ABREAST, output % ABREAST);
                let mut sum = 0.0;
                for tap in 0..9 {
                    sum += table[9 * group + tap][nth] * rows[(3 * group + tap) * LANES + lane];
                }
                prop_assert_eq!(scalar[output * LANES + lane], sum);
            }
        }
    }
}
