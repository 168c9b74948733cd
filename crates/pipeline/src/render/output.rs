//! The end of the chain: quantise, encode, and measure what is written.

use loadin_audio::{Block, DitherKey, Quantiser};
use loadin_codec::{Output, SoundWriter, Target, WavSpec};
use loadin_record::digest::hex;
use loadin_record::written::Measured;
use loadin_storage::store::WriteFailure;
use sha2::{Digest, Sha256};

use super::error::RenderError;

type Failure = WriteFailure<RenderError>;

/// When the sample data is digested.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum AudioDigest {
    /// While it is written.
    WhileWriting,
    /// When the file is read back, where it stands there as it is: two digests at once cost less than one after the
    /// other.
    WhenReadBack,
}

/// Writes blocks as the samples of one file.
pub(crate) struct Sink<'a> {
    writer: SoundWriter<&'a mut dyn Output>,
    /// Integers go through it; floats do not.
    quantiser: Option<Quantiser>,
    integers: Vec<i32>,
    /// The digest of the sample data, where it is not made when the file is read back.
    audio: Option<Sha256>,
    frames: u64,
    float_peak: f64,
    full_scale: f64,
    /// The greatest number that floats of the output hold.
    greatest: f64,
}

fn failure(error: loadin_codec::Error) -> Failure {
    match error {
        loadin_codec::Error::Io(error) => WriteFailure::Io(error),
        other => WriteFailure::Contents(RenderError::Promise(other.to_string())),
    }
}

impl<'a> Sink<'a> {
    pub(crate) fn new(
        writer: &'a mut dyn Output,
        target: Target,
        spec: WavSpec,
        dither: Option<DitherKey>,
        digest: AudioDigest,
    ) -> Result<Self, Failure> {
        let (kind, channels) = (spec.kind, usize::from(spec.channels));
        let bits = kind.bits();
        let writer = SoundWriter::new(writer, target, spec).map_err(failure)?;
        Ok(Self {
            writer,
            quantiser: (!kind.is_float()).then(|| Quantiser::new(bits, channels, dither)),
            integers: Vec::new(),
            audio: (digest == AudioDigest::WhileWriting).then(Sha256::new),
            frames: 0,
            float_peak: 0.0,
            full_scale: 2f64.powi(bits as i32 - 1),
            greatest: if bits == 32 { f64::from(f32::MAX) } else { f64::MAX },
        })
    }

    /// Writes one block.
    pub(crate) fn push(&mut self, block: &mut Block) -> Result<(), Failure> {
        self.frames += block.frames() as u64;
        if let Some(quantiser) = &mut self.quantiser {
            self.integers.clear();
            quantiser.process(block, &mut self.integers);
            self.write_integers()
        } else {
            let peak = block.iter().flatten().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
            if peak > self.greatest {
                let text =
                    format!("a sample of {peak:e} does not fit into floats that end at {:e}", self.greatest);
                return Err(WriteFailure::Contents(RenderError::Promise(text)));
            }
            self.float_peak = self.float_peak.max(peak);
            let bytes = self.writer.write_floats(block).map_err(failure)?;
            self.audio.iter_mut().for_each(|audio| audio.update(bytes));
            Ok(())
        }
    }

    fn write_integers(&mut self) -> Result<(), Failure> {
        let bytes = self.writer.write_ints(&self.integers).map_err(failure)?;
        self.audio.iter_mut().for_each(|audio| audio.update(bytes));
        Ok(())
    }

    /// Ends the file and says what was written. Without a digest made meanwhile, that of the sample data is empty.
    pub(crate) fn finish(mut self) -> Result<Measured, Failure> {
        let (mut peak, mut clipped) = (self.float_peak, 0);
        if let Some(mut quantiser) = self.quantiser.take() {
            loop {
                self.integers.clear();
                quantiser.finish(&mut self.integers);
                if self.integers.is_empty() {
                    break;
                }
                self.write_integers()?;
            }
            peak = f64::from(quantiser.peak()) / self.full_scale;
            clipped = quantiser.clipped();
        }
        self.writer.finish().map_err(failure)?;
        let audio_sha256 = self.audio.map_or_else(String::new, |audio| hex(&audio.finalize()));
        Ok(Measured { frames: self.frames, peak, clipped, audio_sha256, metadata: Vec::new() })
    }
}
