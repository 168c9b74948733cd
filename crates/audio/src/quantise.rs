//! From floating point to integers: round to nearest, TPDF dither, asymmetric full scale.
//!
//! Dither: Wannamaker, Lipshitz, Vanderkooy, Wright, "A theory of nonsubtractive dither", IEEE Transactions on
//! Signal Processing 48(2), 2000: the sum of two uniform noises of one step each (2 LSB peak to peak).

use crate::Block;
use crate::silence::{Piece, SilentRuns};
use crate::wide::wide;

/// What the dither of a stem depends on, beside channel and frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DitherKey(pub u64);

/// Exact zeros in runs of this many frames or more are digital silence and get no dither.
const SILENT_FRAMES: u64 = 64;

/// Silence is given in pieces of this size.
const PIECE_FRAMES: u64 = 65_536;

/// Adding this to a number below 2^51 rounds it to an integer, halves to even, and leaves the integer in the low
/// bits: unlike a cast, the compiler can do it to several samples at once.
const ROUNDER: f64 = 6_755_399_441_055_744.0;

/// Dither is drawn in this part of a step.
const DITHER_STEP: f64 = 1.0 / 65_536.0;

/// Turns blocks into interleaved integers of 8 to 32 bits.
///
/// The dither is a pure function of key, channel and frame, so that neither threads nor the cutting into blocks
/// change a byte. Without dither, samples that lie on the integer grid pass bit for bit.
#[derive(Debug, Clone)]
pub struct Quantiser {
    scale: f64,
    dither: Option<DitherKey>,
    runs: SilentRuns,
    frame: u64,
    waiting: u64,
    channels: usize,
    scratch: Vec<i32>,
    peak: f64,
    clipped: u64,
}

impl Quantiser {
    /// A quantiser for `channels` channels.
    ///
    /// # Panics
    /// When `bits` is not within 8 to 32.
    pub fn new(bits: u32, channels: usize, dither: Option<DitherKey>) -> Self {
        assert!((8..=32).contains(&bits), "8 to 32 bits");
        Self {
            scale: 2f64.powi(bits as i32 - 1),
            dither,
            runs: SilentRuns::new(0.0, SILENT_FRAMES),
            frame: 0,
            waiting: 0,
            channels,
            scratch: Vec::new(),
            peak: 0.0,
            clipped: 0,
        }
    }

    /// Appends the integers of `block` to `out`, interleaved. Silent frames may come out later than they came in.
    pub fn process(&mut self, block: &Block, out: &mut Vec<i32>) {
        if self.dither.is_none() {
            return self.write(block, 0..block.frames(), out);
        }
        let mut runs = self.runs.clone();
        runs.split(block, |piece| match piece {
            Piece::Silent(frames) => self.write_silence(frames, out),
            Piece::Short(frames) => {
                self.write(&Block::silence(self.channels, frames as usize), 0..frames as usize, out);
            }
            Piece::Active(range) => self.write(block, range, out),
        });
        self.runs = runs;
    }

    /// Appends a piece of what remains; nothing when all has been given.
    pub fn finish(&mut self, out: &mut Vec<i32>) {
        let mut short = 0;
        self.runs.finish(|piece| {
            if let Piece::Short(frames) = piece {
                short = frames;
            }
        });
        self.waiting += short;
        let piece = self.waiting.min(PIECE_FRAMES) as usize;
        self.waiting -= piece as u64;
        self.write(&Block::silence(self.channels, piece), 0..piece, out);
    }

    /// The greatest magnitude written so far, in steps.
    pub fn peak(&self) -> u32 {
        self.peak as u32
    }

    /// Samples that did not fit and were held at full scale.
    pub fn clipped(&self) -> u64 {
        self.clipped
    }

    fn write_silence(&mut self, frames: u64, out: &mut Vec<i32>) {
        out.resize(out.len() + frames as usize * self.channels, 0);
        self.frame += frames;
    }

