//! The sums of the polyphase converter, in explicit vectors whose lanes are neighbouring *outputs*.
//!
//! Neighbouring outputs read nearly the same inputs, each with its own coefficients; outputs that are one period apart have the
//! same coefficients and read inputs that are one period apart. So a vector of coefficients is loaded once for many periods,
//! and an input is spread over it: nothing has to be turned. Every output's sum runs over its taps in one order, in one lane,
//! whatever the width of the registers, and nothing is fused or folded; so every processor gives the same bytes.
//!
//! It knows slices, and neither rates nor streams.

use pulp::{Simd, WithSimd};

/// Neighbouring outputs that are summed side by side; a multiple of all register widths.
pub(super) const LANES: usize = 8;

/// Periods that are summed side by side, since every sum waits for its last step.
pub(super) const PERIODS: usize = 8;

/// The coefficients of `LANES` neighbouring outputs for one input; zeros where an output does not reach.
pub(super) type Taps = [f64; LANES];

/// `LANES` neighbouring outputs of a period.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Group {
    /// Where their coefficients stand in the table.
    pub taps: std::ops::Range<usize>,
    /// The first input that they read; as many as there are coefficients.
    pub first_input: usize,
    /// The first of them.
    pub first_output: usize,
}

/// The sums of all groups in `PERIODS` periods.
pub(super) struct Sums<'a> {
    /// What is to be summed. Groups may share outputs: all sums of one output are the same.
    pub groups: &'a [Group],
    /// The coefficients of all groups.
    pub table: &'a [Taps],
    /// The inputs of all periods, and from one period to the next.
    pub input: (&'a [f64], usize),
    /// The outputs, and from one period to the next.
    pub output: (&'a mut [f64], usize),
}

impl WithSimd for Sums<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        // Eight sums at a time are what sixteen registers hold beside coefficients and input.
        match S::F64_LANES {
            8 => all::<S, 1, 8>(simd, self),
            4 => all::<S, 2, 4>(simd, self),
            2 => all::<S, 4, 2>(simd, self),
            _ => all::<S, 8, 1>(simd, self),
        }
    }
}

/// All sums, of `BESIDE` periods at a time, whose lanes are in `WIDE` registers.
#[inline(always)]
fn all<S: Simd, const WIDE: usize, const BESIDE: usize>(simd: S, work: Sums<'_>) {
    let Sums { groups, table, input: (input, period_in), output: (output, period_out) } = work;
    for group in groups {
        let taps = &table[group.taps.clone()];
        for period in (0..PERIODS).step_by(BESIDE) {
            let mut inputs: [&[f64]; BESIDE] = [&[]; BESIDE];
            for (nth, inputs) in inputs.iter_mut().enumerate() {
                let from = (period + nth) * period_in + group.first_input;
                *inputs = &input[from..from + taps.len()];
            }
            for (nth, totals) in tile::<S, WIDE, BESIDE>(simd, [taps; BESIDE], inputs).iter().enumerate() {
                let from = (period + nth) * period_out + group.first_output;
                S::as_mut_simd_f64s(&mut output[from..from + LANES]).0.copy_from_slice(totals);
            }
        }
    }
}

/// The sums of `BESIDE` groups that stand anywhere; as many coefficients and inputs of each.
#[derive(Clone, Copy)]
pub(super) struct Apart<'a, const BESIDE: usize> {
    pub taps: [&'a [Taps]; BESIDE],
    pub inputs: [&'a [f64]; BESIDE],
}

impl<const BESIDE: usize> WithSimd for Apart<'_, BESIDE> {
    type Output = [Taps; BESIDE];

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Self::Output {
        match S::F64_LANES {
            8 => apart::<S, 1, BESIDE>(simd, self),
            4 => apart::<S, 2, BESIDE>(simd, self),
            2 => apart::<S, 4, BESIDE>(simd, self),
            _ => apart::<S, 8, BESIDE>(simd, self),
        }
    }
}

#[inline(always)]
fn apart<S: Simd, const WIDE: usize, const BESIDE: usize>(
    simd: S,
    work: Apart<'_, BESIDE>,
) -> [Taps; BESIDE] {
    let mut sums = [[0.0; LANES]; BESIDE];
    let totals = tile::<S, WIDE, BESIDE>(simd, work.taps, work.inputs);
    for (sums, totals) in sums.iter_mut().zip(&totals) {
        S::as_mut_simd_f64s(sums).0.copy_from_slice(totals);
    }
    sums
}

