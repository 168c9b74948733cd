//! The extremes of a sound at another rate, of its samples and of the true peak between them, without converting all of it.
//!
//! Where no value can pass the extremes found so far (`bound`), nothing is converted; the others are summed one by one, just
//! as a conversion sums them (`lone`). The bound holds for every sound, so the result is that of converting everything, to
//! the bit, and does not depend on how the stream is cut.
//!
//! It knows nothing of limits and targets.

use std::sync::Arc;

use super::Resampler;
use super::bound::{Bend, Bounds, NEAR};
use super::design::Response;
use super::lone::{Made, Window};
use super::polyphase::Polyphase;
use super::ratio::Ratio;
use crate::simd_meters::{largest_bend, range};
use crate::true_peak::{Between, Extremes, TAPS, TruePeak};
use crate::{Block, oversampling, rescale_frames};

/// Frames that are judged at once.
const STRETCH: i64 = NEAR;

/// Frames that are judged at once within a stretch that could matter.
const PART: i64 = 16;

/// Stretches of which it is decided together how they are converted.
const UNIT: i64 = 16;

/// Parts of a unit from which on all of it is converted at once: a value on its own takes three times as long.
const MANY: usize = (UNIT * STRETCH / PART) as usize / 4;

/// Measures the least and the greatest sample, and the least and the greatest value between samples, that every channel of a
/// stream has once its rate is converted.
///
/// ```
/// use loadin_audio::{Block, ConvertedPeaks};
///
/// let mut meter = ConvertedPeaks::new(44_100, 48_000, 1, 0);
/// meter.push(&Block::from_channels(vec![vec![0.5; 3000]]));
/// let found = meter.finish()[0];
/// assert!(found.sample.1 > 0.5 && found.between.1 >= found.sample.1, "a sudden start rings");
/// ```
pub struct ConvertedPeaks(How);

enum How {
    /// Everything is converted: where the rates are equal, or have no fixed arithmetic.
    Whole(Box<Whole>),
    /// Only what can matter is.
    Chosen(Box<Chosen>),
}

impl ConvertedPeaks {
    /// A meter for a stream of `channels` channels at `from_hz` that will be at `to_hz`, and begin at `phase` as
    /// [`Resampler::starting_at`] takes it.
    ///
    /// # Panics
    /// Where [`Resampler::starting_at`] does.
    pub fn new(from_hz: u32, to_hz: u32, channels: usize, phase: i64) -> Self {
        assert!(Resampler::takes(from_hz, to_hz, phase), "{phase} is no phase of {from_hz} to {to_hz} Hz");
        let chosen = if from_hz == to_hz { None } else { Chosen::new(from_hz, to_hz, channels, phase) };
        Self(match chosen {
            Some(chosen) => How::Chosen(Box::new(chosen)),
            None => How::Whole(Box::new(Whole {
                resampler: Resampler::starting_at(from_hz, to_hz, channels, phase),
                meter: TruePeak::new(channels, to_hz),
                converted: Block::new(channels),
            })),
        })
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        match &mut self.0 {
            How::Chosen(chosen) => chosen.push(block),
            How::Whole(whole) => whole.push(block),
        }
    }

    /// Ends the stream; the extremes of every channel, all zero when nothing comes of it.
    pub fn finish(self) -> Vec<Extremes> {
        self.counted().0
    }

    /// The same, and how many samples were converted for it, over all channels.
    pub fn counted(self) -> (Vec<Extremes>, u64) {
        match self.0 {
            How::Chosen(chosen) => chosen.finish(),
            How::Whole(whole) => whole.finish(),
        }
    }
}

struct Whole {
    resampler: Resampler,
    meter: TruePeak,
    converted: Block,
}

impl Whole {
    fn push(&mut self, block: &Block) {
        if !self.resampler.is_converting() {
            return self.meter.push(block);
        }
        self.converted.clone_from(block);
        self.resampler.process(&mut self.converted);
        self.meter.push(&self.converted);
    }

    fn finish(mut self) -> (Vec<Extremes>, u64) {
        self.converted.clear();
        self.resampler.finish(&mut self.converted);
        self.meter.push(&self.converted);
        let made = if self.resampler.is_converting() { self.resampler.given } else { 0 };
        let channels = self.meter.finish();
        let made = made * channels.len() as u64;
        (channels, made)
    }
}

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
    /// Source frames of a chunk, as which a conversion takes them.
    chunk: i64,
    bounds: Arc<Bounds>,
    between: Between,
    /// How many stretches to either side a value of a stretch can depend on.
    around: i64,
}

struct Chosen {
    shared: Shared,
    polyphase: Polyphase,
    rates_hz: (u32, u32),
    channels: Vec<Channel>,
    taken: i64,
    /// The next stretch that is judged; stretch `n` begins at frame `n · STRETCH`.
    next: i64,
}

