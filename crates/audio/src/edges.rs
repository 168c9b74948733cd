//! Where sound meets digital silence: how a channel begins and ends there. Knows nothing of offsets.

use crate::Block;
use crate::silence::SILENCE;
use crate::units::unsigned_zero;

/// Samples that are looked at together.
const CHUNK: usize = 64;

/// Parts of a second that an edge reaches into the sound: a quarter of a millisecond, half of the shortest fade that is
/// made by hand.
const REACH: u32 = 4000;

/// How one channel begins and ends where it meets digital silence of 10 ms or more, or the ends of the stream.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EdgesOf {
    /// Least and greatest of the samples beside the silence.
    pub range: (f64, f64),
    /// The lowest of their levels: the peak of a quarter of a millisecond beside the silence.
    pub least_peak: f64,
    /// Samples of digital silence.
    pub silent: u64,
}

/// Measures the edges of a stream, channel by channel.
#[derive(Debug, Clone)]
pub struct Edges(Vec<Channel>);

impl Edges {
    /// A meter for `channels` channels at `rate_hz`.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        Self(vec![Channel::new(rate_hz); channels])
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        for (channel, samples) in self.0.iter_mut().zip(block.iter()) {
            channel.push(samples);
        }
    }

    /// Ends the stream; all zero for a channel of silence.
    pub fn finish(self) -> Vec<EdgesOf> {
        self.0.into_iter().map(Channel::finish).collect()
    }
}

#[derive(Debug, Clone)]
struct Channel {
    least: u64,
    reach: usize,
    /// Silent samples up to here.
    run: u64,
    /// Whether what came before the run is silence or nothing.
    outside: bool,
    /// Level of the head of the present stretch of sound, and how many samples of it are to come.
    head: (f64, usize),
    /// The last samples of sound, as many as an edge reaches.
    recent: Vec<f64>,
    range: (f64, f64),
    least_peak: f64,
    silent: u64,
}

impl Channel {
    fn new(rate_hz: u32) -> Self {
        Self {
            least: u64::from(rate_hz / 100).max(1),
            reach: ((rate_hz / REACH) as usize).clamp(1, CHUNK),
            run: 0,
            outside: true,
            head: (0.0, 0),
            recent: Vec::with_capacity(2 * CHUNK),
            range: (f64::INFINITY, f64::NEG_INFINITY),
            least_peak: f64::INFINITY,
            silent: 0,
        }
    }

    fn push(&mut self, samples: &[f64]) {
        // Sound up to here that is not remembered yet: only the last of it will be.
        let mut steady = 0..0;
        for (nth, chunk) in samples.chunks(CHUNK).enumerate() {
            let (from, to) = (nth * CHUNK, nth * CHUNK + chunk.len());
            let silent = chunk.iter().map(|sample| usize::from(sample.abs() <= SILENCE)).sum::<usize>();
            if silent == 0 && self.run == 0 && !self.outside && self.head.1 == 0 {
                steady = if steady.is_empty() { from } else { steady.start }..to;
                continue;
            }
            self.remember(&samples[std::mem::take(&mut steady)]);
            if silent == chunk.len() {
                self.rest(silent as u64);
            } else {
                self.each(chunk);
            }
        }
        self.remember(&samples[steady]);
    }

    fn each(&mut self, samples: &[f64]) {
        for sample in samples {
            if sample.abs() <= SILENCE { self.rest(1) } else { self.sound(*sample) }
        }
    }

    fn remember(&mut self, samples: &[f64]) {
        self.recent.extend_from_slice(&samples[samples.len().saturating_sub(self.reach)..]);
        let old = self.recent.len().saturating_sub(self.reach);
        self.recent.drain(..old);
    }

    fn sound(&mut self, sample: f64) {
        if self.outside && (self.run == 0 || self.run >= self.least) {
            self.begin(sample);
        } else if self.run > 0 {
            // Silence that was too short is a part of the sound.
            let short = self.run as usize;
            if self.outside {
                self.begin(0.0);
            }
            self.reach_on(0.0, short);
            self.remember(&[0.0; CHUNK][..short.min(CHUNK)]);
        }
        (self.outside, self.run) = (false, 0);
        self.reach_on(sample.abs(), 1);
        self.remember(&[sample]);
    }

