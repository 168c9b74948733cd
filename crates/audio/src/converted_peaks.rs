//! The extremes of a sound at another rate, of its samples and of the true peak between them, without converting all of it.
//!
//! Where the rates have the fixed arithmetic only what can matter is converted (`resample::chosen`), and everything elsewhere.
//! It knows nothing of limits and targets.

use crate::Block;
use crate::resample::{Chosen, Resampler};
use crate::true_peak::{Extremes, TruePeak};

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
        Self(match Chosen::new(from_hz, to_hz, channels, phase) {
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
        let made = self.resampler.given();
        let channels = self.meter.finish();
        let made = made * channels.len() as u64;
        (channels, made)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::rescale_frames;
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
        let mut meter = ConvertedPeaks::new(from_hz, to_hz, 1, phase);
        blocks(samples, piece).for_each(|block| meter.push(&block));
        let outputs = rescale_frames(samples.len() as u64, from_hz, to_hz);
        let (found, made) = meter.counted();
        (found[0], made as f64 / outputs.max(1) as f64)
    }

    const PAIRS: [(u32, u32, i64); 13] = [
        (44_100, 48_000, 0),
        (44_100, 48_000, -131),
        (48_000, 44_100, 0),
        (48_000, 44_100, 77),
        (96_000, 48_000, 0),
        (192_000, 44_100, 400),
        (44_100, 192_000, -3),
        (22_050, 48_000, 5),
        (88_200, 96_000, 0),
        // Long runs, and far ratios.
        (32_000, 22_050, 639),
        (22_050, 32_000, -639),
        (8_000, 384_000, 47),
        (47_952, 48_000, 999),
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
        for (hz, most) in [(60.0, 0.075), (300.0, 0.3), (1000.0, 0.3)] {
            let mut samples = sine(hz, 0.5, 44_100, 441_000);
            for (n, sample) in samples.iter_mut().enumerate() {
                *sample *= 1.0 + libm::sin(n as f64 / 50_000.0);
            }
            let (_, share) = measured(&samples, (44_100, 48_000, 0), 4096);
            assert!(share < most, "{share} of a sound at {hz} Hz");
        }
    }
}
