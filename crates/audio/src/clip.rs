//! Clipping: runs of equal samples at the file's own ceiling. Knows nothing of how bad that is.

use crate::Block;
use crate::simd_meters::range;

/// Shortest run that counts: common practice, no source.
const SHORTEST: u64 = 3;

/// Finds runs of three or more equal samples at the ceiling, for each channel and polarity.
///
/// The ceiling is the file's own greatest sample, so that audio which clipped and was then turned down shows too.
#[derive(Debug, Clone)]
pub struct ClipRuns {
    frames: u64,
    sides: Vec<[Side; 2]>,
    over: Over,
    beyond: Option<Beyond>,
}

/// No export makes samples above this: 64 tracks of full scale that fall together are 36 dB over it, and a fader and a clip gain
/// at their tops add 12 dB each. That is 60 dB, a thousand (common practice, no source). What is above is damage, such as a
/// flipped bit, or integers that nobody has scaled.
pub const BEYOND: f64 = 1000.0;

/// Samples that no export makes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beyond {
    /// How many, over all channels.
    pub samples: u64,
    /// Frame of the first.
    pub first_frame: u64,
    /// Channel of the first, from 0.
    pub channel: usize,
    /// The first itself.
    pub value: f64,
}

/// Samples above full scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Over {
    /// How many, over all channels.
    pub samples: u64,
    /// Frame of the first.
    pub first_frame: Option<u64>,
}

/// The clipped runs of one channel and polarity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clipped {
    /// Channel, from 0.
    pub channel: usize,
    /// The value at which the runs stand, with its sign.
    pub ceiling: f64,
    /// How many runs.
    pub runs: u64,
    /// Samples in them.
    pub samples: u64,
    /// Length of the longest, in samples.
    pub longest: u64,
    /// Frame of the first.
    pub first_frame: u64,
}

#[derive(Debug, Clone, Copy, Default)]
struct Side {
    ceiling: f64,
    runs: u64,
    samples: u64,
    longest: u64,
    first: u64,
    run: u64,
}

impl Beyond {
    fn with(self, other: Self) -> Self {
        let first = if other.first_frame < self.first_frame { other } else { self };
        Self { samples: self.samples + other.samples, ..first }
    }
}

impl Side {
    fn end_run(&mut self, end: u64) {
        if self.run >= SHORTEST {
            if self.runs == 0 {
                self.first = end - self.run;
            }
            self.runs += 1;
            self.samples += self.run;
            self.longest = self.longest.max(self.run);
        }
        self.run = 0;
    }

    fn push(&mut self, samples: &[f64], sign: f64, highest: f64, start: u64) {
        if highest > self.ceiling {
            *self = Self { ceiling: highest, ..Self::default() };
        }
        // Most blocks stay below the ceiling and need no second look.
        if highest < self.ceiling || self.ceiling <= 0.0 {
            return self.end_run(start);
        }
        let ceiling = self.ceiling;
        for (frame, sample) in (start..).zip(samples) {
            if sign * sample >= ceiling {
                self.run += 1;
            } else if self.run > 0 {
                self.end_run(frame);
            }
        }
    }
}

impl ClipRuns {
    /// A meter for `channels` channels.
    pub fn new(channels: usize) -> Self {
        Self { frames: 0, sides: vec![[Side::default(); 2]; channels], over: Over::default(), beyond: None }
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        for (channel, (sides, samples)) in self.sides.iter_mut().zip(block.iter()).enumerate() {
            let (low, high) = range(samples);
            sides[0].push(samples, 1.0, high, self.frames);
            sides[1].push(samples, -1.0, -low, self.frames);
            if high > 1.0 || low < -1.0 {
                let start = self.frames;
                for (frame, &value) in (start..).zip(samples).filter(|(_, sample)| sample.abs() > 1.0) {
                    self.over.samples += 1;
                    self.over.first_frame =
                        Some(self.over.first_frame.map_or(frame, |first| first.min(frame)));
                    if value.abs() > BEYOND {
                        let this = Beyond { samples: 1, first_frame: frame, channel, value };
                        self.beyond = Some(self.beyond.map_or(this, |known| known.with(this)));
                    }
                }
            }
        }
        self.frames += block.frames() as u64;
    }

    /// Samples so far that no export makes.
    pub fn beyond(&self) -> Option<Beyond> {
        self.beyond
    }

    /// Samples above full scale so far.
    pub fn over_full_scale(&self) -> Over {
        self.over
    }

    /// The greatest magnitude so far.
    pub fn peak(&self) -> f64 {
        self.sides.iter().flatten().map(|side| side.ceiling).fold(0.0, f64::max)
    }

    /// Ends the stream: every channel and polarity with at least one run.
    pub fn finish(mut self) -> Vec<Clipped> {
        let mut found = Vec::new();
        for (channel, sides) in self.sides.iter_mut().enumerate() {
            for (side, sign) in sides.iter_mut().zip([1.0, -1.0]) {
                side.end_run(self.frames);
                if side.runs > 0 {
                    found.push(Clipped {
                        channel,
                        ceiling: sign * side.ceiling,
                        runs: side.runs,
                        samples: side.samples,
                        longest: side.longest,
                        first_frame: side.first,
                    });
                }
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clips(samples: &[f64], piece: usize) -> Vec<Clipped> {
        let mut meter = ClipRuns::new(1);
        for part in samples.chunks(piece) {
            meter.push(&Block::from_channels(vec![part.to_vec()]));
        }
        meter.finish()
    }

    #[test]
    fn a_run_at_the_ceiling_counts_and_two_samples_do_not() {
        let samples = [0.0, 0.9, 0.9, 0.9, 0.1, 0.9, 0.9, 0.0, -0.5, -0.5, -0.5, -0.5];
        for piece in 1..=12 {
            let found = clips(&samples, piece);
            assert_eq!(found.len(), 2, "{piece}");
            assert_eq!((found[0].runs, found[0].samples, found[0].first_frame), (1, 3, 1));
            assert_eq!((found[1].ceiling, found[1].longest, found[1].first_frame), (-0.5, 4, 8));
        }
    }

    #[test]
    fn a_higher_ceiling_forgets_the_lower_one() {
        assert!(clips(&[0.5, 0.5, 0.5, 0.0, 0.6], 2).is_empty());
        assert!(clips(&[0.0; 100], 10).is_empty());
    }

    #[test]
    fn overs_are_counted() {
        let mut meter = ClipRuns::new(1);
        meter.push(&Block::from_channels(vec![vec![0.0, 1.0, 1.5, -2.0]]));
        assert_eq!(meter.over_full_scale(), Over { samples: 2, first_frame: Some(2) });
        assert_eq!(meter.beyond(), None);
    }

    #[test]
    fn what_no_export_makes_has_a_place_and_a_value() {
        let (left, right) = (vec![0.0, 1000.0, 0.5, 1001.0], vec![0.0, 0.5, -1.3e37, 1e300]);
        for piece in 1..=4 {
            let mut meter = ClipRuns::new(2);
            for (left, right) in left.chunks(piece).zip(right.chunks(piece)) {
                meter.push(&Block::from_channels(vec![left.to_vec(), right.to_vec()]));
            }
            let first = Beyond { samples: 3, first_frame: 2, channel: 1, value: -1.3e37 };
            assert_eq!(meter.beyond(), Some(first), "{piece}");
        }
    }
}
