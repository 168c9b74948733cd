//! A stream brought down to one channel and about 6 kHz: enough to compare stems with each other, and little to keep.
//! Knows nothing of how the result is kept.

use crate::Block;
use crate::with_simd;

/// The rate that decimation comes near to, in Hz.
const NEAR_HZ: u32 = 6000;

/// Taps on either side of the middle, for each frame that becomes one with others.
const REACH: usize = 8;

/// Cut-off (−6 dB) as a part of the new rate. Above half of it the Blackman window's slope reaches to about 0.6.
const CUT_OFF: f64 = 0.42;

/// The middle of all channels, low-passed (linear phase, its delay taken out), every `factor`-th frame of it.
///
/// Sample `k` stands at frame `k · factor` of the stream. `n` frames become `⌈n / factor⌉` samples.
#[derive(Debug, Clone)]
pub struct Decimator {
    factor: usize,
    taps: Vec<f64>,
    /// Frames of the middle from the first tap of the next sample on.
    pending: Vec<f64>,
    frames: u64,
    given: u64,
}

impl Decimator {
    /// A decimator for streams at `rate_hz`.
    pub fn new(rate_hz: u32) -> Self {
        let factor = Self::factor(rate_hz) as usize;
        let half = REACH * factor;
        // Before the first frame there is silence.
        Self { factor, taps: low_pass(factor, half), pending: vec![0.0; half], frames: 0, given: 0 }
    }

    /// How many frames at `rate_hz` become one sample: 8 at 48 kHz, 7 at 44.1 kHz, 1 below 9 kHz.
    pub fn factor(rate_hz: u32) -> u32 {
        ((rate_hz + NEAR_HZ / 2) / NEAR_HZ).max(1)
    }

    /// Takes the next frames and appends the samples that are ready to `out`.
    pub fn push(&mut self, block: &Block, out: &mut Vec<f32>) {
        self.frames += block.frames() as u64;
        let before = self.pending.len();
        self.pending.resize(before + block.frames(), 0.0);
        let share = 1.0 / block.channels().max(1) as f64;
        let middle = &mut self.pending[before..];
        with_simd(|| {
            for channel in block.iter() {
                add_scaled(middle, channel, share);
            }
        });
        self.give(out, u64::MAX);
    }

    /// Ends the stream: appends the samples that remain.
    pub fn finish(&mut self, out: &mut Vec<f32>) {
        let due = self.frames.div_ceil(self.factor as u64);
        self.pending.resize(self.pending.len() + self.taps.len(), 0.0);
        self.give(out, due);
    }

    fn give(&mut self, out: &mut Vec<f32>, most: u64) {
        let ready = (self.pending.len() + 1).saturating_sub(self.taps.len()).div_ceil(self.factor);
        let ready = (ready as u64).min(most.saturating_sub(self.given)) as usize;
        let begin = out.len();
        out.resize(begin + ready, 0.0);
        let (taps, pending, factor, out) = (&self.taps, &self.pending, self.factor, &mut out[begin..]);
        with_simd(
            #[inline(always)]
            || {
                let (fours, rest) = out.as_chunks_mut::<4>();
                let mut at = 0;
                for four in fours {
                    *four = dots(taps, &pending[at..], factor);
                    at += 4 * factor;
                }
                for one in rest {
                    [*one] = dots(taps, &pending[at..], factor);
                    at += factor;
                }
            },
        );
        self.given += ready as u64;
        self.pending.drain(..(ready * self.factor).min(self.pending.len()));
    }
}

#[inline(always)]
fn add_scaled(sum: &mut [f64], samples: &[f64], share: f64) {
    for (sum, sample) in sum.iter_mut().zip(samples) {
        *sum += share * sample;
    }
}

