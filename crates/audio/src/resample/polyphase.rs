//! The converter for small ratios: which inputs and which coefficients every output is summed from, chunk by chunk.
//!
//! A *period* is the shortest stretch of which both rates have whole frames (147 and 160 at 44.1 and 48 kHz), or several of
//! it; a *chunk* is `PERIODS` periods, which the kernel takes side by side.
//!
//! It knows neither blocks nor where the stream ends.

use std::collections::BTreeMap;

use pulp::Arch;

use super::design::Response;
use super::kernel::{Group, LANES, PERIODS, Sums, Taps};
use super::ratio::Ratio;

/// Frames that a period has at least, at either rate.
const LEAST_PERIOD: usize = 128;

/// The sums of one period.
pub(super) struct Polyphase {
    /// Source frames of a period.
    period_in: usize,
    /// Frames that are made of it; `LANES` or more.
    period_out: usize,
    /// Frames before a chunk that its first outputs read.
    pub before: usize,
    /// Frames after a chunk that its last outputs read.
    pub after: usize,
    groups: Vec<Group>,
    table: Vec<Taps>,
}

/// Neighbouring outputs that are summed together.
pub(super) struct Summed<'a> {
    /// The first of them.
    pub first: i64,
    /// Their coefficients.
    pub taps: &'a [Taps],
    /// The source frame of the first coefficient.
    pub from: i64,
}

impl Polyphase {
    /// A converter whose first output stands `phase / ratio.to` source frames after the first source frame; `None` where the
    /// ratio is not small.
    pub(super) fn new(ratio: Ratio, phase: i64) -> Option<Self> {
        let response = Response::of(ratio)?;
        // Short chunks would be more work for what is around the sums.
        let periods = LEAST_PERIOD.div_ceil(ratio.from.min(ratio.to) as usize);
        let (period_in, period_out) = (periods * ratio.from as usize, periods * ratio.to as usize);
        // The place of an output in its period, in whole source frames; its filter reads from `half - 1` before it to `half`
        // after it.
        let numerator = |output: usize| output as i64 * i64::from(ratio.from) + phase;
        let base = |output: usize| numerator(output).div_euclid(i64::from(ratio.to));
        let half = response.half as i64;
        // As many for every group, so that groups can be summed side by side.
        let span = (LANES - 1) * ratio.from as usize;
        let count = 2 * response.half + span.div_ceil(ratio.to as usize);
        let before = (half - 1 - base(0)).max(0);
        let last_read = base(period_out - LANES) - (half - 1) + count as i64;
        let mut polyphase = Self {
            period_in,
            period_out,
            before: before as usize,
            after: (last_read - period_in as i64).max(0) as usize,
            groups: Vec::new(),
            table: Vec::new(),
        };
        let mut made: BTreeMap<_, usize> = BTreeMap::new();
        for first in (0..period_out).step_by(LANES) {
            // The last group makes outputs of the one before it again, where it would be short.
            let first = first.min(period_out - LANES);
            // Groups whose first outputs have one phase have the same coefficients.
            let first_phase = numerator(first).rem_euclid(i64::from(ratio.to));
            let start = *made.entry(first_phase).or_insert_with(|| {
                let start = polyphase.table.len();
                polyphase.table.extend((0..count as i64).map(|row| taps(&response, ratio, first_phase, row)));
                start
            });
            let first_input = (base(first) - (half - 1) + before) as usize;
            polyphase.groups.push(Group { taps: start..start + count, first_input, first_output: first });
        }
        Some(polyphase)
    }

    /// The group in which an output is summed, wherever it stands: the same sums as in its chunk.
    pub(super) fn summed_with(&self, output: i64) -> Summed<'_> {
        let (period_in, period_out) = (self.period_in as i64, self.period_out as i64);
        let (period, within) = (output.div_euclid(period_out), output.rem_euclid(period_out) as usize);
        let group = &self.groups[within / LANES];
        Summed {
            first: period * period_out + group.first_output as i64,
            taps: &self.table[group.taps.clone()],
            from: period * period_in + group.first_input as i64 - self.before as i64,
        }
    }

    /// Source frames of a chunk.
    pub(super) fn chunk_in(&self) -> usize {
        PERIODS * self.period_in
    }

    /// Frames that are made of a chunk.
    pub(super) fn chunk_out(&self) -> usize {
        PERIODS * self.period_out
    }

    /// Makes one channel of a chunk, of its frames and those before and after it.
    pub(super) fn convert(&self, input: &[f64], output: &mut [f64]) {
        let Self { groups, table, period_in, period_out, .. } = self;
        Arch::new().dispatch(Sums {
            groups,
            table,
            input: (input, *period_in),
            output: (output, *period_out),
        });
    }
}

/// The coefficients of neighbouring outputs for input `row` of those that they read. `phase` is that of the first output.
fn taps(response: &Response, ratio: Ratio, phase: i64, row: i64) -> Taps {
    let (half, to) = (response.half as i64, i64::from(ratio.to));
    std::array::from_fn(|nth| {
        // How far the place of the output lies behind the input, in the steps of the response.
        let distance = phase + nth as i64 * i64::from(ratio.from) - (row - (half - 1)) * to;
        if distance.abs() <= half * to { response.at(distance) } else { 0.0 }
    })
}
