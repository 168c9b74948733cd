//! Rate conversion: rubato's synchronous FFT resampler as a stream, with its delay taken out and its length exact.
//!
//! The block is an *even* multiple of the reduced ratio: with an odd one the filter's centre falls between two
//! frames, and the whole stem lands half a frame off (measured; see DEVELOPERS.md).
//!
//! Before the first frame and after the last one stands silence, as a session has it around a file. A sound that begins or
//! ends in its midst rings there, as it does in any converter; below 18 kHz that is the same in all of them.
//!
//! It knows nothing of which rate is wanted, and why.

use audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Indexing, Resampler as _, WindowFunction};

use crate::{Block, rescale_frames};

/// The filter of the lower rate is at least this long: −0.001 dB at 0.98 of its Nyquist frequency.
const MIN_BLOCK_FRAMES: u32 = 1024;

/// Converts a stream of blocks from one rate to another; linear phase, first and last frame in place.
///
/// `n` frames become exactly `rescale_frames(n, from, to)` frames. The result depends on the samples alone, not on
/// how the stream is cut into blocks.
///
/// ```
/// use loadin_audio::{Block, Resampler};
///
/// let mut resampler = Resampler::new(44_100, 48_000, 2);
/// let mut block = Block::silence(2, 441);
/// resampler.process(&mut block);
/// let ready = block.frames();
/// block.clear();
/// resampler.finish(&mut block);
/// assert_eq!(ready + block.frames(), 480);
/// ```
pub struct Resampler {
    rates_hz: (u32, u32),
    engine: Option<Engine>,
    taken: u64,
    given: u64,
}

struct Engine {
    fft: Fft<f64>,
    /// The chunk that is being collected: its length, and how many frames of it are there.
    chunk_in: usize,
    collected: usize,
    input: Vec<Vec<f64>>,
    /// The block that is being taken; the caller's own is filled meanwhile.
    incoming: Block,
    output: Vec<Vec<f64>>,
    /// Output frames that precede the first real one.
    delay: usize,
}

fn greatest_common_divisor(a: u32, b: u32) -> u32 {
    if b == 0 { a } else { greatest_common_divisor(b, a % b) }
}

/// Frames of one FFT block at the input rate: an even multiple of the reduced ratio, long enough at the lower rate.
fn block_frames(from_hz: u32, to_hz: u32) -> usize {
    let divisor = greatest_common_divisor(from_hz, to_hz);
    let (from, to) = (from_hz / divisor, to_hz / divisor);
    let multiple = MIN_BLOCK_FRAMES.div_ceil(from.min(to)).next_multiple_of(2);
    (multiple * from) as usize
}

impl Resampler {
    /// A converter from `from_hz` to `to_hz`, both 1 Hz or more. Equal rates pass through untouched.
    ///
    /// # Panics
    /// When a rate or the channel count is 0.
    pub fn new(from_hz: u32, to_hz: u32, channels: usize) -> Self {
        assert!(from_hz > 0 && to_hz > 0 && channels > 0, "rates and channels are at least 1");
        let engine = (from_hz != to_hz).then(|| Engine::new(from_hz, to_hz, channels));
        Self { rates_hz: (from_hz, to_hz), engine, taken: 0, given: 0 }
    }

    /// Takes the frames of `block` and leaves in it the converted frames that are ready.
    pub fn process(&mut self, block: &mut Block) {
        self.taken += block.frames() as u64;
        let Some(engine) = &mut self.engine else { return };
        std::mem::swap(block, &mut engine.incoming);
        block.set_channels(engine.input.len());
        block.clear();
        let mut from = 0;
        while from < engine.incoming.frames() {
            from += engine.collect(from);
            self.given += engine.convert_when_full(block);
        }
    }

    /// Leaves in the empty `block` what remains; empty when all has been given.
    pub fn finish(&mut self, block: &mut Block) {
        let due = rescale_frames(self.taken, self.rates_hz.0, self.rates_hz.1);
        let Some(engine) = &mut self.engine else { return };
        while self.given < due {
            engine.fill_up();
            self.given += engine.convert_when_full(block);
        }
        // Only the last block can reach past the end, and all of what is too much is in it.
        let excess = (self.given - due) as usize;
        block.truncate(block.frames() - excess);
        self.given = due;
    }
}

