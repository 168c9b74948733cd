//! The converter for small ratios: which inputs and which coefficients every output is made of, chunk by chunk.
//!
//! A *period* is a stretch of which both rates have whole frames (147 and 160 at 44.1 and 48 kHz), in whole runs (`mirror`); a
//! *chunk* is `PERIODS` of them. Chunk 0 begins with run 0, which may begin before output 0.
//!
//! It knows neither blocks nor where the stream ends.

use std::collections::BTreeMap;

use pulp::Arch;

use super::design::Response;
use super::kernel::{APART, Apart, Chunk, Group, LANES, PERIODS, Room, Taps, Task};
use super::mirror::{Run, Runs};
use super::ratio::Ratio;

/// Frames that a period has at least, at either rate: short chunks would be more work for what is around the sums.
const LEAST_PERIOD: usize = 128;

/// What the sums are made with.
pub(super) struct Polyphase {
    runs: Runs,
    /// Source frames of a period.
    period_in: usize,
    /// Frames that are made of it.
    period_out: usize,
    /// Source frames before a chunk that its first outputs read.
    pub before: usize,
    /// Source frames after a chunk that its last outputs read.
    pub after: usize,
    /// What is done for the runs of a period.
    tasks: Vec<Task>,
    table: Vec<Taps>,
    room: Room,
}

impl Polyphase {
    /// A converter whose first output stands `phase / ratio.to` source frames after the first source frame; `None` where the
    /// ratio is not small.
    pub(super) fn new(ratio: Ratio, phase: i64) -> Option<Self> {
        let filter = Filter { response: &*Response::of(ratio)?, ratio, phase };
        let runs = Runs::new(ratio, phase);
        let times =
            LEAST_PERIOD.div_ceil(runs.pair() / ratio.to as usize * ratio.from.min(ratio.to) as usize);
        let period_out = times * runs.pair();
        let period_in = period_out / ratio.to as usize * ratio.from as usize;
        let of_period: Vec<Run> = (0..2 * times as i64).map(|nth| runs.nth(nth)).collect();
        let (mut before, mut after) = (0, 0);
        for run in &of_period {
            let (halves, reach) = (run.halves(), filter.reach(run, run.pairs() - 1) as i64);
            before = before.max(reach - 1 - halves.1);
            after = after.max(halves.0 + reach - period_in as i64);
        }
        let (mut table, mut made) = (Vec::new(), BTreeMap::new());
        let tasks = of_period.iter().map(|run| {
            let (halves, reach) = (run.halves(), filter.reach(run, run.pairs() - 1));
            // Runs of one length whose mirrors both stand on an input, or between two, have the same coefficients.
            let groups = made.entry((run.count, halves.0 == halves.1)).or_insert_with(|| {
                let pairs = (0..run.pairs()).step_by(LANES);
                pairs.map(|pair| filter.group(run, pair, reach, &mut table)).collect::<Vec<_>>()
            });
            let first = (run.first - runs.start) as usize;
            Task {
                halves: ((halves.0 + before) as usize, (halves.1 + before) as usize),
                reach,
                outputs: first..first + run.count,
                groups: groups.clone(),
            }
        });
        let tasks = tasks.collect();
        let (before, after) = (before as usize, after as usize);
        Some(Self { runs, period_in, period_out, before, after, tasks, table, room: Room::default() })
    }

    /// The runs of outputs.
    pub(super) fn runs(&self) -> &Runs {
        &self.runs
    }

    /// Outputs of the first chunk that stand before output 0.
    pub(super) fn early(&self) -> usize {
        -self.runs.start as usize
    }

    /// Runs of a chunk.
    pub(super) fn chunk_runs(&self) -> usize {
        PERIODS * self.tasks.len()
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
    pub(super) fn convert(&mut self, input: &[f64], output: &mut [f64]) {
        let Self { tasks, table, period_in, period_out, room, .. } = self;
        let (input, output) = ((input, *period_in), (output, *period_out));
        Arch::new().dispatch(Chunk { tasks, table, input, output, room });
    }

    /// The pairs of these groups of a run, whose mirror images are the second of each; the same sums as in its chunk.
    /// `slice` gives source frames from one up to another.
    pub(super) fn pairs<'a>(
        &mut self,
        nth: i64,
        groups: [usize; APART],
        slice: impl Fn(i64, i64) -> &'a [f64],
    ) -> [(Taps, Taps); APART] {
        let task = &self.tasks[nth.rem_euclid(self.tasks.len() as i64) as usize];
        let (behind, before) = self.runs.nth(nth).halves();
        let reach = task.reach as i64;
        let input = (slice(behind, behind + reach), slice(before + 1 - reach, before + 1));
        let groups = groups.map(|group| &task.groups[group]);
        Arch::new().dispatch(Apart { groups, table: &self.table, input, room: &mut self.room })
    }
}

/// The coefficients by their definition.
struct Filter<'a> {
    response: &'a Response,
    ratio: Ratio,
    phase: i64,
}

impl Filter<'_> {
    /// How far the later output of a pair lies behind source frame `frame`, in parts of a source frame.
    fn beside(&self, run: &Run, pair: usize, frame: i64) -> i64 {
        let output = run.first + (run.count / 2 + pair) as i64;
        output * i64::from(self.ratio.from) + self.phase - frame * i64::from(self.ratio.to)
    }

    /// As many inputs from the mirror on are read by a pair and those before it.
    fn reach(&self, run: &Run, pair: usize) -> usize {
        let frames = self.beside(run, pair, run.halves().0).div_euclid(i64::from(self.ratio.to));
        (frames + self.response.half as i64 + 1) as usize
    }

    /// As many inputs from the mirror on are read neither by a pair nor by those behind it.
    fn unread(&self, run: &Run, pair: usize) -> usize {
        let frames = self.beside(run, pair, run.halves().0).div_euclid(i64::from(self.ratio.to));
        (frames - self.response.half as i64).max(0) as usize
    }

    /// Appends the coefficients of the pairs from `first` on to the table.
    fn group(&self, run: &Run, first: usize, reach: usize, table: &mut Vec<Taps>) -> Group {
        let taps = table.len();
        for sign in [1.0, -1.0] {
            table.extend(
                (0..reach as i64)
                    .map(|tap| std::array::from_fn(|lane| self.tap(run, first + lane, tap, sign))),
            );
        }
        let last = (first + LANES).min(run.pairs()) - 1;
        Group { taps, used: self.unread(run, first)..self.reach(run, last) }
    }

    /// Half the sum or half the difference of what an output has of an input and of its mirror image.
    fn tap(&self, run: &Run, pair: usize, tap: i64, sign: f64) -> f64 {
        let (behind, before) = run.halves();
        let value = |frame: i64| {
            let beside = self.beside(run, pair, frame);
            let end = self.response.half as i64 * i64::from(self.ratio.to);
            if pair < run.pairs() && beside.abs() <= end { self.response.at(beside) } else { 0.0 }
        };
        let own = value(behind + tap);
        // An input that is its own mirror image counts once.
        let mirrored = if behind + tap == before - tap { 0.0 } else { value(before - tap) };
        0.5 * (own + sign * mirrored)
    }
}
