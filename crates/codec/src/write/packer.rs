//! Packs the samples of one file and counts them, since every header says how many there are before they come. Knows
//! no container.

use loadin_audio::Block;

use crate::pack::{interleave, pack, pack_24};
use crate::write::spec::WavSpec;
use crate::{Error, SampleKind};

/// Packs samples for a file whose length was promised.
pub(crate) struct Packer {
    kind: SampleKind,
    channels: u16,
    frames: u64,
    total_bytes: u64,
    written: u64,
    packed: Vec<u8>,
}

impl Packer {
    /// # Errors
    /// When 64 bits cannot count the bytes.
    pub(crate) fn new(spec: &WavSpec) -> Result<Self, Error> {
        Ok(Self {
            kind: spec.kind,
            channels: spec.channels,
            frames: spec.frames,
            total_bytes: spec.sample_bytes()?,
            written: 0,
            packed: Vec::new(),
        })
    }

    /// Bytes of all samples that were promised.
    pub(crate) fn total_bytes(&self) -> u64 {
        self.total_bytes
    }

    /// Packs interleaved integers, right-justified.
    ///
    /// # Errors
    /// When there are more frames than promised.
    ///
    /// # Panics
    /// When the file holds floats.
    pub(crate) fn ints(&mut self, interleaved: &[i32]) -> Result<&[u8], Error> {
        match self.kind {
            SampleKind::I16 => pack(interleaved, &mut self.packed, |sample| {
                let [a, b, ..] = sample.to_le_bytes();
                [a, b]
            }),
            SampleKind::I24 => pack_24(interleaved, &mut self.packed),
            SampleKind::I32 => pack(interleaved, &mut self.packed, i32::to_le_bytes),
            SampleKind::F32 | SampleKind::F64 => panic!("integers do not go into a float file"),
        }
        self.count()
    }

    /// Packs the frames of a block as floats.
    ///
    /// # Errors
    /// When there are more frames than promised.
    ///
    /// # Panics
    /// When the file holds integers, or the block has another channel count.
    pub(crate) fn floats(&mut self, block: &Block) -> Result<&[u8], Error> {
        assert!(self.kind.is_float(), "floats do not go into an integer file");
        assert_eq!(block.channels(), usize::from(self.channels), "the file's channel count");
        match self.kind {
            SampleKind::F32 => interleave(block, &mut self.packed, |sample| (sample as f32).to_le_bytes()),
            _ => interleave(block, &mut self.packed, f64::to_le_bytes),
        }
        self.count()
    }

    fn count(&mut self) -> Result<&[u8], Error> {
        let written = self.written + self.packed.len() as u64;
        if written > self.total_bytes {
            return Err(self.frame_count(written));
        }
        self.written = written;
        Ok(&self.packed)
    }

    /// The bytes of the last call.
    pub(crate) fn packed(&self) -> &[u8] {
        &self.packed
    }

    /// Whether all came that was promised.
    pub(crate) fn check_complete(&self) -> Result<(), Error> {
        if self.written == self.total_bytes { Ok(()) } else { Err(self.frame_count(self.written)) }
    }

    fn frame_count(&self, bytes: u64) -> Error {
        let frame_bytes = self.kind.bytes() as u64 * u64::from(self.channels);
        Error::FrameCount { promised: self.frames, found: bytes / frame_bytes }
    }
}
