//! What is to be written, whatever the container. Knows none of them.

use crate::{Bext, Chunk, Error, SampleKind};

/// What is written.
#[derive(Debug, Clone, PartialEq)]
pub struct WavSpec {
    /// Rate in Hz, 1 to 768 000.
    pub rate_hz: u32,
    /// Channel count, 1 to 64.
    pub channels: u16,
    /// How samples are stored.
    pub kind: SampleKind,
    /// Frames that will be written; the header says so before they come.
    pub frames: u64,
    /// Speaker mask in the bits of `WAVEFORMATEXTENSIBLE`; `None` is the usual one.
    pub channel_mask: Option<u32>,
    /// The broadcast extension, where there is one.
    pub bext: Option<Bext>,
    /// Chunks between header and samples.
    pub chunks_before: Vec<Chunk>,
    /// Chunks behind the samples.
    pub chunks_after: Vec<Chunk>,
}

impl WavSpec {
    pub(super) fn bext_chunk(&self) -> Option<Chunk> {
        self.bext.as_ref().map(|bext| Chunk { id: *b"bext", bytes: bext.to_bytes() })
    }

    /// Everything that stands beside the samples, for a container that has other places for it.
    pub(super) fn beside(&self) -> Vec<Chunk> {
        self.bext_chunk().iter().chain(&self.chunks_before).chain(&self.chunks_after).cloned().collect()
    }

    /// Bytes of all samples in a WAV file.
    ///
    /// # Errors
    /// When 64 bits cannot count them.
    pub(super) fn sample_bytes(&self) -> Result<u64, Error> {
        let frame_bytes = self.kind.bytes() as u64 * u64::from(self.channels);
        self.frames
            .checked_mul(frame_bytes)
            .filter(|bytes| *bytes < u64::MAX / 2)
            .ok_or_else(|| Error::limit("frames", "what 64 bits can count in bytes", self.frames))
    }
}
