//! The sums of the polyphase converter, in explicit vectors whose lanes are neighbouring *outputs*.
//!
//! Outputs around a mirror are made of the sums and differences of the inputs around it (`mirror`). Neighbouring outputs read
//! nearly the same of these, each with its own coefficients; outputs that are one period apart have the same coefficients. So
//! a vector of coefficients is loaded once for many periods, and an input is spread over it. Every output's sums run over
//! their taps in one order, in one lane, whatever the width of the registers, and nothing is fused; so every processor gives
//! the same bytes.
//!
//! It knows slices, and neither rates nor streams.

use pulp::{Simd, WithSimd};

/// Neighbouring outputs that are summed side by side; a multiple of all register widths.
pub(super) const LANES: usize = 8;

/// Periods that are made at once.
pub(super) const PERIODS: usize = 8;

/// The coefficients of `LANES` neighbouring outputs for one input; zeros where there is no output, or it does not reach.
pub(super) type Taps = [f64; LANES];

/// `LANES` pairs of outputs of a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Group {
    /// Where the coefficients for sums stand in the table, as many as the run's reach; those for differences follow.
    pub taps: usize,
    /// Which of them are not zero.
    pub used: std::ops::Range<usize>,
}

/// A run of outputs of the first period.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Task {
    /// The inputs at the mirror or behind it, and at it or before it, by their places in the slice of inputs.
    pub halves: (usize, usize),
    /// Inputs on either side that are read.
    pub reach: usize,
    /// Which outputs of a period they are.
    pub outputs: std::ops::Range<usize>,
    pub groups: Vec<Group>,
}

/// Room for what is between inputs and outputs.
#[derive(Debug, Default)]
pub(super) struct Room {
    folded: [Vec<f64>; 2],
    summed: [Vec<f64>; 2],
}

/// All outputs of `PERIODS` periods.
pub(super) struct Chunk<'a> {
    pub tasks: &'a [Task],
    /// The coefficients of all groups.
    pub table: &'a [Taps],
    /// The inputs, and how many of them lie from one period to the next.
    pub input: (&'a [f64], usize),
    /// The outputs, and how many of them lie from one period to the next.
    pub output: (&'a mut [f64], usize),
    pub room: &'a mut Room,
}

impl WithSimd for Chunk<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        // Eight sums at a time are what sixteen registers hold beside coefficients and input.
        match S::F64_LANES {
            8 => chunk::<S, 1, 8>(simd, self),
            4 => chunk::<S, 2, 4>(simd, self),
            2 => chunk::<S, 4, 2>(simd, self),
            _ => chunk::<S, 8, 1>(simd, self),
        }
    }
}

/// Run by run, of `BESIDE` periods at a time, with lanes in `WIDE` registers.
#[inline(always)]
fn chunk<S: Simd, const WIDE: usize, const BESIDE: usize>(simd: S, work: Chunk<'_>) {
    let Chunk { tasks, table, input: (input, period_in), output: (output, period_out), room } = work;
    for task in tasks {
        let (reach, lanes) = (task.reach, task.groups.len() * LANES);
        room.folded.iter_mut().for_each(|folded| folded.resize(PERIODS * reach, 0.0));
        room.summed.iter_mut().for_each(|summed| summed.resize(PERIODS * lanes, 0.0));
        let [sums, differences] = &mut room.folded;
        let periods = sums.chunks_exact_mut(reach).zip(differences.chunks_exact_mut(reach));
        for (period, (sums, differences)) in periods.enumerate() {
            let input = &input[period * period_in..];
            let before = task.halves.1 + 1;
            fold(&input[task.halves.0..][..reach], &input[before - reach..before], sums, differences);
        }
        for (half, (folded, summed)) in room.folded.iter().zip(&mut room.summed).enumerate() {
            for (nth, group) in task.groups.iter().enumerate() {
                let taps = &table[group.taps + half * reach..][group.used.clone()];
                let summed = (&mut summed[nth * LANES..], lanes);
                sum_group::<S, WIDE, BESIDE>(simd, taps, (&folded[group.used.start..], reach), summed);
            }
        }
        let [sums, differences] = &room.summed;
        let periods = sums.chunks_exact(lanes).zip(differences.chunks_exact(lanes));
        for (period, (sums, differences)) in periods.enumerate() {
            unfold(sums, differences, &mut output[period * period_out..][task.outputs.clone()]);
        }
    }
}

