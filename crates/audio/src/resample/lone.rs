//! Runs of outputs of the polyphase converter, of which most are never asked for: the same sums as in a chunk, in the same
//! order, so that they are the same to the bit. Where most of a chunk is asked for, the chunk is made as a whole.
//!
//! It knows slices and places, and neither rates nor what the outputs are wanted for.

use super::kernel::LANES;
use super::mirror::Run;
use super::polyphase::Polyphase;

/// Outputs that are kept at least.
const KEPT: i64 = 4096;

/// A piece of one channel of the source, from frame `from` on.
#[derive(Debug, Clone, Default)]
pub(super) struct Window {
    pub from: i64,
    pub samples: Vec<f64>,
}

impl Window {
    /// The frames from `from` up to `to`, both of which it must have.
    pub(super) fn slice(&self, from: i64, to: i64) -> &[f64] {
        &self.samples[(from - self.from) as usize..(to - self.from) as usize]
    }
}

/// Outputs that are made already, in neighbouring runs.
#[derive(Debug, Clone, Default)]
pub(super) struct Made {
    /// The number of the first run, and its first output.
    first: (i64, i64),
    /// Of every run one bit for each group of pairs that is made.
    groups: Vec<u64>,
    values: Vec<f64>,
    chunk: Vec<f64>,
    /// How many were made in all.
    pub count: u64,
}

impl Made {
    /// The outputs from `from` up to `to`; silent where there are none: before 0, and from `due` on. `whole` chunks are made
    /// for it, or single groups.
    pub(super) fn outputs(
        &mut self,
        polyphase: &mut Polyphase,
        window: &Window,
        (from, to): (i64, i64),
        whole: bool,
        due: i64,
    ) -> &[f64] {
        let runs = *polyphase.runs();
        let (first, last) = (runs.of(from), runs.of(to - 1));
        self.begin_at(first, runs.nth(first).first);
        for nth in first..=last {
            self.make_room(polyphase, nth);
            let missing = wanted(&runs.nth(nth), (from, to)) & !self.groups[(nth - self.first.0) as usize];
            if missing != 0 && whole {
                self.make_chunk(polyphase, window, nth);
            } else if missing != 0 {
                self.make_groups(polyphase, window, nth, missing);
            }
            if missing != 0 {
                self.silence_outside(due);
            }
        }
        &self.values[(from - self.first.1) as usize..(to - self.first.1) as usize]
    }

    /// Forgets what lies far behind this run, which begins at this output, and all where there is a gap.
    fn begin_at(&mut self, nth: i64, output: i64) {
        let known = self.first.0..=self.first.0 + self.groups.len() as i64;
        if self.groups.is_empty() || !known.contains(&nth) {
            (self.groups, self.values) = (Vec::new(), Vec::new());
            self.first = (nth, output);
        } else if output - self.first.1 > KEPT {
            self.groups.drain(..(nth - self.first.0) as usize);
            self.values.drain(..(output - self.first.1) as usize);
            self.first = (nth, output);
        }
    }

    /// Room up to the end of a run.
    fn make_room(&mut self, polyphase: &Polyphase, nth: i64) {
        let (runs, after) = (polyphase.runs(), nth + 1);
        if after > self.first.0 + self.groups.len() as i64 {
            self.groups.resize((after - self.first.0) as usize, 0);
            self.values.resize((runs.nth(after).first - self.first.1) as usize, 0.0);
        }
    }

