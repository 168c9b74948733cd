//! One way to write, whatever the container. Knows nothing of their layouts.

use std::ops::Range;

use loadin_audio::Block;

use crate::write::aiff::AiffWriter;
use crate::write::caf::CafWriter;
use crate::write::flac::FlacWriter;
use crate::write::output::Output;
use crate::write::spec::WavSpec;
use crate::write::wav::WavWriter;
use crate::{Error, Target};

impl Target {
    /// Where in the file the bytes of all samples stand, in containers that hold them as [`SoundWriter`] gives them and
    /// write nothing twice.
    ///
    /// # Errors
    /// When the container cannot hold such sound.
    pub fn plain_samples(self, spec: &WavSpec) -> Result<Option<Range<u64>>, Error> {
        match self {
            Self::Wav => spec.samples().map(Some),
            Self::Aiff | Self::Caf | Self::Flac => Ok(None),
        }
    }
}

/// Writes the sound of one file into any container. Samples come back as the bytes of a WAV file, little-endian and
/// interleaved, so that a digest of them says the same of every container.
///
/// ```
/// use loadin_codec::{SampleKind, SoundWriter, Target, WavSpec};
///
/// let spec = WavSpec {
///     rate_hz: 48_000,
///     channels: 2,
///     kind: SampleKind::I24,
///     frames: 2,
///     channel_mask: None,
///     bext: None,
///     chunks_before: Vec::new(),
///     chunks_after: Vec::new(),
/// };
/// let mut file = Vec::new();
/// let mut writer = SoundWriter::new(&mut file, Target::Wav, spec)?;
/// // Two frames, left and right by turns; full scale is 2^23.
/// assert_eq!(writer.write_ints(&[0, 1, -1, 8_388_607])?.len(), 12);
/// writer.finish()?;
/// assert!(file.starts_with(b"RIFF"));
/// # Ok::<(), loadin_codec::Error>(())
/// ```
pub struct SoundWriter<W>(Kind<W>);

enum Kind<W> {
    Wav(Box<WavWriter<W>>),
    Aiff(AiffWriter<W>),
    Caf(CafWriter<W>),
    Flac(Box<FlacWriter<W>>),
}

impl<W: Output> SoundWriter<W> {
    /// Writes everything that comes before the samples. Chunks and `bext` go into the container's own words where it has
    /// them, as [`crate::fit_container`] says.
    ///
    /// # Errors
    /// When writing fails, or when the container cannot hold such sound.
    pub fn new(writer: W, target: Target, spec: WavSpec) -> Result<Self, Error> {
        Ok(Self(match target {
            Target::Wav => Kind::Wav(Box::new(WavWriter::new(writer, spec)?)),
            Target::Aiff => Kind::Aiff(AiffWriter::new(writer, &spec)?),
            Target::Caf => Kind::Caf(CafWriter::new(writer, &spec)?),
            Target::Flac => Kind::Flac(Box::new(FlacWriter::new(writer, spec)?)),
        }))
    }

    /// Writes interleaved integers, right-justified, and returns their bytes.
    ///
    /// # Errors
    /// When writing fails, or when there are more frames than promised.
    ///
    /// # Panics
    /// When the file holds floats.
    pub fn write_ints(&mut self, interleaved: &[i32]) -> Result<&[u8], Error> {
        match &mut self.0 {
            Kind::Wav(writer) => writer.write_ints(interleaved),
            Kind::Aiff(writer) => writer.write_ints(interleaved),
            Kind::Caf(writer) => writer.write_ints(interleaved),
            Kind::Flac(writer) => writer.write_ints(interleaved),
        }
    }

    /// Writes the frames of a block as floats, and returns their bytes.
    ///
    /// # Errors
    /// When writing fails, or when there are more frames than promised.
    ///
    /// # Panics
    /// When the file holds integers, or the block has another channel count.
    pub fn write_floats(&mut self, block: &Block) -> Result<&[u8], Error> {
        match &mut self.0 {
            Kind::Wav(writer) => writer.write_floats(block),
            Kind::Aiff(writer) => writer.write_floats(block),
            Kind::Caf(writer) => writer.write_floats(block),
            Kind::Flac(_) => panic!("floats do not go into an integer file"),
        }
    }

    /// Writes what comes behind the samples.
    ///
    /// # Errors
    /// When writing fails, or when the frames are not as many as promised.
    pub fn finish(self) -> Result<(), Error> {
        match self.0 {
            Kind::Wav(writer) => writer.finish().map(drop),
            Kind::Aiff(writer) => writer.finish(),
            Kind::Caf(writer) => writer.finish(),
            Kind::Flac(writer) => writer.finish(),
        }
    }
}
