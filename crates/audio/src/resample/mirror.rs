//! Where inputs and outputs of a change of rate are mirror images of themselves, which saves up to half of the sums.
//!
//! Outputs stand at (n · from + phase) / to, in source frames. Where (n + n') · from + 2 · phase = m · to, output n' lies as far
//! before m / 2 as n lies behind it, and so do inputs i and m − i; and the filter is even. So of the sum y(n) = Σ h(i) x(i)
//! its mirror image has the same coefficients in the other order, and both come of sums and differences of the inputs:
//!
//! S = Σ ½ (h(i) + h(m − i)) (x(i) + x(m − i)), D = Σ ½ (h(i) − h(m − i)) (x(i) − x(m − i)), y(n) = S + D, y(n') = S − D
//!
//! with i from m / 2 on, where an input that is its own mirror image counts half. Both cost as much as one of them would, and
//! what their filters do not share. Such places are `to` / 2 outputs apart. From about 690 outputs on, the farthest of a run
//! share nothing and nothing is saved; no usual pair of rates is there.
//!
//! Where a filter reads only zeros, its output is zero to the bit, however loud its mirror image is: of every input and its
//! image one has no coefficient or both are zero, so every term of D is that of S, with the other sign for one of the two
//! outputs; and rounding knows no sign.
//!
//! It knows places, and neither coefficients nor samples.

use super::kernel::LANES;
use super::ratio::Ratio;

/// Outputs that two runs shall have together, where mirrors are closer. Of long runs the filters of an output and its mirror
/// image share less, of short ones sums and differences cost more: a count of the operations is least between 30 and 64. Runs of
/// 31 have 16 pairs, which are two groups.
const PAIR_OF_RUNS: i64 = 62;

/// A run of outputs around a mirror.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    /// The first of them.
    pub first: i64,
    pub count: usize,
    /// What the places of an input and its mirror image add up to.
    pub middle: i64,
}

impl Run {
    /// The input at the mirror or behind it, and that at the mirror or before it.
    pub(super) fn halves(&self) -> (i64, i64) {
        ((self.middle + 1).div_euclid(2), self.middle.div_euclid(2))
    }

    /// Outputs with their mirror images; where the middle output is its own, it is one of them.
    pub(super) fn pairs(&self) -> usize {
        self.count.div_ceil(2)
    }
}

/// Runs that follow each other, of two counts in turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Runs {
    ratio: Ratio,
    phase: i64,
    /// The first output of run 0: 0, or before it.
    pub start: i64,
    /// Outputs of run 0, and of two runs.
    counts: (i64, i64),
}

impl Runs {
    pub(super) fn new(ratio: Ratio, phase: i64) -> Self {
        let (from, to) = (i64::from(ratio.from), i64::from(ratio.to));
        let sum = (0..to)
            .find(|sum| (sum * from + 2 * phase).rem_euclid(to) == 0)
            .expect("the ratio is in its lowest terms");
        let two = to * (PAIR_OF_RUNS / to).max(1);
        let groups = |count: i64| (count as usize).div_ceil(2).div_ceil(LANES);
        // A run's first and last output add up to `sum`, so that its count is odd where that is even. Few groups, and of
        // those counts the most even.
        let one = (1..two).filter(|one| (one + sum) % 2 == 1);
        let one = one.min_by_key(|&one| (groups(one) + groups(two - one), (2 * one - two).abs()));
        let one = one.expect("counts of both parities, since there are many");
        let first = ((sum - one + 1) / 2).rem_euclid(two);
        Self { ratio, phase, start: if first == 0 { 0 } else { first - two }, counts: (one, two) }
    }

    /// Outputs of two runs: what a period is a multiple of.
    pub(super) fn pair(&self) -> usize {
        self.counts.1 as usize
    }

    /// The run with this number.
    pub(super) fn nth(&self, nth: i64) -> Run {
        let (one, two) = self.counts;
        let (first, count) = match nth.rem_euclid(2) {
            0 => (0, one),
            _ => (one, two - one),
        };
        let first = self.start + nth.div_euclid(2) * two + first;
        let sum = 2 * first + count - 1;
        let middle = (sum * i64::from(self.ratio.from) + 2 * self.phase) / i64::from(self.ratio.to);
        Run { first, count: count as usize, middle }
    }

    /// The number of the run that an output is in.
    pub(super) fn of(&self, output: i64) -> i64 {
        let (one, two) = self.counts;
        let within = output - self.start;
        2 * within.div_euclid(two) + i64::from(within.rem_euclid(two) >= one)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::resample::design;

    /// By the definition: outputs of a run stand as far to either side of its middle, and runs leave no output out.
    #[test]
    fn runs_are_mirror_images() {
        for (from, to) in
            [(147, 160), (160, 147), (1, 2), (2, 1), (147, 320), (640, 147), (1, 3), (3, 1), (441, 640)]
        {
            for phase in [0, 1, -1, 13, -130] {
                let runs = Runs::new(Ratio { from, to }, phase);
                let numerator = |output: i64| output * i64::from(from) + phase;
                assert!((1 - runs.pair() as i64..=0).contains(&runs.start), "{from}:{to} {phase}");
                for nth in -3..10 {
                    let run = runs.nth(nth);
                    let last = run.first + run.count as i64 - 1;
                    assert_eq!(numerator(run.first) + numerator(last), run.middle * i64::from(to), "{run:?}");
                    assert_eq!(runs.nth(nth + 1).first, last + 1);
                    assert_eq!((runs.of(run.first), runs.of(last)), (nth, nth));
                }
            }
        }
    }

    /// As the bits that `lone` has for the groups of a run.
    #[test]
    fn no_run_has_more_than_64_groups() {
        for to in 1..2000 {
            if let Some(from) = [1, 147, 2003].into_iter().find(|&from| design::is_small(Ratio { from, to }))
            {
                let runs = Runs::new(Ratio { from, to }, 0);
                assert!((0..2).all(|nth| runs.nth(nth).pairs() <= 64 * LANES), "{from}:{to}");
            }
        }
    }
}