    fn write(&mut self, block: &Block, range: std::ops::Range<usize>, out: &mut Vec<i32>) {
        let frames = range.len();
        let start = out.len();
        out.resize(start + frames * self.channels, 0);
        self.scratch.resize(frames, 0);
        for channel in 0..self.channels {
            let samples = &block.channel(channel)[range.clone()];
            let noise = self.dither.map(|key| Noise::new(key, channel, self.frame));
            let (low, high) = quantise(samples, self.scale, noise, &mut self.scratch);
            if high > self.scale - 1.0 || low < -self.scale {
                self.clipped += clipped(samples, self.scale, noise);
            }
            let (low, high) = (low.max(-self.scale), high.min(self.scale - 1.0));
            self.peak = self.peak.max(high).max(-low);
            interleave(&self.scratch, &mut out[start..], channel, self.channels);
        }
        self.frame += frames as u64;
    }
}

/// Samples that are quantised together: their dither fits beside them into the fastest memory.
const GROUP: usize = 256;

/// Rounds a slice into `out`; gives the least and greatest rounded value before holding at full scale.
fn quantise(samples: &[f64], scale: f64, noise: Option<Noise>, out: &mut [i32]) -> (f64, f64) {
    wide(
        #[inline(always)]
        || {
            let mut dither = [0i32; GROUP];
            let mut range = (0.0, 0.0);
            for (group, (samples, out)) in samples.chunks(GROUP).zip(out.chunks_mut(GROUP)).enumerate() {
                if let Some(noise) = noise {
                    noise.fill((group * GROUP) as u32, &mut dither[..samples.len()]);
                }
                range = round(samples, scale, &dither[..samples.len()], range, out);
            }
            range
        },
    )
}

#[inline(always)]
fn round(samples: &[f64], scale: f64, dither: &[i32], range: (f64, f64), out: &mut [i32]) -> (f64, f64) {
    const STRANDS: usize = 4;
    let (mut low, mut high) = ([range.0; STRANDS], [range.1; STRANDS]);
    let most = scale - 1.0;
    let groups = samples.chunks(STRANDS).zip(dither.chunks(STRANDS)).zip(out.chunks_mut(STRANDS));
    for ((samples, dither), out) in groups {
        for (strand, ((sample, dither), out)) in samples.iter().zip(dither).zip(out).enumerate() {
            let value = (sample * scale + f64::from(*dither) * DITHER_STEP + ROUNDER) - ROUNDER;
            low[strand] = if value < low[strand] { value } else { low[strand] };
            high[strand] = if value > high[strand] { value } else { high[strand] };
            let held = if value > most { most } else { value };
            let held = if held < -scale { -scale } else { held };
            *out = (held + ROUNDER).to_bits() as i32;
        }
    }
    (low.iter().copied().fold(0.0, f64::min), high.iter().copied().fold(0.0, f64::max))
}

fn clipped(samples: &[f64], scale: f64, noise: Option<Noise>) -> u64 {
    (0u32..)
        .zip(samples)
        .filter(|(index, sample)| {
            let dither = noise.map_or(0, |noise| noise.at(*index));
            let value = (**sample * scale + f64::from(dither) * DITHER_STEP + ROUNDER) - ROUNDER;
            value > scale - 1.0 || value < -scale
        })
        .count() as u64
}

fn interleave(samples: &[i32], out: &mut [i32], channel: usize, channels: usize) {
    if channels == 1 {
        return out.copy_from_slice(samples);
    }
    for (frame, &sample) in out.chunks_exact_mut(channels).zip(samples) {
        frame[channel] = sample;
    }
}

/// The dither of one channel from one frame on.
#[derive(Debug, Clone, Copy)]
struct Noise {
    first: u32,
    seeds: [u32; 2],
}

/// A well-mixed 32-bit permutation (two multiplications, three shifts).
#[inline(always)]
fn mix(mut x: u32) -> u32 {
    x ^= x >> 16;
    x = x.wrapping_mul(0x7feb_352d);
    x ^= x >> 15;
    x = x.wrapping_mul(0x846c_a68b);
    x ^ (x >> 16)
}

