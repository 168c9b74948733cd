//! The converter for every other ratio: rubato's synchronous FFT resampler.
//!
//! The block is an *even* multiple of the reduced ratio: with an odd one the filter's centre falls between two
//! frames, and the whole stem lands half a frame off (measured; see DEVELOPERS.md).
//!
//! Its FFT takes the instructions that the processor has, and the last bit of a sample may follow them.

use audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft as Rubato, FixedSync, Indexing, Resampler as _, WindowFunction};

use super::ratio::Ratio;
use crate::Block;

/// The filter of the lower rate is at least this long: −0.001 dB at 0.98 of its Nyquist frequency.
const MIN_BLOCK_FRAMES: u32 = 1024;

pub(super) struct Fft {
    engine: Rubato<f64>,
    /// Source frames of a chunk.
    pub chunk_in: usize,
    /// Output frames that precede the first real one.
    delay: usize,
    output: Vec<Vec<f64>>,
}

/// Frames of one FFT block at the input rate: an even multiple of the reduced ratio, long enough at the lower rate.
pub(super) fn block_frames(ratio: Ratio) -> usize {
    let multiple = MIN_BLOCK_FRAMES.div_ceil(ratio.from.min(ratio.to)).next_multiple_of(2);
    (multiple * ratio.from) as usize
}

impl Fft {
    pub(super) fn new(ratio: Ratio, channels: usize) -> Self {
        let chunk_in = block_frames(ratio);
        let engine = Rubato::new_custom(
            ratio.from as usize,
            ratio.to as usize,
            chunk_in,
            1,
            channels,
            WindowFunction::BlackmanHarris2,
            FixedSync::Both,
        )
        .expect("positive rates, a chunk of whole ratios and at least one channel");
        assert_eq!(engine.input_frames_next(), chunk_in, "the chunk is a multiple of the reduced ratio");
        let output = vec![vec![0.0; engine.output_frames_max()]; channels];
        Self { chunk_in, delay: engine.output_delay(), engine, output }
    }

    /// Appends what is made of a chunk to `block`.
    pub(super) fn convert(&mut self, input: &[Vec<f64>], block: &mut Block) {
        let (channels, room) = (self.output.len(), self.output[0].len());
        let input = SequentialSliceOfVecs::new(input, channels, self.chunk_in).expect("one vector a channel");
        let mut output =
            SequentialSliceOfVecs::new_mut(&mut self.output, channels, room).expect("one vector a channel");
        let (_, made) = self
            .engine
            .process_into_buffer(&input, &mut output, None::<&Indexing>)
            .expect("buffers of the sizes that the resampler asks for");
        let skipped = self.delay.min(made);
        self.delay -= skipped;
        block.append_slices(&self.output, skipped, made);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_even_at_both_rates() {
        for from in [8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000, 47_999] {
            for to in [8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000, 47_999] {
                let block = block_frames(Ratio::of(from, to)) as u64;
                let out = block * u64::from(to) / u64::from(from);
                assert_eq!((block % 2, out % 2), (0, 0), "{from} -> {to}");
                assert_eq!(out * u64::from(from), block * u64::from(to));
            }
        }
    }
}
