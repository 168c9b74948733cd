//! The extremes of a sound at another rate, of which only what can matter is converted.
//!
//! Where no value can pass the extremes found so far (`bound`), nothing is converted; the others are summed one by one, just
//! as a conversion sums them, or chunk by chunk where there are many (`lone`). The bound holds for every sound, so the result
//! is that of converting everything, to the bit, and does not depend on how the stream is cut.
//!
//! It knows nothing of files, limits and targets.

use std::sync::Arc;

use super::bound::{Bend, Bounds, NEAR};
use super::design::Response;
use super::lone::{Made, Window};
use super::polyphase::Polyphase;
use super::ratio::Ratio;
use crate::simd_meters::{largest_bend, range};
use crate::true_peak::{Between, Extremes, TAPS};
use crate::{Block, oversampling, rescale_frames};

/// Frames that are judged at once.
const STRETCH: i64 = NEAR;

/// Frames that are judged at once within a stretch that could matter.
const PART: i64 = 16;

/// Stretches of which it is decided together how they are converted.
const UNIT: i64 = 16;

/// Frames that are needed no more and may wait to go.
const MOST_BEHIND: i64 = 16_384;

/// Parts of a unit from which on all of it is converted at once: a value on its own takes three times as long.
const MANY: usize = (UNIT * STRETCH / PART) as usize / 4;

/// What one stretch of a channel amounts to.
#[derive(Debug, Clone, Copy, Default)]
struct Figures {
    low: f64,
    high: f64,
    bend: f64,
}

struct Channel {
    window: Window,
    /// Of the stretches from `around` before the unit that is judged on.
    stretches: Vec<Figures>,
    made: Made,
    found: Extremes,
}

/// What the channels share.
struct Shared {
    ratio: Ratio,
    phase: i64,
    /// So many source frames before and after one a conversion may read to make what stands there.
    reads: i64,
    bounds: Arc<Bounds>,
    between: Between,
    /// How many stretches to either side a value of a stretch can depend on.
    around: i64,
}

/// The meter for one stream.
pub(crate) struct Chosen {
    shared: Shared,
    polyphase: Polyphase,
    rates_hz: (u32, u32),
    channels: Vec<Channel>,
    taken: i64,
    /// The next stretch that is judged; stretch `n` begins at frame `n · STRETCH`.
    next: i64,
}

impl Chosen {
    /// A meter as [`crate::ConvertedPeaks::new`] makes it; `None` for equal rates and those without fixed arithmetic.
    pub(crate) fn new(from_hz: u32, to_hz: u32, channels: usize, phase: i64) -> Option<Self> {
        let ratio = Some(Ratio::of(from_hz, to_hz)).filter(|_| from_hz != to_hz)?;
        let response = Response::of(ratio)?;
        let polyphase = Polyphase::new(ratio, phase)?;
        let places = oversampling(to_hz);
        let context = (TAPS as i64 / 2 + 2) * i64::from(ratio.from) / i64::from(ratio.to) + 2;
        let around = (response.half as i64 + context) / STRETCH + 1;
        let reads = (polyphase.chunk_in() + polyphase.before.max(polyphase.after)) as i64;
        let silence = (2 * around + 1) * STRETCH + 2 * reads;
        let channel = || Channel {
            window: Window { from: -silence, samples: vec![0.0; silence as usize] },
            stretches: vec![Figures::default(); 2 * around as usize],
            made: Made::default(),
            found: Extremes::NONE,
        };
        let shared = Shared {
            ratio,
            phase,
            reads,
            bounds: Bounds::of(ratio, &response, places),
            between: Between::new(places),
            around,
        };
        let channels = (0..channels).map(|_| channel()).collect();
        Some(Self { shared, polyphase, rates_hz: (from_hz, to_hz), channels, taken: 0, next: -around })
    }

    /// Takes the next frames.
    pub(crate) fn push(&mut self, block: &Block) {
        self.taken += block.frames() as i64;
        for (channel, samples) in self.channels.iter_mut().zip(block.iter()) {
            channel.window.samples.extend_from_slice(samples);
        }
        // Whatever can be judged before the end is known lies that far before it.
        self.judge(self.taken, i64::MAX);
    }

    /// Judges the units whose samples are there up to frame `end`; there are `due` outputs.
    fn judge(&mut self, end: i64, due: i64) {
        let Self { shared, polyphase, channels, next, .. } = self;
        while shared.needs(*next) <= end {
            for channel in channels.iter_mut() {
                channel.judge(shared, polyphase, *next, due);
            }
            *next += UNIT;
        }
        let keep_from = (*next - shared.around - 1) * STRETCH - shared.reads;
        for Channel { window, .. } in channels {
            let old = (keep_from - window.from).clamp(0, window.samples.len() as i64);
            // Not for every block: what stays is moved.
            if old >= MOST_BEHIND {
                window.samples.drain(..old as usize);
                window.from += old;
            }
        }
    }