/// One set of sums of a group in all periods. With the slices stands how far it is from one period to the next.
#[inline(always)]
fn sum_group<S: Simd, const WIDE: usize, const BESIDE: usize>(
    simd: S,
    taps: &[Taps],
    (folded, reach): (&[f64], usize),
    (summed, lanes): (&mut [f64], usize),
) {
    for first in (0..PERIODS).step_by(BESIDE) {
        let mut inputs: [&[f64]; BESIDE] = [&[]; BESIDE];
        for (period, inputs) in (first..).zip(&mut inputs) {
            *inputs = &folded[period * reach..][..taps.len()];
        }
        let totals = tile::<S, WIDE, BESIDE>(simd, [taps; BESIDE], inputs);
        for (period, totals) in (first..).zip(&totals) {
            let summed = &mut summed[period * lanes..][..LANES];
            S::as_mut_simd_f64s(summed).0.copy_from_slice(totals);
        }
    }
}

/// Sums and differences of inputs and their mirror images, from the mirror on.
#[inline(always)]
fn fold(behind: &[f64], before: &[f64], sums: &mut [f64], differences: &mut [f64]) {
    let places = sums.iter_mut().zip(differences).zip(behind).zip(before.iter().rev());
    for (((sum, difference), behind), before) in places {
        *sum = behind + before;
        *difference = behind - before;
    }
}

/// The outputs of a run, of which the first half mirrors the other.
#[inline(always)]
fn unfold(sums: &[f64], differences: &[f64], outputs: &mut [f64]) {
    let count = outputs.len();
    for ((output, sum), difference) in outputs[count / 2..].iter_mut().zip(sums).zip(differences) {
        *output = sum + difference;
    }
    let mirrored = outputs[..count.div_ceil(2)].iter_mut().rev();
    for ((output, sum), difference) in mirrored.zip(sums).zip(differences) {
        *output = sum - difference;
    }
}

/// Groups of one run that are summed on their own, side by side since every sum waits for its last step.
pub(super) const APART: usize = 2;

/// `APART` groups of one run; what is made of them are the pairs of each, output and mirror image.
pub(super) struct Apart<'a> {
    pub groups: [&'a Group; APART],
    pub table: &'a [Taps],
    /// The inputs behind the mirror and before it.
    pub input: (&'a [f64], &'a [f64]),
    pub room: &'a mut Room,
}

impl WithSimd for Apart<'_> {
    type Output = [(Taps, Taps); APART];

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Self::Output {
        match S::F64_LANES {
            8 => apart::<S, 1>(simd, self),
            4 => apart::<S, 2>(simd, self),
            2 => apart::<S, 4>(simd, self),
            _ => apart::<S, 8>(simd, self),
        }
    }
}

#[inline(always)]
fn apart<S: Simd, const WIDE: usize>(simd: S, work: Apart<'_>) -> [(Taps, Taps); APART] {
    let Apart { groups: [one, other], table, input: (behind, before), room } = work;
    let reach = behind.len();
    room.folded.iter_mut().for_each(|folded| folded.resize(reach, 0.0));
    let [sums, differences] = &mut room.folded;
    fold(behind, before, sums, differences);
    // Zeros before the first tap and behind the last one change no sum of numbers.
    let used = one.used.start.min(other.used.start)..one.used.end.max(other.used.end);
    let taps = |group: &Group, half: usize| &table[group.taps + half * reach..][used.clone()];
    let taps = [taps(one, 0), taps(one, 1), taps(other, 0), taps(other, 1)];
    let (sums, differences) = (&sums[used.clone()], &differences[used.clone()]);
    let totals = tile::<S, WIDE, 4>(simd, taps, [sums, differences, sums, differences]);
    let mut summed = [[0.0; LANES]; 4];
    for (summed, totals) in summed.iter_mut().zip(&totals) {
        S::as_mut_simd_f64s(summed).0.copy_from_slice(totals);
    }
    let [one_sums, one_differences, other_sums, other_differences] = summed;
    [pairs(one_sums, one_differences), pairs(other_sums, other_differences)]
}

#[inline(always)]
fn pairs(mut sums: Taps, differences: Taps) -> (Taps, Taps) {
    let mut mirrored = sums;
    for ((sum, mirrored), difference) in sums.iter_mut().zip(&mut mirrored).zip(differences) {
        *sum += difference;
        *mirrored -= difference;
    }
    (sums, mirrored)
}

