//! The converter for small ratios: which inputs and which coefficients every output is summed from, chunk by chunk.
//!
//! A *period* is the shortest stretch of which both rates have whole frames (147 and 160 at 44.1 and 48 kHz), or several of
//! it; a *chunk* is `LANES` periods, which the kernel takes side by side.
//!
//! It knows neither blocks nor where the stream ends.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;

use pulp::Arch;

use super::design::Response;
use super::kernel::{ABREAST, Group, LANES, Sums, Taps};
use super::ratio::Ratio;

/// The sums of one period, and the room that they need.
pub(super) struct Polyphase {
    /// Source frames of a period.
    period_in: usize,
    /// Frames that are made of it.
    period_out: usize,
    /// Frames before a chunk that its first outputs read.
    pub before: usize,
    /// Frames after a chunk that its last outputs read.
    pub after: usize,
    groups: Vec<Group>,
    table: Vec<Taps>,
    rows: Vec<f64>,
    sums: Vec<f64>,
}

/// Neighbouring outputs that are summed together.
pub(super) struct Summed<'a> {
    /// The first of them, and how many they are.
    pub first: i64,
    pub count: usize,
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
        // A period as long as the filter, so that no more is turned for its ends than for itself.
        let periods = (2 * response.half).div_ceil(ratio.from as usize);
        let (period_in, period_out) = (periods * ratio.from as usize, periods * ratio.to as usize);
        // The place of an output in its period, in whole source frames; its filter reads from `half - 1` before it to `half`
        // after it.
        let numerator = |output: usize| output as i64 * i64::from(ratio.from) + phase;
        let base = |output: usize| numerator(output).div_euclid(i64::from(ratio.to));
        let half = response.half as i64;
        let before = (half - 1 - base(0)).max(0);
        let after = (base(period_out - 1) + half - (period_in as i64 - 1)).max(0);
        let mut polyphase = Self {
            period_in,
            period_out,
            before: before as usize,
            after: after as usize,
            groups: Vec::new(),
            table: Vec::new(),
            rows: vec![0.0; (period_in + (before + after) as usize) * LANES],
            sums: vec![0.0; period_out.next_multiple_of(ABREAST) * LANES],
        };
        let mut made: BTreeMap<_, std::ops::Range<usize>> = BTreeMap::new();
        for first in (0..period_out).step_by(ABREAST) {
            // Groups whose first outputs have one phase have the same coefficients, but for the last, which may be short.
            let key = (numerator(first).rem_euclid(i64::from(ratio.to)), (period_out - first).min(ABREAST));
            let taps = match made.entry(key) {
                Entry::Occupied(taps) => taps.get().clone(),
                Entry::Vacant(vacant) => {
                    let start = polyphase.table.len();
                    let bases: Vec<i64> = (first..first + key.1).map(base).collect();
                    polyphase.table.extend(taps(&response, ratio, key.0, &bases));
                    vacant.insert(start..polyphase.table.len()).clone()
                }
            };
            polyphase.groups.push(Group { taps, first_row: (base(first) - (half - 1) + before) as usize });
        }
        Some(polyphase)
    }

    /// The group in which an output is summed, wherever it stands: the same sums as in its chunk.
    pub(super) fn summed_with(&self, output: i64) -> Summed<'_> {
        let (period_in, period_out) = (self.period_in as i64, self.period_out as i64);
        let (period, within) = (output.div_euclid(period_out), output.rem_euclid(period_out) as usize);
        let first = within / ABREAST * ABREAST;
        let group = &self.groups[first / ABREAST];
        Summed {
            first: period * period_out + first as i64,
            count: (self.period_out - first).min(ABREAST),
            taps: &self.table[group.taps.clone()],
            from: period * period_in + group.first_row as i64 - self.before as i64,
        }
    }

    /// Source frames of a chunk.
    pub(super) fn chunk_in(&self) -> usize {
        LANES * self.period_in
    }

    /// Frames that are made of a chunk.
    pub(super) fn chunk_out(&self) -> usize {
        LANES * self.period_out
    }

    /// Makes one channel of a chunk, of its frames and those before and after it.
    pub(super) fn convert(&mut self, input: &[f64], output: &mut [f64]) {
        turn(input, self.period_in, &mut self.rows);
        let Self { groups, table, rows, sums, .. } = self;
        Arch::new().dispatch(Sums { groups, table, rows, made: sums });
        turn_back(&self.sums, self.period_out, output);
    }
}

/// The coefficients of neighbouring outputs, row by row from the first that the first of them reads. `phase` is that of the
/// first, `bases` are the source frames at or before each of them.
fn taps(response: &Response, ratio: Ratio, phase: i64, bases: &[i64]) -> Vec<Taps> {
    let (half, to) = (response.half as i64, i64::from(ratio.to));
    let rows = 2 * half + bases[bases.len() - 1] - bases[0];
    let tap = |row: i64, nth: usize| {
        // How far the place of the output lies behind the row's input, in the steps of the response.
        let distance = phase + nth as i64 * i64::from(ratio.from) - (row - (half - 1)) * to;
        if nth < bases.len() && distance.abs() <= half * to { response.at(distance) } else { 0.0 }
    };
    (0..rows).map(|row| std::array::from_fn(|nth| tap(row, nth))).collect()
}

/// Row `n` has the frames `n`, `n + period`, `n + 2 · period` and so on of the input.
fn turn(input: &[f64], period: usize, rows: &mut [f64]) {
    let (rows, _) = rows.as_chunks_mut::<LANES>();
    let count = rows.len();
    let lanes: [&[f64]; LANES] = std::array::from_fn(|lane| &input[lane * period..lane * period + count]);
    for (n, row) in rows.iter_mut().enumerate() {
        *row = lanes.map(|lane| lane[n]);
    }
}

/// The outputs of every lane, lane after lane.
fn turn_back(sums: &[f64], period: usize, output: &mut [f64]) {
    let (sums, _) = sums.as_chunks::<LANES>();
    for (lane, output) in output.chunks_exact_mut(period).enumerate() {
        for (sample, sums) in output.iter_mut().zip(sums) {
            *sample = sums[lane];
        }
    }
}
