//! From floating point to integers: round to nearest, TPDF dither, asymmetric full scale.
//!
//! Dither: Wannamaker, Lipshitz, Vanderkooy, Wright, "A theory of nonsubtractive dither", IEEE Transactions on
//! Signal Processing 48(2), 2000: the sum of two uniform noises of one step each (2 LSB peak to peak).
//!
//! It knows no file format: steps of a width go out.

use pulp::{Arch, Simd, WithSimd};

use crate::Block;
use crate::silence::{Piece, SilentRuns};
use crate::simd_meters::{ROUNDER, round_steps};

/// What the dither of a stem depends on, beside channel and frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DitherKey(pub u64);

/// Exact zeros in runs of this many frames or more are digital silence and get no dither.
const SILENT_FRAMES: u64 = 64;

/// Silence is given in pieces of this size.
const PIECE_FRAMES: u64 = 65_536;

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
    scratch: Vec<Vec<i32>>,
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
            scratch: vec![Vec::new(); channels],
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
        for channel in 0..self.channels {
            let samples = &block.channel(channel)[range.clone()];
            let noise = self.dither.map(|key| Noise::new(key, channel, self.frame));
            self.scratch[channel].resize(frames, 0);
            let (low, high) = quantise(samples, self.scale, noise, &mut self.scratch[channel]);
            if high > self.scale - 1.0 || low < -self.scale {
                self.clipped += clipped(samples, self.scale, noise);
            }
            let (low, high) = (low.max(-self.scale), high.min(self.scale - 1.0));
            self.peak = self.peak.max(high).max(-low);
        }
        interleave(&self.scratch, &mut out[start..]);
        self.frame += frames as u64;
    }
}

/// Samples that are quantised together: their dither fits beside them into the fastest memory.
const GROUP: usize = 256;

/// Rounds a slice into `out`; gives the least and greatest rounded value before holding at full scale.
fn quantise(samples: &[f64], scale: f64, noise: Option<Noise>, out: &mut [i32]) -> (f64, f64) {
    Arch::new().dispatch(Quantise { samples, scale, noise, out })
}

struct Quantise<'a> {
    samples: &'a [f64],
    scale: f64,
    noise: Option<Noise>,
    out: &'a mut [i32],
}

impl WithSimd for Quantise<'_> {
    type Output = (f64, f64);

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> (f64, f64) {
        let (mut dither, mut steps) = ([0.0; GROUP], [0.0; GROUP]);
        let (mut low, mut high) = (0.0f64, 0.0f64);
        let groups = self.samples.chunks(GROUP).zip(self.out.chunks_mut(GROUP));
        for (group, (samples, out)) in groups.enumerate() {
            let (dither, steps) = (&mut dither[..samples.len()], &mut steps[..samples.len()]);
            if let Some(noise) = self.noise {
                noise.fill((group * GROUP) as u32, dither);
            }
            let found = round_steps(simd, samples, self.scale, dither, steps);
            (low, high) = (low.min(found.0), high.max(found.1));
            for (out, step) in out.iter_mut().zip(steps) {
                *out = step.to_bits() as i32;
            }
        }
        (low, high)
    }
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

fn interleave(channels: &[Vec<i32>], out: &mut [i32]) {
    match channels {
        [only] => out.copy_from_slice(only),
        [left, right] => {
            let (frames, _) = out.as_chunks_mut::<2>();
            for ((frame, left), right) in frames.iter_mut().zip(left).zip(right) {
                *frame = [*left, *right];
            }
        }
        _ => {
            for (index, samples) in channels.iter().enumerate() {
                for (frame, sample) in out.chunks_exact_mut(channels.len()).zip(samples) {
                    frame[index] = *sample;
                }
            }
        }
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

    /// The dither from `index` frames on, in steps.
    #[inline(always)]
    fn fill(&self, index: u32, out: &mut [f64]) {
        for (offset, out) in (0u32..).zip(out) {
            *out = f64::from(self.at(index.wrapping_add(offset))) * DITHER_STEP;
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
