//! Rate conversion as a stream: no delay, first and last frame in place, the length exact.
//!
//! Small ratios, which are those between all the usual rates, have a polyphase filter in our own fixed arithmetic: `design`
//! makes it, `polyphase` says what is summed, `kernel` sums. It gives the same bytes on every processor, and begins at any
//! fraction of a frame. Every other ratio is left to rubato (`fft`).
//!
//! Before the first frame and after the last one stands silence, as a session has it around a file. A sound that begins or
//! ends in its midst rings there, as it does in any converter; below 18 kHz that is the same in all of them.
//!
//! It knows nothing of which rate is wanted, and why.

mod bound;
mod chosen;
mod design;
mod fft;
mod kernel;
mod lone;
mod mirror;
mod phase;
mod polyphase;
mod ratio;

pub(crate) use self::chosen::Chosen;
pub use self::phase::{phase_frames, starting_phase};

use self::fft::Fft;
use self::polyphase::Polyphase;
use self::ratio::Ratio;
use crate::{Block, rescale_frames};

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
    stream: Option<Stream>,
    taken: u64,
    given: u64,
}

/// What is collected until a chunk is full, and what becomes of it.
struct Stream {
    engine: Engine,
    /// How many frames of `input` are there; those that the first chunk reads before its start are silent.
    collected: usize,
    /// Frames of the first chunk that stand before the first one.
    early: usize,
    input: Vec<Vec<f64>>,
    /// The block that is being taken; the caller's own is filled meanwhile.
    incoming: Block,
}

enum Engine {
    Polyphase(Box<Polyphase>),
    Fft(Box<Fft>),
}

impl Resampler {
    /// A converter from `from_hz` to `to_hz`, both 1 Hz or more. Equal rates pass through untouched.
    ///
    /// # Panics
    /// When a rate or the channel count is 0.
    pub fn new(from_hz: u32, to_hz: u32, channels: usize) -> Self {
        Self::starting_at(from_hz, to_hz, channels, 0)
    }

    /// The same with a first frame that stands a fraction of a frame beside the first source frame: `phase` as
    /// [`starting_phase`] gives it, later where it is positive. The length is that of phase 0.
    ///
    /// # Panics
    /// When a rate or the channel count is 0, and for a phase that [`Resampler::takes`] refuses.
    pub fn starting_at(from_hz: u32, to_hz: u32, channels: usize, phase: i64) -> Self {
        assert!(from_hz > 0 && to_hz > 0 && channels > 0, "rates and channels are at least 1");
        assert!(Self::takes(from_hz, to_hz, phase), "{phase} is no phase of {from_hz} to {to_hz} Hz");
        let stream = (from_hz != to_hz).then(|| Stream::new(Ratio::of(from_hz, to_hz), channels, phase));
        Self { rates_hz: (from_hz, to_hz), stream, taken: 0, given: 0 }
    }

    /// Whether a conversion can begin at this phase: any fraction of a frame of the lower rate where
    /// [`Resampler::is_fixed`] says yes, and 0 elsewhere.
    pub fn takes(from_hz: u32, to_hz: u32, phase: i64) -> bool {
        let fraction = || {
            let ratio = Ratio::of(from_hz, to_hz);
            design::is_small(ratio) && phase.unsigned_abs() < u64::from(ratio.from.max(ratio.to))
        };
        from_hz > 0 && to_hz > 0 && (phase == 0 || from_hz != to_hz && fraction())
    }

    /// Whether this change of rate has the fixed arithmetic, which gives the same bytes on every processor.
    pub fn is_fixed(from_hz: u32, to_hz: u32) -> bool {
        from_hz == to_hz || design::is_small(Ratio::of(from_hz, to_hz))
    }

    /// So many source frames around a place have a say in what is made there; 0 for equal rates.
    pub fn reach_frames(from_hz: u32, to_hz: u32) -> u64 {
        let ratio = Ratio::of(from_hz, to_hz);
        match design::is_small(ratio) {
            _ if from_hz == to_hz => 0,
            true => design::half_frames(ratio) as u64,
            false => fft::block_frames(ratio) as u64,
        }
    }

    /// Frames that were given so far.
    pub(crate) fn given(&self) -> u64 {
        self.given
    }

    /// Whether the rates differ.
    pub(crate) fn is_converting(&self) -> bool {
        self.stream.is_some()
    }

    /// Takes the frames of `block` and leaves in it the converted frames that are ready.
    pub fn process(&mut self, block: &mut Block) {
        self.taken += block.frames() as u64;
        let Some(stream) = &mut self.stream else { return };
        std::mem::swap(block, &mut stream.incoming);
        block.set_channels(stream.input.len());
        block.clear();
        let mut from = 0;
        while from < stream.incoming.frames() {
            from += stream.collect(from);
            self.given += stream.convert_when_full(block);
        }
    }

    /// Leaves in the empty `block` what remains; empty when all has been given.
    pub fn finish(&mut self, block: &mut Block) {
        debug_assert!(block.is_empty(), "what the block has would be taken for a part of the first chunk");
        let due = rescale_frames(self.taken, self.rates_hz.0, self.rates_hz.1);
        let Some(stream) = &mut self.stream else { return };
        while self.given < due {
            stream.fill_up();
            self.given += stream.convert_when_full(block);
        }
        // Only the last block can reach past the end, and all of what is too much is in it.
        let excess = (self.given - due) as usize;
        block.truncate(block.frames() - excess);
        self.given = due;
    }
}

impl Stream {
    fn new(ratio: Ratio, channels: usize, phase: i64) -> Self {
        let engine = match Polyphase::new(ratio, phase) {
            Some(polyphase) => Engine::Polyphase(Box::new(polyphase)),
            None => Engine::Fft(Box::new(Fft::new(ratio, channels))),
        };
        let (collected, room, early) = match &engine {
            Engine::Polyphase(it) => (it.before, it.before + it.chunk_in() + it.after, it.early()),
            Engine::Fft(it) => (0, it.chunk_in, 0),
        };
        let input = vec![vec![0.0; room]; channels];
        Self { engine, collected, early, input, incoming: Block::new(channels) }
    }

    /// Takes frames of the incoming block from `from` on, as many as there is room for; says how many.
    fn collect(&mut self, from: usize) -> usize {
        let count = (self.input[0].len() - self.collected).min(self.incoming.frames() - from);
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
        self.collected = self.input[0].len();
    }

    /// Converts a full chunk and appends what is made of it to `block`; says how many frames that are.
    fn convert_when_full(&mut self, block: &mut Block) -> u64 {
        if self.collected < self.input[0].len() {
            return 0;
        }
        let before = block.frames();
        match &mut self.engine {
            Engine::Fft(fft) => {
                self.collected = 0;
                fft.convert(&self.input, block);
            }
            Engine::Polyphase(polyphase) => {
                let chunk = polyphase.chunk_in();
                block.append_silence(polyphase.chunk_out());
                for (input, output) in self.input.iter_mut().zip(block.iter_mut()) {
                    polyphase.convert(input, &mut output[before..]);
                    input.copy_within(chunk.., 0);
                }
                self.collected -= chunk;
                // The first chunk is what a block begins with.
                block.drop_front(std::mem::take(&mut self.early));
            }
        }
        (block.frames() - before) as u64
    }
}

#[cfg(test)]
mod tests;