impl Chosen {
    fn new(from_hz: u32, to_hz: u32, channels: usize, phase: i64) -> Option<Self> {
        let ratio = Ratio::of(from_hz, to_hz);
        let response = Response::of(ratio)?;
        let polyphase = Polyphase::new(ratio, phase)?;
        let places = oversampling(to_hz);
        let context = (TAPS as i64 / 2 + 2) * i64::from(ratio.from) / i64::from(ratio.to) + 2;
        // Of a group, outputs beside those that are asked for are made too.
        let spare = 16 * i64::from(ratio.from) / i64::from(ratio.to) + 16;
        let around = (response.half as i64 + context + spare) / STRETCH + 1;
        let chunk = polyphase.chunk_in() as i64;
        let silence = (2 * around + 1) * STRETCH + 2 * chunk;
        let channel = || Channel {
            window: Window { from: -silence, samples: vec![0.0; silence as usize] },
            stretches: vec![Figures::default(); 2 * around as usize],
            made: Made::default(),
            found: Extremes::NONE,
        };
        let shared = Shared {
            ratio,
            phase,
            chunk,
            bounds: Bounds::of(ratio, &response, places),
            between: Between::new(places),
            around,
        };
        let channels = (0..channels).map(|_| channel()).collect();
        Some(Self { shared, polyphase, rates_hz: (from_hz, to_hz), channels, taken: 0, next: -around })
    }

    fn push(&mut self, block: &Block) {
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
        let keep_from = (*next - shared.around - 1) * STRETCH - shared.chunk;
        for Channel { window, .. } in channels {
            let old = (keep_from - window.from).clamp(0, window.samples.len() as i64);
            window.samples.drain(..old as usize);
            window.from += old;
        }
    }

    /// The extremes of every channel, and how many outputs were made.
    fn finish(mut self) -> (Vec<Extremes>, u64) {
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
        (nth + UNIT + self.around) * STRETCH + self.chunk + 1
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
                let values = self.made.run(polyphase, &self.window, run, whole, due);
                shared.between.take(values, &mut self.found);
            }
        }
        let (first, after) = (first.max(0), after.min(due));
        if samples && first < after {
            let values = self.made.run(polyphase, &self.window, (first, after), whole, due);
            self.found.take(values);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::signal::{noise, sine};

    fn blocks(samples: &[f64], piece: usize) -> impl Iterator<Item = Block> {
        samples.chunks(piece.max(1)).map(|part| Block::from_channels(vec![part.to_vec()]))
    }

    /// By converting everything.
    fn converted(samples: &[f64], (from_hz, to_hz, phase): (u32, u32, i64)) -> Extremes {
        let mut resampler = Resampler::starting_at(from_hz, to_hz, 1, phase);
        let mut meter = TruePeak::new(1, to_hz);
        for mut block in blocks(samples, 5000) {
            resampler.process(&mut block);
            meter.push(&block);
        }
        let mut rest = Block::new(1);
        resampler.finish(&mut rest);
        meter.push(&rest);
        meter.finish()[0]
    }

    /// By this meter, and the share of the outputs that it made.
    fn measured(samples: &[f64], (from_hz, to_hz, phase): (u32, u32, i64), piece: usize) -> (Extremes, f64) {
        let mut meter = Chosen::new(from_hz, to_hz, 1, phase).unwrap();
        blocks(samples, piece).for_each(|block| meter.push(&block));
        let outputs = rescale_frames(samples.len() as u64, from_hz, to_hz);
        let (found, made) = meter.finish();
        (found[0], made as f64 / outputs.max(1) as f64)
    }

    const PAIRS: [(u32, u32, i64); 9] = [
        (44_100, 48_000, 0),
        (44_100, 48_000, -131),
        (48_000, 44_100, 0),
        (48_000, 44_100, 77),
        (96_000, 48_000, 0),
        (192_000, 44_100, 400),
        (44_100, 192_000, -3),
        (22_050, 48_000, 5),
        (88_200, 96_000, 0),
    ];

    proptest! {
        /// The bounds must never hide a peak, wherever the stream is cut.
        #[test]
        fn nothing_is_skipped_that_matters(
            pair in 0..PAIRS.len(),
            seed in 0u64..1000,
            frames in 0usize..6000,
            piece in 1usize..3000,
            slope in 0.0f64..1.0,
            rest in 0usize..3000,
        ) {
            // Noise that leans to low frequencies more or less, with rests and steps in it.
            let mut samples = noise(seed, 0.5, frames);
            let mut last = 0.0;
            for (n, sample) in samples.iter_mut().enumerate() {
                last = slope * last + (1.0 - slope) * *sample;
                *sample = if n % 1500 < rest / 2 { 0.0 } else { last };
            }
            let pair = PAIRS[pair];
            prop_assert_eq!(measured(&samples, pair, piece).0, converted(&samples, pair));
        }
    }

    #[test]
    fn one_sample_and_a_stream_of_silence() {
        for pair in PAIRS {
            for samples in [vec![], vec![0.7], vec![-0.7; 3], vec![0.0; 10_000]] {
                assert_eq!(measured(&samples, pair, 100).0, converted(&samples, pair), "{pair:?}");
            }
        }
    }

    /// What is left to convert of a sound with a swell, from low to high.
    #[test]
    fn little_is_converted() {
        for (hz, most) in [(60.0, 0.05), (300.0, 0.3), (1000.0, 0.3)] {
            let mut samples = sine(hz, 0.5, 44_100, 441_000);
            for (n, sample) in samples.iter_mut().enumerate() {
                *sample *= 1.0 + libm::sin(n as f64 / 50_000.0);
            }
            let (_, share) = measured(&samples, (44_100, 48_000, 0), 4096);
            assert!(share < most, "{share} of a sound at {hz} Hz");
        }
    }
}