impl Noise {
    fn new(key: DitherKey, channel: usize, frame: u64) -> Self {
        let (key_low, key_high) = (key.0 as u32, (key.0 >> 32) as u32);
        // Blocks never cross a multiple of 2^32 frames by more than their own length; the high half of the frame
        // number changes the seeds there.
        let place = mix((frame >> 32) as u32 ^ mix(channel as u32 ^ 0x9e37_79b9));
        Self { first: frame as u32, seeds: [mix(key_low ^ place), mix(key_high.wrapping_add(place))] }
    }

    /// The dither `index` frames on, in steps of `DITHER_STEP`: triangular between −65 535 and 65 535.
    #[inline(always)]
    fn at(&self, index: u32) -> i32 {
        let counter = self.first.wrapping_add(index).wrapping_mul(0x9e37_79b1) ^ self.seeds[0];
        let bits = mix(mix(counter).wrapping_add(self.seeds[1]));
        (bits & 0xffff) as i32 + (bits >> 16) as i32 - 0xffff
    }

    /// The dither from `index` frames on.
    #[inline(always)]
    fn fill(&self, index: u32, out: &mut [i32]) {
        for (offset, out) in (0u32..).zip(out) {
            *out = self.at(index.wrapping_add(offset));
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn quantised(
        samples: &[f64],
        bits: u32,
        dither: Option<DitherKey>,
        piece: usize,
    ) -> (Vec<i32>, Quantiser) {
        let mut quantiser = Quantiser::new(bits, 1, dither);
        let mut out = Vec::new();
        for part in samples.chunks(piece) {
            quantiser.process(&Block::from_channels(vec![part.to_vec()]), &mut out);
        }
        quantiser.finish(&mut out);
        (out, quantiser)
    }

    #[test]
    fn the_grid_passes_bit_for_bit() {
        for bits in [8, 16, 24, 32] {
            let scale = 2f64.powi(bits as i32 - 1);
            let codes = [-scale, 1.0 - scale, -1.0, 0.0, 1.0, scale - 2.0, scale - 1.0];
            let samples: Vec<f64> = codes.iter().map(|code| code / scale).collect();
            let (found, quantiser) = quantised(&samples, bits, None, 3);
            assert_eq!(found, codes.map(|code| code as i32));
            assert_eq!((quantiser.clipped(), quantiser.peak()), (0, scale as u32));
        }
    }

    #[test]
    fn what_does_not_fit_is_held_and_counted() {
        let (found, quantiser) = quantised(&[1.0, -1.5, 0.5], 16, None, 3);
        assert_eq!(found, [32767, -32768, 16384]);
        assert_eq!(quantiser.clipped(), 2);
    }

    #[test]
    fn halves_go_to_even() {
        let steps: Vec<f64> = [0.5, 1.5, -0.5, -2.5].iter().map(|step| step / 32768.0).collect();
        assert_eq!(quantised(&steps, 16, None, 4).0, [0, 2, 0, -2]);
    }

    #[test]
    fn digital_silence_gets_no_dither_and_short_zeros_do() {
        let mut samples = vec![0.0; 5000];
        samples.push(0.25);
        samples.extend([0.0; 63]);
        samples.push(0.25);
        let (found, _) = quantised(&samples, 16, Some(DitherKey(1)), 100);
        assert_eq!(found.len(), samples.len());
        assert!(found[..5000].iter().all(|code| *code == 0));
        assert!(found[5001..5064].iter().any(|code| *code != 0));
    }

    proptest! {
        #[test]
        fn cutting_does_not_matter(
            samples in prop::collection::vec(prop_oneof![4 => Just(0.0), 1 => -1.0f64..1.0], 0..1000),
            piece in 1usize..300,
            key in any::<u64>(),
        ) {
            let whole = quantised(&samples, 24, Some(DitherKey(key)), 1000).0;
            prop_assert_eq!(quantised(&samples, 24, Some(DitherKey(key)), piece).0, whole);
        }
    }
}
