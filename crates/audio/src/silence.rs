//! Runs of digital silence in a stream: what is silent long enough stays silent, whatever is done to the rest. Knows
//! nothing of trimming.

use std::ops::Range;

use crate::Block;

/// Below this a sample is digital silence: far under the step of every integer format, and above what a 64-bit
/// resampler leaves of zeros.
pub const SILENCE: f64 = 1.0 / 4_294_967_296.0;

/// Frames that are looked at together.
const CHUNK: usize = 64;

/// A piece of a stream. Silent frames are only counted, never kept, so that hours of silence need no memory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Piece {
    /// Frames of a run that is long enough.
    Silent(u64),
    /// Silent frames of a run that was too short.
    Short(u64),
    /// Frames of the present block.
    Active(Range<usize>),
}

/// Finds runs in which every channel is within the threshold for `least` frames or more.
#[derive(Debug, Clone)]
pub(crate) struct SilentRuns {
    threshold: f64,
    least: u64,
    /// Frames of the present run; the run is certain once they are as many as `least`.
    run: u64,
}

impl SilentRuns {
    pub(crate) fn new(threshold: f64, least: u64) -> Self {
        Self { threshold, least: least.max(1), run: 0 }
    }

    /// Cuts a block into pieces. Silent frames may come out later than they came in.
    pub(crate) fn split(&mut self, block: &Block, mut out: impl FnMut(Piece)) {
        let mut active = 0;
        let mut at = 0;
        while at < block.frames() {
            let end = (at + CHUNK).min(block.frames());
            match self.judge(block, at..end) {
                Some(false) => self.sounding(&mut out),
                Some(true) => {
                    flush(active..at, &mut out);
                    active = end;
                    self.silent((end - at) as u64, &mut out);
                }
                None => {
                    for frame in at..end {
                        if block.iter().all(|channel| channel[frame].abs() <= self.threshold) {
                            flush(active..frame, &mut out);
                            active = frame + 1;
                            self.silent(1, &mut out);
                        } else {
                            self.sounding(&mut out);
                        }
                    }
                }
            }
            at = end;
        }
        flush(active..block.frames(), &mut out);
    }

    /// Whether all frames of a chunk are silent, or none is; `None` where it is mixed or not plain.
    fn judge(&self, block: &Block, range: Range<usize>) -> Option<bool> {
        let mut all_silent = true;
        for channel in block.iter() {
            let samples = &channel[range.clone()];
            let silent =
                samples.iter().map(|sample| usize::from(sample.abs() <= self.threshold)).sum::<usize>();
            if silent == 0 {
                return Some(false);
            }
            all_silent &= silent == samples.len();
        }
        all_silent.then_some(true)
    }

    fn silent(&mut self, frames: u64, out: &mut impl FnMut(Piece)) {
        let certain = self.run >= self.least;
        self.run += frames;
        if certain {
            out(Piece::Silent(frames));
        } else if self.run >= self.least {
            out(Piece::Silent(self.run));
        }
    }

    fn sounding(&mut self, out: &mut impl FnMut(Piece)) {
        if (1..self.least).contains(&self.run) {
            out(Piece::Short(self.run));
        }
        self.run = 0;
    }

    /// Ends the stream: what is pending was too short.
    pub(crate) fn finish(&mut self, mut out: impl FnMut(Piece)) {
        self.sounding(&mut out);
    }
}

fn flush(range: Range<usize>, out: &mut impl FnMut(Piece)) {
    if !range.is_empty() {
        out(Piece::Active(range));
    }
}

/// Counts the frames of a stream that are not digital silence of 10 ms or more.
#[derive(Debug, Clone)]
pub struct Activity {
    runs: SilentRuns,
    active: u64,
}

impl Activity {
    /// A counter for a stream at `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        Self { runs: SilentRuns::new(SILENCE, u64::from(rate_hz / 100)), active: 0 }
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        let active = &mut self.active;
        self.runs.split(block, |piece| count(active, &piece));
    }

    /// Ends the stream and says how many frames were active.
    pub fn finish(mut self) -> u64 {
        let active = &mut self.active;
        let anything = *active > 0;
        self.runs.finish(|piece| count(active, &piece));
        // A file that is shorter than 10 ms and silent has no sound either.
        if anything { self.active } else { 0 }
    }
}

fn count(active: &mut u64, piece: &Piece) {
    match piece {
        Piece::Silent(_) => {}
        Piece::Short(frames) => *active += frames,
        Piece::Active(range) => *active += range.len() as u64,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// The stream as a string: `.` silent, `s` short run, `x` active.
    fn picture(samples: &[f64], piece: usize) -> String {
        let mut runs = SilentRuns::new(0.0, 3);
        let mut text = String::new();
        let mut add = |piece: Piece| match piece {
            Piece::Silent(frames) => text.push_str(&".".repeat(frames as usize)),
            Piece::Short(frames) => text.push_str(&"s".repeat(frames as usize)),
            Piece::Active(range) => text.push_str(&"x".repeat(range.len())),
        };
        for part in samples.chunks(piece) {
            runs.split(&Block::from_channels(vec![part.to_vec()]), &mut add);
        }
        runs.finish(&mut add);
        text
    }

    #[test]
    fn only_long_runs_are_silent() {
        assert_eq!(picture(&[1.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 0.0], 9), "xssx...xs");
    }

    proptest! {
        #[test]
        fn cutting_does_not_matter(samples in prop::collection::vec(prop_oneof![Just(0.0), Just(0.0), Just(0.5)], 0..400), piece in 1usize..100) {
            prop_assert_eq!(picture(&samples, piece), picture(&samples, 400));
            prop_assert_eq!(picture(&samples, piece).len(), samples.len());
        }
    }

    #[test]
    fn both_channels_must_be_silent() {
        let mut activity = Activity::new(48_000);
        activity.push(&Block::from_channels(vec![vec![0.0; 2000], vec![0.25; 2000]]));
        activity.push(&Block::silence(2, 10_000));
        assert_eq!(activity.finish(), 2000);
    }
}
