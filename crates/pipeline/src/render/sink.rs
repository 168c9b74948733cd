//! The end of the chain: quantise, encode, and measure what is written.

use std::io::Write;

use loadin_audio::{Block, DitherKey, Quantiser};
use loadin_codec::{Bext, WavSpec, WavWriter};
use sha2::{Digest, Sha256};

use super::{Measured, RenderError};
use crate::plan::StemPlan;
use crate::stages::re_encode::Storage;
use crate::storage::{WriteFailure, hex};

type Failure = WriteFailure<RenderError>;

/// Writes blocks as the samples of one WAV file.
pub(super) struct Sink<'a> {
    writer: WavWriter<&'a mut dyn Write>,
    /// Integers go through it; floats do not.
    quantiser: Option<Quantiser>,
    integers: Vec<i32>,
    audio: Sha256,
    frames: u64,
    float_peak: f64,
    full_scale: f64,
}

fn failure(error: loadin_codec::Error) -> Failure {
    match error {
        loadin_codec::Error::Io(error) => WriteFailure::Io(error),
        other => WriteFailure::Contents(RenderError::Promise(other.to_string())),
    }
}

impl<'a> Sink<'a> {
    pub(super) fn new(
        writer: &'a mut dyn Write,
        stem: &StemPlan,
        storage: Storage,
        dither: bool,
        bext: Option<Bext>,
    ) -> Result<Self, Failure> {
        let kind = storage.kind();
        let output = &stem.output;
        let spec = WavSpec {
            rate_hz: output.rate_hz,
            channels: output.channels,
            kind,
            frames: output.frames,
            channel_mask: output.channel_mask,
            bext,
            chunks_before: Vec::new(),
            chunks_after: Vec::new(),
        };
        let bits = kind.bits();
        let key = dither.then(|| dither_key(stem));
        Ok(Self {
            writer: WavWriter::new(writer, spec).map_err(failure)?,
            quantiser: (!kind.is_float()).then(|| Quantiser::new(bits, usize::from(output.channels), key)),
            integers: Vec::new(),
            audio: Sha256::new(),
            frames: 0,
            float_peak: 0.0,
            full_scale: 2f64.powi(bits as i32 - 1),
        })
    }

    /// Writes one block.
    pub(super) fn push(&mut self, block: &mut Block) -> Result<(), Failure> {
        self.frames += block.frames() as u64;
        if let Some(quantiser) = &mut self.quantiser {
            self.integers.clear();
            quantiser.process(block, &mut self.integers);
            self.write_integers()
        } else {
            let peak = block.iter().flatten().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
            self.float_peak = self.float_peak.max(peak);
            let bytes = self.writer.write_floats(block).map_err(failure)?;
            self.audio.update(bytes);
            Ok(())
        }
    }

    fn write_integers(&mut self) -> Result<(), Failure> {
        let bytes = self.writer.write_ints(&self.integers).map_err(failure)?;
        self.audio.update(bytes);
        Ok(())
    }

    /// Ends the file and says what was written.
    pub(super) fn finish(mut self) -> Result<Measured, Failure> {
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
        Ok(Measured { frames: self.frames, peak, clipped, audio_sha256: hex(&self.audio.finalize()) })
    }
}

/// The dither of a stem depends on what the stem is, and on nothing else.
fn dither_key(stem: &StemPlan) -> DitherKey {
    let digest = &stem.sources[0].sha256;
    DitherKey(digest.get(..16).and_then(|head| u64::from_str_radix(head, 16).ok()).unwrap_or(0))
}