impl Engine {
    fn new(from_hz: u32, to_hz: u32, channels: usize) -> Self {
        let chunk_in = block_frames(from_hz, to_hz);
        let fft = Fft::new_custom(
            from_hz as usize,
            to_hz as usize,
            chunk_in,
            1,
            channels,
            WindowFunction::BlackmanHarris2,
            FixedSync::Both,
        )
        .expect("positive rates, a chunk of whole ratios and at least one channel");
        assert_eq!(fft.input_frames_next(), chunk_in, "the chunk is a multiple of the reduced ratio");
        Self {
            chunk_in,
            collected: 0,
            input: vec![vec![0.0; chunk_in]; channels],
            incoming: Block::new(channels),
            output: vec![vec![0.0; fft.output_frames_max()]; channels],
            delay: fft.output_delay(),
            fft,
        }
    }

    /// Takes frames of the incoming block from `from` on, as many as the chunk has room for; says how many.
    fn collect(&mut self, from: usize) -> usize {
        let count = (self.chunk_in - self.collected).min(self.incoming.frames() - from);
        let to = self.collected + count;
        for (own, channel) in self.input.iter_mut().zip(self.incoming.iter()) {
            own[self.collected..to].copy_from_slice(&channel[from..from + count]);
        }
        self.collected = to;
        count
    }

    /// Makes the chunk full with silence.
    fn fill_up(&mut self) {
        for own in &mut self.input {
            own[self.collected..].fill(0.0);
        }
        self.collected = self.chunk_in;
    }

    /// Converts a full chunk and appends it to `block` without the delay; says how many frames that are.
    fn convert_when_full(&mut self, block: &mut Block) -> u64 {
        if self.collected < self.chunk_in {
            return 0;
        }
        self.collected = 0;
        let (channels, room) = (self.output.len(), self.output[0].len());
        let input =
            SequentialSliceOfVecs::new(&self.input, channels, self.chunk_in).expect("one vector a channel");
        let mut output =
            SequentialSliceOfVecs::new_mut(&mut self.output, channels, room).expect("one vector a channel");
        let (_, made) = self
            .fft
            .process_into_buffer(&input, &mut output, None::<&Indexing>)
            .expect("buffers of the sizes that the resampler asks for");
        let skipped = self.delay.min(made);
        self.delay -= skipped;
        block.append_slices(&self.output, skipped, made);
        (made - skipped) as u64
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn convert(samples: &[f64], from_hz: u32, to_hz: u32, piece: usize) -> Vec<f64> {
        let mut resampler = Resampler::new(from_hz, to_hz, 1);
        let mut all = Block::new(1);
        for part in samples.chunks(piece.max(1)) {
            let mut block = Block::from_channels(vec![part.to_vec()]);
            resampler.process(&mut block);
            all.append(&block, 0, block.frames());
        }
        let mut rest = Block::new(1);
        resampler.finish(&mut rest);
        all.append(&rest, 0, rest.frames());
        rest.clear();
        resampler.finish(&mut rest);
        assert!(rest.is_empty(), "all has been given");
        all.channel(0).to_vec()
    }

    /// The last chunk is as if silence followed, wherever the stream ends in it.
    #[test]
    fn silence_follows_the_end() {
        for frames in [1, 1000, 1176, 3000] {
            let short = crate::signal::noise(7, 0.5, frames);
            let mut long = short.clone();
            long.resize(frames + 5000, 0.0);
            let (short, long) = (convert(&short, 44_100, 48_000, 700), convert(&long, 44_100, 48_000, 700));
            assert_eq!(short, long[..short.len()], "{frames} frames");
        }
    }

    fn ramp(frames: usize) -> Vec<f64> {
        (0..frames).map(|n| (n as f64 * 0.01).sin()).collect()
    }

    #[test]
    fn blocks_are_even_at_both_rates() {
        for from in [8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000, 47_999] {
            for to in [8_000, 22_050, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000, 384_000, 47_999] {
                let block = block_frames(from, to) as u64;
                let out = block * u64::from(to) / u64::from(from);
                assert_eq!((block % 2, out % 2), (0, 0), "{from} -> {to}");
                assert_eq!(out * u64::from(from), block * u64::from(to));
            }
        }
    }

    #[test]
    fn lengths_are_exact_and_cutting_does_not_matter() {
        for frames in [0, 1, 5, 147, 1000, 4803] {
            let samples = ramp(frames);
            let whole = convert(&samples, 44_100, 48_000, frames);
            assert_eq!(whole.len() as u64, rescale_frames(frames as u64, 44_100, 48_000));
            assert_eq!(whole, convert(&samples, 44_100, 48_000, 7), "{frames}");
        }
    }

    #[test]
    fn equal_rates_pass_untouched() {
        assert_eq!(convert(&ramp(1000), 48_000, 48_000, 64), ramp(1000));
    }

    #[test]
    fn coprime_rates_work() {
        assert_eq!(
            convert(&ramp(50_000), 44_100, 47_999, 10_000).len() as u64,
            rescale_frames(50_000, 44_100, 47_999)
        );
    }
}
