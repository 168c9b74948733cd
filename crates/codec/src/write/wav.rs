//! Writes WAV and RF64 files. The number of frames is known beforehand, so the header is final when it is written:
//! nothing is patched, and a plain stream is enough.
//!
//! RIFF: Multimedia Programming Interface and Data Specifications 1.0 (1991). `fmt ` as WAVEFORMATEXTENSIBLE where
//! there are more than two channels or an unusual speaker mask. Past 4 GiB: RF64 with `ds64` (EBU Tech 3306).
//!
//! Knows nothing of what the chunks beside the samples mean.

use std::io::Write;
use std::ops::Range;

use loadin_audio::Block;

use crate::chunk::chunk_bytes;
use crate::format::check_layout;
use crate::write::packer::Packer;
use crate::write::spec::WavSpec;
use crate::{Chunk, Error};

/// Writes one file. Samples go in as interleaved integers or as blocks, and come back as the bytes just written,
/// so that the caller can hash the sample data alone.
pub struct WavWriter<W> {
    writer: W,
    spec: WavSpec,
    packer: Packer,
}

fn padded(bytes: u64) -> u64 {
    bytes + (bytes & 1)
}

fn chunk_size(bytes: usize) -> u64 {
    8 + padded(bytes as u64)
}

impl WavSpec {
    fn usual_mask(&self) -> u32 {
        match self.channels {
            1 => 4,
            2 => 3,
            _ => 0,
        }
    }

    fn extensible(&self) -> bool {
        self.channels > 2 || self.channel_mask.is_some_and(|mask| mask != self.usual_mask() && mask != 0)
    }

    /// The `fmt ` chunk: 16 bytes for integers, 18 for floats, 40 where the channels need naming.
    fn fmt(&self) -> Vec<u8> {
        let tag: u16 = if self.kind.is_float() { 3 } else { 1 };
        let align = self.kind.bytes() as u16 * self.channels;
        let bits = self.kind.bits() as u16;
        let mut fmt = Vec::with_capacity(40);
        fmt.extend(if self.extensible() { 0xFFFE } else { tag }.to_le_bytes());
        fmt.extend(self.channels.to_le_bytes());
        fmt.extend(self.rate_hz.to_le_bytes());
        fmt.extend((self.rate_hz.wrapping_mul(u32::from(align))).to_le_bytes());
        fmt.extend(align.to_le_bytes());
        fmt.extend(bits.to_le_bytes());
        if self.extensible() {
            fmt.extend(22u16.to_le_bytes());
            fmt.extend(bits.to_le_bytes());
            fmt.extend(self.channel_mask.unwrap_or(self.usual_mask()).to_le_bytes());
            fmt.extend(tag.to_le_bytes());
            fmt.extend(*b"\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71");
        } else if self.kind.is_float() {
            fmt.extend(0u16.to_le_bytes());
        }
        fmt
    }

    fn head_chunks(&self) -> Vec<Chunk> {
        let mut chunks: Vec<Chunk> = self.bext_chunk().into_iter().collect();
        chunks.push(Chunk { id: *b"fmt ", bytes: self.fmt() });
        if self.kind.is_float() || self.extensible() {
            let frames = u32::try_from(self.frames).unwrap_or(u32::MAX);
            chunks.push(Chunk { id: *b"fact", bytes: frames.to_le_bytes().to_vec() });
        }
        chunks.extend(self.chunks_before.iter().cloned());
        chunks
    }

    /// Where in a WAV file the bytes of all samples stand.
    pub(super) fn samples(&self) -> Result<Range<u64>, Error> {
        let bytes = self.sample_bytes()?;
        let begin = self.head(bytes)?.iter().map(|piece| piece.len() as u64).sum();
        Ok(begin..begin + bytes)
    }

    /// Everything that a WAV file has before and behind its samples, in order.
    pub(super) fn around_samples(&self, data_bytes: u64) -> Result<Vec<Vec<u8>>, Error> {
        let head = self.head(data_bytes)?.into_iter().map(Ok);
        head.chain(self.chunks_after.iter().map(chunk_bytes)).collect()
    }

    /// Everything before the samples: the form with its size, every chunk, and the head of the samples.
    fn head(&self, data_bytes: u64) -> Result<Vec<Vec<u8>>, Error> {
        let head = self.head_chunks();
        let around: u64 =
            head.iter().chain(&self.chunks_after).map(|chunk| chunk_size(chunk.bytes.len())).sum();
        let riff_bytes = 4 + around + 8 + padded(data_bytes);
        let large = riff_bytes > u64::from(u32::MAX);
        // With `ds64` the file grows by 36 bytes.
        let riff_bytes = if large { riff_bytes + 36 } else { riff_bytes };
        let size = |bytes: u64| if large { u32::MAX } else { bytes as u32 }.to_le_bytes();
        let form = if large { b"RF64" } else { b"RIFF" };
        let mut pieces = vec![[&form[..], &size(riff_bytes), b"WAVE"].concat()];
        if large {
            let mut ds64 = Vec::with_capacity(28);
            for value in [riff_bytes, data_bytes, self.frames] {
                ds64.extend(value.to_le_bytes());
            }
            ds64.extend(0u32.to_le_bytes());
            pieces.push(chunk_bytes(&Chunk { id: *b"ds64", bytes: ds64 })?);
        }
        for chunk in &head {
            pieces.push(chunk_bytes(chunk)?);
        }
        pieces.push([&b"data"[..], &size(data_bytes)].concat());
        Ok(pieces)
    }
}

impl<W: Write> WavWriter<W> {
    /// Writes everything that comes before the samples.
    ///
    /// # Errors
    /// When writing fails, or when no reader would take so many channels or such a rate.
    pub fn new(mut writer: W, spec: WavSpec) -> Result<Self, Error> {
        check_layout(spec.channels, spec.rate_hz)?;
        let packer = Packer::new(&spec)?;
        for piece in spec.head(packer.total_bytes())? {
            writer.write_all(&piece)?;
        }
        Ok(Self { writer, spec, packer })
    }

    /// Writes interleaved integers, right-justified, and returns their bytes.
    ///
    /// # Errors
    /// When writing fails, or when there are more frames than promised; then nothing of this call is written.
    ///
    /// # Panics
    /// When the file holds floats.
    pub fn write_ints(&mut self, interleaved: &[i32]) -> Result<&[u8], Error> {
        let bytes = self.packer.ints(interleaved)?;
        self.writer.write_all(bytes)?;
        Ok(bytes)
    }

    /// Writes the frames of a block as floats, and returns their bytes.
    ///
    /// # Errors
    /// When writing fails, or when there are more frames than promised; then nothing of this call is written.
    ///
    /// # Panics
    /// When the file holds integers, or the block has another channel count.
    pub fn write_floats(&mut self, block: &Block) -> Result<&[u8], Error> {
        let bytes = self.packer.floats(block)?;
        self.writer.write_all(bytes)?;
        Ok(bytes)
    }

    /// Writes what comes behind the samples.
    ///
    /// # Errors
    /// When writing fails, or when the frames are not as many as promised.
    pub fn finish(mut self) -> Result<W, Error> {
        self.packer.check_complete()?;
        if self.packer.total_bytes() & 1 == 1 {
            self.writer.write_all(&[0])?;
        }
        for chunk in &self.spec.chunks_after {
            self.writer.write_all(&chunk_bytes(chunk)?)?;
        }
        Ok(self.writer)
    }
}