    /// The extremes of every channel, and how many outputs were made.
    pub(crate) fn finish(mut self) -> (Vec<Extremes>, u64) {
        let due = rescale_frames(self.taken as u64, self.rates_hz.0, self.rates_hz.1) as i64;
        // Silence, until whatever rings on after the last output is judged.
        let last = self.taken / STRETCH + self.shared.around;
        let end = self.shared.needs(last + UNIT);
        for channel in &mut self.channels {
            channel.window.samples.resize((end - channel.window.from) as usize, 0.0);
        }
        self.judge(end, due);
        let made = self.channels.iter().map(|channel| channel.made.count).sum();
        (self.channels.into_iter().map(|channel| channel.found.finished()).collect(), made)
    }
}

impl Figures {
    /// Of stretch `nth`, with the first sample behind it.
    fn of(window: &Window, nth: i64) -> Self {
        let (from, to) = (nth * STRETCH, (nth + 1) * STRETCH + 1);
        let (low, high) = range(window.slice(from, to));
        Self { low, high, bend: largest_bend(window.slice(from - 1, to)) }
    }
}

impl Shared {
    /// The frame up to which samples must be there to judge the unit from stretch `nth` on.
    fn needs(&self, nth: i64) -> i64 {
        (nth + UNIT + self.around) * STRETCH + self.reads + 1
    }

    /// How far samples, and what lies between them, leave the lines in a stretch, of all from `around` before it on.
    fn reaches(&self, stretches: &[Figures], stretch: usize) -> (f64, f64) {
        let around = &stretches[stretch..=stretch + 2 * self.around as usize];
        let middle = self.around as usize;
        let bends = |figures: &[Figures]| figures.iter().map(|f| f.bend).fold(0.0, f64::max);
        let (near, all) = (bends(&around[middle - 1..=middle + 1]), bends(around));
        let largest = around.iter().map(|f| f.high.max(-f.low)).fold(0.0, f64::max);
        let reach = |bend: &Bend| bend.reach(near, all, largest);
        (reach(&self.bounds.samples), reach(&self.bounds.between))
    }

    /// The first output that stands on source frame `frame` or after it.
    fn first_output(&self, frame: i64) -> i64 {
        let (from, to) = (i64::from(self.ratio.from), i64::from(self.ratio.to));
        let numerator = frame * to - self.phase;
        numerator.div_euclid(from) + i64::from(numerator.rem_euclid(from) != 0)
    }
}

impl Channel {
    /// Judges the unit from stretch `nth` on: takes the values of it that pass what was found before. There are `due` outputs,
    /// or it lies far before the last one.
    fn judge(&mut self, shared: &Shared, polyphase: &mut Polyphase, nth: i64, due: i64) {
        let newest = nth + shared.around;
        self.stretches.extend((newest..newest + UNIT).map(|nth| Figures::of(&self.window, nth)));
        // Near the start and the end silence stands where the filter would ring, so that lines say nothing.
        let certain = nth < 2 * shared.around || due != i64::MAX;
        let mut wanted = Vec::new();
        for stretch in 0..UNIT {
            let reaches = shared.reaches(&self.stretches, stretch as usize);
            let own = self.stretches[(shared.around + stretch) as usize];
            if !certain && self.found.can_grow((own.low, own.high), reaches) == (false, false) {
                continue;
            }
            let first = (nth + stretch) * STRETCH;
            for part in (first..first + STRETCH).step_by(PART as usize) {
                let ends = range(self.window.slice(part, part + PART + 1));
                if certain || self.found.can_grow(ends, reaches) != (false, false) {
                    wanted.push((part, ends, reaches));
                }
            }
        }
        let whole = wanted.len() > MANY;
        for (part, ends, reaches) in wanted {
            // What was found meanwhile counts too.
            let wanted = if certain { (true, true) } else { self.found.can_grow(ends, reaches) };
            self.take(shared, polyphase, (part, part + PART), wanted, (whole, due));
        }
        self.stretches.drain(..UNIT as usize);
    }

    /// Takes the samples, and what lies between them, whose places are in these source frames.
    fn take(
        &mut self,
        shared: &Shared,
        polyphase: &mut Polyphase,
        (from, to): (i64, i64),
        (samples, between): (bool, bool),
        (whole, due): (bool, i64),
    ) {
        let (first, after) = (shared.first_output(from), shared.first_output(to));
        if between {
            let half = TAPS as i64 / 2;
            // What lies between the last sample before and the first one belongs here too.
            let (first, after) = ((first - 1).max(-half), after.min(due.saturating_add(half)));
            if first < after {
                let run = (first - (half - 1), after + half);
                let values = self.made.outputs(polyphase, &self.window, run, whole, due);
                shared.between.take(values, &mut self.found);
            }
        }
        let (first, after) = (first.max(0), after.min(due));
        if samples && first < after {
            let values = self.made.outputs(polyphase, &self.window, (first, after), whole, due);
            self.found.take(values);
        }
    }
}