/// Sums of products of the taps with `N` stretches of samples, each `step` after the last: together, since a single sum
/// waits for itself. Every sum has eight strands, so that the width of the registers does not change it.
#[inline(always)]
fn dots<const N: usize>(taps: &[f64], samples: &[f64], step: usize) -> [f32; N] {
    let mut strands = [[0.0; 8]; N];
    let (chunks, last) = taps.as_chunks::<8>();
    for (chunk, taps) in chunks.iter().enumerate() {
        for (place, strands) in strands.iter_mut().enumerate() {
            let from = place * step + 8 * chunk;
            let samples = &samples[from..from + 8];
            for strand in 0..8 {
                strands[strand] += taps[strand] * samples[strand];
            }
        }
    }
    let mut sums = [0.0; N];
    for (place, (sum, strands)) in sums.iter_mut().zip(&strands).enumerate() {
        let from = place * step + 8 * chunks.len();
        let rest: f64 = last.iter().zip(&samples[from..]).map(|(a, b)| a * b).sum();
        *sum = (strands.iter().sum::<f64>() + rest) as f32;
    }
    sums
}

/// A sinc under a Blackman window, with a sum of 1.
fn low_pass(factor: usize, half: usize) -> Vec<f64> {
    use std::f64::consts::PI;
    if factor == 1 {
        return (0..=2 * half).map(|n| if n == half { 1.0 } else { 0.0 }).collect();
    }
    let cut = CUT_OFF / factor as f64;
    let tap = |n: usize| {
        let x = n as f64 - half as f64;
        let sinc = if x == 0.0 { 2.0 * cut } else { libm::sin(2.0 * PI * cut * x) / (PI * x) };
        let turn = PI * (x / (half as f64 + 1.0));
        sinc * (0.42 + 0.5 * libm::cos(turn) + 0.08 * libm::cos(2.0 * turn))
    };
    let taps: Vec<f64> = (0..=2 * half).map(tap).collect();
    let sum: f64 = taps.iter().sum();
    taps.into_iter().map(|tap| tap / sum).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};

    fn decimate(channels: &[Vec<f64>], rate_hz: u32, piece: usize) -> Vec<f32> {
        let mut decimator = Decimator::new(rate_hz);
        let mut out = Vec::new();
        let frames = channels[0].len();
        for from in (0..frames).step_by(piece) {
            let to = (from + piece).min(frames);
            let part = channels.iter().map(|channel| channel[from..to].to_vec()).collect();
            decimator.push(&Block::from_channels(part), &mut out);
        }
        decimator.finish(&mut out);
        out
    }

    #[test]
    fn how_the_stream_is_cut_does_not_matter() {
        let channels = [noise(1, 0.5, 9_001), noise(2, 0.5, 9_001)];
        let whole = decimate(&channels, 48_000, 9_001);
        assert_eq!(whole.len(), 1126);
        for piece in [1, 7, 8, 1000] {
            assert_eq!(whole, decimate(&channels, 48_000, piece), "{piece}");
        }
    }

    /// A sine of 1 kHz keeps amplitude and place; one of 10 kHz is gone (−60 dB and below).
    #[test]
    fn what_is_kept_stands_where_it_stood() {
        let kept = decimate(&[sine(1000.0, 0.5, 48_000, 48_000)], 48_000, 4096);
        let wanted = sine(1000.0, 0.5, 6000, 6000);
        for (found, wanted) in kept.iter().zip(&wanted).skip(100).take(5800) {
            assert!((f64::from(*found) - wanted).abs() < 1e-3, "{found} {wanted}");
        }
        let gone = decimate(&[sine(10_000.0, 0.5, 48_000, 48_000)], 48_000, 4096);
        assert!(gone[100..5900].iter().all(|x| x.abs() < 0.0005));
    }

    #[test]
    fn low_rates_pass_as_they_are() {
        let samples = noise(3, 0.5, 500);
        let found = decimate(std::slice::from_ref(&samples), 8000, 33);
        assert!(found.iter().zip(&samples).all(|(a, b)| (f64::from(*a) - b).abs() < 1e-7));
        assert_eq!(found.len(), 500);
    }
}