    /// Makes the chunk that a run is in, but for what of it lies before the first one.
    fn make_chunk(&mut self, polyphase: &mut Polyphase, window: &Window, nth: i64) {
        let runs = *polyphase.runs();
        let (chunk_in, chunk_runs) = (polyphase.chunk_in() as i64, polyphase.chunk_runs() as i64);
        let chunk = nth.div_euclid(chunk_runs);
        self.make_room(polyphase, (chunk + 1) * chunk_runs - 1);
        let reads =
            (chunk * chunk_in - polyphase.before as i64, (chunk + 1) * chunk_in + polyphase.after as i64);
        self.chunk.resize(polyphase.chunk_out(), 0.0);
        polyphase.convert(window.slice(reads.0, reads.1), &mut self.chunk);
        let first = (chunk * chunk_runs).max(self.first.0);
        let (begins, output) = (runs.nth(chunk * chunk_runs).first, runs.nth(first).first);
        let made = &self.chunk[(output - begins) as usize..];
        self.values[(output - self.first.1) as usize..][..made.len()].copy_from_slice(made);
        self.groups[(first - self.first.0) as usize..][..((chunk + 1) * chunk_runs - first) as usize]
            .fill(u64::MAX);
        self.count += polyphase.chunk_out() as u64;
    }

    /// Makes the groups of a run that are missing.
    fn make_groups(&mut self, polyphase: &mut Polyphase, window: &Window, nth: i64, missing: u64) {
        let run = polyphase.runs().nth(nth);
        let values = &mut self.values[(run.first - self.first.1) as usize..][..run.count];
        let mut left = missing;
        while left != 0 {
            let one = left.trailing_zeros() as usize;
            left &= left - 1;
            let other = if left == 0 { one } else { left.trailing_zeros() as usize };
            left &= left.saturating_sub(1);
            let groups = [one, other];
            let made = polyphase.pairs(nth, groups, |from, to| window.slice(from, to));
            for (group, pairs) in groups.into_iter().zip(made) {
                for (pair, lane) in (group * LANES..run.pairs()).zip(0..LANES) {
                    values[run.count / 2 + pair] = pairs.0[lane];
                    values[(run.count - 1) / 2 - pair] = pairs.1[lane];
                }
            }
        }
        self.groups[(nth - self.first.0) as usize] |= missing;
        let last = if missing >> ((run.pairs() - 1) / LANES) != 0 {
            run.pairs().next_multiple_of(LANES) - run.pairs()
        } else {
            0
        };
        self.count += 2 * (missing.count_ones() as usize * LANES - last) as u64;
    }

    fn silence_outside(&mut self, due: i64) {
        let (from, end) = (self.first.1, self.first.1 + self.values.len() as i64);
        let index = |output: i64| (output.clamp(from, end) - from) as usize;
        self.values[..index(0)].fill(0.0);
        self.values[index(due)..].fill(0.0);
    }
}

/// One bit for each group of a run that has outputs from `from` up to `to`.
fn wanted(run: &Run, (from, to): (i64, i64)) -> u64 {
    let (count, middle) = (run.count as i64, run.count as i64 / 2);
    let (first, last) = ((from - run.first).max(0), (to - 1 - run.first).min(count - 1));
    // How far from the mirror an output is.
    let pair = |output: i64| (output - middle).max((count - 1) / 2 - output);
    let nearest = if last < middle { pair(last) } else { pair(first.max(middle)) };
    let farthest = pair(first).max(pair(last));
    let group = |pair: i64| (pair as usize / LANES) as u32;
    (u64::MAX << group(nearest)) & (u64::MAX >> (63 - group(farthest)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn groups_that_are_wanted_have_the_outputs() {
        for count in [1, 2, 15, 16, 40, 41, 80] {
            let run = Run { first: -7, count, middle: 0 };
            for from in -9..run.first + count as i64 {
                for to in (from + 1).max(run.first + 1)..from + 60 {
                    let mut bits = 0;
                    for output in (from - run.first).max(0)..(to - run.first).min(count as i64) {
                        let behind = output - count as i64 / 2;
                        let pair = if behind >= 0 { behind } else { (count as i64 - 1) / 2 - output };
                        bits |= 1u64 << (pair as usize / LANES);
                    }
                    assert_eq!(wanted(&run, (from, to)), bits, "{count} outputs, {from} to {to}");
                }
            }
        }
    }
}