/// `BESIDE` times `LANES` sums, of which each set is in `WIDE` registers.
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
    const PERIOD_OUT: usize = 30;
    const REACH: usize = 9;

    type Found = (Vec<f64>, [(Taps, Taps); 2]);

    /// Runs of 13 and 17 outputs, by the given registers: in a chunk, and the groups of the second apart.
    fn found<S: Simd>(simd: S, table: &[Taps], input: &[f64]) -> Found {
        let group = |nth: usize, used: std::ops::Range<usize>| Group { taps: 2 * REACH * nth, used };
        let groups = [group(1, 0..8), group(2, 1..REACH)];
        let tasks = [
            Task { halves: (10, 9), reach: REACH, outputs: 0..13, groups: vec![group(0, 0..7)] },
            Task { halves: (12, 12), reach: REACH, outputs: 13..PERIOD_OUT, groups: groups.to_vec() },
        ];
        let mut made = vec![f64::NAN; PERIODS * PERIOD_OUT];
        let (room, output) = (&mut Room::default(), (&mut made[..], PERIOD_OUT));
        Chunk { tasks: &tasks, table, input: (input, PERIOD_IN), output, room }.with_simd(simd);
        let halves = (&input[12..12 + REACH], &input[13 - REACH..13]);
        let apart = Apart { groups: groups.each_ref(), table, input: halves, room };
        (made, apart.with_simd(simd))
    }

    struct Best<'a>(&'a [Taps], &'a [f64]);

    impl WithSimd for Best<'_> {
        type Output = Found;

        #[inline(always)]
        fn with_simd<S: Simd>(self, simd: S) -> Found {
            found(simd, self.0, self.1)
        }
    }

    proptest! {
        /// The promise that registers of any width give the same bytes: one lane, two, four, eight, and this processor's.
        #[test]
        fn width_changes_no_bit(
            mut table in prop::collection::vec(prop::array::uniform8(-1.0f64..1.0), 6 * REACH),
            input in prop::collection::vec(-1.0f64..1.0, PERIODS * PERIOD_IN + 24),
        ) {
            // As a table is: zeros before the first tap and behind the last one.
            for half in [2, 3] {
                table[half * REACH + 8] = [0.0; LANES];
                table[(half + 2) * REACH] = [0.0; LANES];
            }
            let scalar = found(Scalar::new(), &table, &input);
            prop_assert_eq!(&found(Scalar128b, &table, &input), &scalar);
            prop_assert_eq!(&found(Scalar256b, &table, &input), &scalar);
            prop_assert_eq!(&found(Scalar512b, &table, &input), &scalar);
            prop_assert_eq!(&Arch::new().dispatch(Best(&table, &input)), &scalar);
            // And they are the sums, tap by tap.
            let halves = |set: usize, count: usize, lane: usize, (behind, before): (usize, usize)| {
                let half = |half: usize, sign: f64| {
                    (0..count).fold(0.0, |sum, tap| {
                        let folded = input[behind + tap] + sign * input[before - tap];
                        sum + table[(2 * set + half) * REACH + tap][lane] * folded
                    })
                };
                (half(0, 1.0), half(1, -1.0))
            };
            for period in 0..PERIODS {
                let (from, made) = (period * PERIOD_IN, &scalar.0[period * PERIOD_OUT..]);
                for (pair, lane) in (0..7).map(|pair| (pair, pair)) {
                    let (sum, difference) = halves(0, 7, lane, (from + 10, from + 9));
                    prop_assert_eq!(made[6 + pair], if pair == 0 { sum - difference } else { sum + difference });
                    prop_assert_eq!(made[6 - pair], sum - difference);
                }
                for pair in 1..9 {
                    let (set, count) = if pair < 8 { (1, 8) } else { (2, REACH) };
                    let (sum, difference) = halves(set, count, pair % 8, (from + 12, from + 12));
                    prop_assert_eq!((made[21 + pair], made[21 - pair]), (sum + difference, sum - difference));
                }
            }
            for lane in 0..LANES {
                for (nth, count) in [8, REACH].into_iter().enumerate() {
                    let (sum, difference) = halves(1 + nth, count, lane, (12, 12));
                    prop_assert_eq!(scalar.1[nth].0[lane], sum + difference);
                    prop_assert_eq!(scalar.1[nth].1[lane], sum - difference);
                }
            }
        }
    }
}
