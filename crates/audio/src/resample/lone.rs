//! Runs of outputs of the polyphase converter, of which most are never asked for: the same sums as in a chunk, in the same
//! order, so that they are the same to the bit. Where most of a chunk is asked for, the chunk is made as a whole.
//!
//! It knows slices and places, and neither rates nor what the outputs are wanted for.

use pulp::Arch;

use super::kernel::{Apart, LANES, Taps};
use super::polyphase::{Polyphase, Summed};

/// Groups that are summed side by side, since every sum waits for its last step.
const BESIDE: usize = 4;

/// Outputs that can be made beside those that are asked for.
pub(super) const SPARE: i64 = (BESIDE * LANES) as i64;

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

/// A run of outputs that are made already.
#[derive(Debug, Clone, Default)]
pub(super) struct Made {
    from: i64,
    values: Vec<f64>,
    chunk: Vec<f64>,
    /// How many were made in all.
    pub count: u64,
}

impl Made {
    /// The outputs from `from` up to `to`; silent where there are none: before 0, and from `due` on. `whole` chunks are made
    /// for it, or single groups.
    pub(super) fn run(
        &mut self,
        polyphase: &Polyphase,
        window: &Window,
        (from, to): (i64, i64),
        whole: bool,
        due: i64,
    ) -> &[f64] {
        if from < self.from || from > self.end() {
            self.values.clear();
            let chunk = polyphase.chunk_out() as i64;
            self.from =
                if whole { from.div_euclid(chunk) * chunk } else { polyphase.summed_with(from).first };
        } else if from - self.from > KEPT {
            // What lies far behind is asked for no more.
            self.values.drain(..(from - self.from) as usize);
            self.from = from;
        }
        while self.end() < to {
            if whole {
                self.add_chunk(polyphase, window);
            } else {
                self.add_groups(polyphase, window);
            }
            self.silence_outside(due);
        }
        &self.values[(from - self.from) as usize..(to - self.from) as usize]
    }

    fn end(&self) -> i64 {
        self.from + self.values.len() as i64
    }

    /// Adds what is missing of the next outputs' chunk.
    fn add_chunk(&mut self, polyphase: &Polyphase, window: &Window) {
        let (chunk_in, chunk_out) = (polyphase.chunk_in() as i64, polyphase.chunk_out() as i64);
        let nth = self.end().div_euclid(chunk_out);
        let reads = (nth * chunk_in - polyphase.before as i64, (nth + 1) * chunk_in + polyphase.after as i64);
        self.chunk.resize(chunk_out as usize, 0.0);
        polyphase.convert(window.slice(reads.0, reads.1), &mut self.chunk);
        let skip = (self.end() - nth * chunk_out) as usize;
        self.values.extend_from_slice(&self.chunk[skip..]);
        self.count += chunk_out as u64;
    }

    /// Adds what is missing of the next outputs' groups.
    fn add_groups(&mut self, polyphase: &Polyphase, window: &Window) {
        let mut next = self.end();
        let groups: [Summed<'_>; BESIDE] = std::array::from_fn(|_| {
            let group = polyphase.summed_with(next);
            next = group.first + LANES as i64;
            group
        });
        let (mut taps, mut inputs): ([&[Taps]; BESIDE], [&[f64]; BESIDE]) = ([&[]; BESIDE], [&[]; BESIDE]);
        for (nth, group) in groups.iter().enumerate() {
            taps[nth] = group.taps;
            inputs[nth] = window.slice(group.from, group.from + group.taps.len() as i64);
        }
        let sums = Arch::new().dispatch(Apart { taps, inputs });
        for (group, sums) in groups.iter().zip(sums) {
            let skip = (self.end() - group.first) as usize;
            self.values.extend_from_slice(&sums[skip..]);
            self.count += LANES as u64;
        }
    }

    fn silence_outside(&mut self, due: i64) {
        let (from, end) = (self.from, self.end());
        let index = |output: i64| (output.clamp(from, end) - from) as usize;
        self.values[..index(0)].fill(0.0);
        self.values[index(due)..].fill(0.0);
    }
}