    /// So many samples of this level belong to the head of the sound, as far as an edge reaches.
    fn reach_on(&mut self, level: f64, samples: usize) {
        if self.head.1 > 0 {
            self.head = (self.head.0.max(level), self.head.1.saturating_sub(samples));
            if self.head.1 == 0 {
                self.least_peak = self.least_peak.min(self.head.0);
            }
        }
    }

    fn begin(&mut self, first: f64) {
        self.range = (self.range.0.min(first), self.range.1.max(first));
        self.head = (0.0, self.reach);
        self.recent.clear();
    }

    fn rest(&mut self, samples: u64) {
        let before = self.run;
        self.run += samples;
        if self.run >= self.least {
            self.silent += if before >= self.least { samples } else { self.run };
            if !self.outside {
                self.end();
            }
            self.outside = true;
        }
    }

    /// The sound has ended, and silence follows.
    fn end(&mut self) {
        if self.head.1 > 0 {
            self.least_peak = self.least_peak.min(self.head.0);
            self.head.1 = 0;
        }
        let last = self.recent.last().copied().unwrap_or(0.0);
        self.range = (self.range.0.min(last), self.range.1.max(last));
        let peak = self.recent.iter().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
        self.least_peak = self.least_peak.min(peak);
    }

    fn finish(mut self) -> EdgesOf {
        if !self.outside {
            let short = self.run as usize;
            if short > 0 {
                self.remember(&[0.0; CHUNK][..short.min(CHUNK)]);
            }
            self.end();
        }
        if self.least_peak.is_infinite() {
            return EdgesOf { silent: self.silent, ..EdgesOf::default() };
        }
        let range = (unsigned_zero(self.range.0), unsigned_zero(self.range.1));
        EdgesOf { range, least_peak: self.least_peak, silent: self.silent }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At 8 kHz an edge reaches over two samples, and 80 of silence are 10 ms.
    fn edges(parts: &[&[f64]], piece: usize) -> EdgesOf {
        let samples = parts.concat();
        let mut meter = Edges::new(1, 8000);
        for part in samples.chunks(piece) {
            meter.push(&Block::from_channels(vec![part.to_vec()]));
        }
        meter.finish()[0]
    }

    #[test]
    fn sound_meets_silence_and_the_ends_of_the_stream() {
        let (loud, silence, short): (&[f64], &[f64], &[f64]) = (&[0.5; 300], &[0.0; 80], &[0.0; 79]);
        let ramp: Vec<f64> = (0..192).rev().map(|n| (16.0 + f64::from(n)) / 1024.0).collect();
        let of = |low: f64, high: f64, least_peak: f64, silent: u64| EdgesOf {
            range: (low, high),
            least_peak,
            silent,
        };
        for (parts, wanted) in [
            (vec![loud], of(0.5, 0.5, 0.5, 0)),
            (vec![silence, loud, silence], of(0.5, 0.5, 0.5, 160)),
            (vec![loud, &[0.3, 0.2], silence, &[-0.4, 0.6], loud], of(-0.4, 0.5, 0.3, 80)),
            // Of a long stretch only its end is beside the silence.
            (vec![silence, loud, &ramp, silence], of(16.0 / 1024.0, 0.5, 17.0 / 1024.0, 160)),
            // What rises from nothing has a low edge.
            (vec![silence, &[0.01, 0.02, 0.03], loud], of(0.01, 0.5, 0.02, 80)),
            // Less silence is a part of the sound, in its middle and at its ends.
            (vec![loud, short, loud], of(0.5, 0.5, 0.5, 0)),
            (vec![short, loud], of(0.0, 0.5, 0.0, 0)),
            (vec![loud, &[0.0]], of(0.0, 0.5, 0.5, 0)),
            (vec![loud, short], of(0.0, 0.5, 0.0, 0)),
            (vec![silence], of(0.0, 0.0, 0.0, 80)),
            (vec![], EdgesOf::default()),
        ] {
            for piece in [1, 7, 64, 100, 1000] {
                assert_eq!(edges(&parts, piece), wanted, "{} samples in {piece}", parts.concat().len());
            }
        }
    }
}