/// The sums of `BESIDE` groups, each in `WIDE` registers.
#[inline(always)]
fn tile<S: Simd, const WIDE: usize, const BESIDE: usize>(
    simd: S,
    taps: [&[Taps]; BESIDE],
    inputs: [&[f64]; BESIDE],
) -> [[S::f64s; WIDE]; BESIDE] {
    let count = taps[0].len();
    let mut rows: [&[[S::f64s; WIDE]]; BESIDE] = [&[]; BESIDE];
    for (rows, taps) in rows.iter_mut().zip(taps) {
        *rows = &S::as_simd_f64s(taps.as_flattened()).0.as_chunks().0[..count];
    }
    let mut totals = [[simd.splat_f64s(0.0); WIDE]; BESIDE];
    for tap in 0..count {
        for (nth, totals) in totals.iter_mut().enumerate() {
            let input = simd.splat_f64s(inputs[nth][tap]);
            for (wide, total) in totals.iter_mut().enumerate() {
                *total = simd.add_f64s(*total, simd.mul_f64s(rows[nth][tap][wide], input));
            }
        }
    }
    totals
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use pulp::{Arch, Scalar, Scalar128b, Scalar256b, Scalar512b};

    use super::*;

    const PERIOD_IN: usize = 7;
    const PERIOD_OUT: usize = 12;

    /// Two groups of nine taps in periods of 7 and 12, by the given registers: together, and the first of them apart.
    fn sums<S: Simd>(simd: S, table: &[Taps], input: &[f64]) -> (Vec<f64>, [Taps; 2]) {
        let groups = [
            Group { taps: 0..9, first_input: 0, first_output: 0 },
            Group { taps: 9..18, first_input: 3, first_output: PERIOD_OUT - LANES },
        ];
        let mut sums = vec![f64::NAN; PERIODS * PERIOD_OUT];
        let (input_of, output) = ((input, PERIOD_IN), (&mut sums[..], PERIOD_OUT));
        Sums { groups: &groups, table, input: input_of, output }.with_simd(simd);
        let apart = Apart { taps: [&table[..9], &table[9..18]], inputs: [&input[..9], &input[3..12]] };
        (sums, apart.with_simd(simd))
    }

    struct Best<'a>(&'a [Taps], &'a [f64]);

    impl WithSimd for Best<'_> {
        type Output = (Vec<f64>, [Taps; 2]);

        #[inline(always)]
        fn with_simd<S: Simd>(self, simd: S) -> Self::Output {
            sums(simd, self.0, self.1)
        }
    }

    proptest! {
        /// The promise that registers of any width give the same bytes: one lane, two, four, eight, and this processor's.
        #[test]
        fn width_changes_no_bit(
            table in prop::collection::vec(prop::array::uniform8(-1.0f64..1.0), 18),
            input in prop::collection::vec(-1.0f64..1.0, PERIODS * PERIOD_IN + 12),
        ) {
            let scalar = sums(Scalar::new(), &table, &input);
            prop_assert_eq!(&sums(Scalar128b, &table, &input), &scalar);
            prop_assert_eq!(&sums(Scalar256b, &table, &input), &scalar);
            prop_assert_eq!(&sums(Scalar512b, &table, &input), &scalar);
            prop_assert_eq!(&Arch::new().dispatch(Best(&table, &input)), &scalar);
            // And they are the sums, tap by tap; the second group has the outputs that both have.
            let sum = |taps: &[Taps], from: usize, lane: usize| {
                taps.iter().zip(&input[from..]).fold(0.0, |sum, (taps, input)| sum + taps[lane] * input)
            };
            for period in 0..PERIODS {
                for lane in 0..LANES {
                    let (from, made) = (period * PERIOD_IN, &scalar.0[period * PERIOD_OUT..]);
                    prop_assert_eq!(made[4 + lane], sum(&table[9..], from + 3, lane));
                    if lane < 4 {
                        prop_assert_eq!(made[lane], sum(&table[..9], from, lane));
                    }
                }
            }
            for lane in 0..LANES {
                prop_assert_eq!(scalar.1[0][lane], sum(&table[..9], 0, lane));
                prop_assert_eq!(scalar.1[1][lane], sum(&table[9..], 3, lane));
            }
        }
    }
}
