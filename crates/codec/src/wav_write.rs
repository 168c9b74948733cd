//! Writes WAV and RF64 files. The number of frames is known beforehand, so the header is final when it is written:
//! nothing is patched, and a plain stream is enough.
//!
//! RIFF: Multimedia Programming Interface and Data Specifications 1.0 (1991). `fmt ` as WAVEFORMATEXTENSIBLE where
//! there are more than two channels or an unusual speaker mask. Past 4 GiB: RF64 with `ds64` (EBU Tech 3306).

use std::io::Write;

use loadin_audio::{Block, wide};

use crate::format::check_layout;
use crate::{Bext, Error, SampleKind};

/// A chunk with its contents.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chunk {
    /// Four characters.
    pub id: [u8; 4],
    /// The contents, without padding.
    pub bytes: Vec<u8>,
}

/// What is written.
#[derive(Debug, Clone, PartialEq)]
pub struct WavSpec {
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Channel count.
    pub channels: u16,
    /// How samples are stored.
    pub kind: SampleKind,
    /// Frames that will be written.
    pub frames: u64,
    /// Speaker mask; `None` is the usual one.
    pub channel_mask: Option<u32>,
    /// The broadcast extension.
    pub bext: Option<Bext>,
    /// Chunks between header and samples.
    pub chunks_before: Vec<Chunk>,
    /// Chunks behind the samples.
    pub chunks_after: Vec<Chunk>,
}

/// Writes one file. Samples go in as interleaved integers or as blocks, and come back as the bytes just written,
/// so that the caller can hash the sample data alone.
pub struct WavWriter<W> {
    writer: W,
    spec: WavSpec,
    data_bytes: u64,
    written: u64,
    packed: Vec<u8>,
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
        let mut chunks = Vec::new();
        if let Some(bext) = &self.bext {
            chunks.push(Chunk { id: *b"bext", bytes: bext.to_bytes() });
        }
        chunks.push(Chunk { id: *b"fmt ", bytes: self.fmt() });
        if self.kind.is_float() || self.extensible() {
            let frames = u32::try_from(self.frames).unwrap_or(u32::MAX);
            chunks.push(Chunk { id: *b"fact", bytes: frames.to_le_bytes().to_vec() });
        }
        chunks.extend(self.chunks_before.iter().cloned());
        chunks
    }
}

impl<W: Write> WavWriter<W> {
    /// Writes everything that comes before the samples.
    ///
    /// # Errors
    /// When writing fails, or when no reader would take so many channels or such a rate.
    pub fn new(mut writer: W, spec: WavSpec) -> Result<Self, Error> {
        check_layout(spec.channels, spec.rate_hz)?;
        let frame_bytes = spec.kind.bytes() as u64 * u64::from(spec.channels);
        let data_bytes = spec
            .frames
            .checked_mul(frame_bytes)
            .filter(|bytes| *bytes < u64::MAX / 2)
            .ok_or_else(|| Error::limit("frames", "what 64 bits can count in bytes", spec.frames))?;
        let head = spec.head_chunks();
        let around: u64 =
            head.iter().chain(&spec.chunks_after).map(|chunk| chunk_size(chunk.bytes.len())).sum();
        let riff_bytes = 4 + around + 8 + padded(data_bytes);
        let large = riff_bytes > u64::from(u32::MAX);
        // With `ds64` the file grows by 36 bytes.
        let riff_bytes = if large { riff_bytes + 36 } else { riff_bytes };
        let size = |bytes: u64| if large { u32::MAX } else { bytes as u32 };
        writer.write_all(if large { b"RF64" } else { b"RIFF" })?;
        writer.write_all(&size(riff_bytes).to_le_bytes())?;
        writer.write_all(b"WAVE")?;
        if large {
            let mut ds64 = Vec::with_capacity(28);
            for value in [riff_bytes, data_bytes, spec.frames] {
                ds64.extend(value.to_le_bytes());
            }
            ds64.extend(0u32.to_le_bytes());
            write_chunk(&mut writer, &Chunk { id: *b"ds64", bytes: ds64 })?;
        }
        for chunk in &head {
            write_chunk(&mut writer, chunk)?;
        }
        writer.write_all(b"data")?;
        writer.write_all(&size(data_bytes).to_le_bytes())?;
        Ok(Self { writer, spec, data_bytes, written: 0, packed: Vec::new() })
    }

    /// Writes interleaved integers, right-justified, and returns their bytes.
    ///
    /// # Errors
    /// When writing fails, or when there are more frames than promised; then nothing of this call is written.
    ///
    /// # Panics
    /// When the file holds floats.
    pub fn write_ints(&mut self, interleaved: &[i32]) -> Result<&[u8], Error> {
        match self.spec.kind {
            SampleKind::I16 => pack(interleaved, &mut self.packed, |sample| {
                let [a, b, ..] = sample.to_le_bytes();
                [a, b]
            }),
            SampleKind::I24 => pack_24(interleaved, &mut self.packed),
            SampleKind::I32 => pack(interleaved, &mut self.packed, i32::to_le_bytes),
            SampleKind::F32 | SampleKind::F64 => panic!("integers do not go into a float file"),
        }
        self.write_packed()
    }

    /// Writes the frames of a block as floats, and returns their bytes.
    ///
    /// # Errors
    /// When writing fails, or when there are more frames than promised; then nothing of this call is written.
    ///
    /// # Panics
    /// When the file holds integers, or the block has another channel count.
    pub fn write_floats(&mut self, block: &Block) -> Result<&[u8], Error> {
        assert!(self.spec.kind.is_float(), "floats do not go into an integer file");
        assert_eq!(block.channels(), usize::from(self.spec.channels), "the file's channel count");
        match self.spec.kind {
            SampleKind::F32 => interleave(block, &mut self.packed, |sample| (sample as f32).to_le_bytes()),
            _ => interleave(block, &mut self.packed, f64::to_le_bytes),
        }
        self.write_packed()
    }

    fn write_packed(&mut self) -> Result<&[u8], Error> {
        let written = self.written + self.packed.len() as u64;
        if written > self.data_bytes {
            return Err(self.frame_count(written));
        }
        self.writer.write_all(&self.packed)?;
        self.written = written;
        Ok(&self.packed)
    }

    fn frame_count(&self, bytes: u64) -> Error {
        let frame_bytes = self.spec.kind.bytes() as u64 * u64::from(self.spec.channels);
        Error::FrameCount { promised: self.spec.frames, found: bytes / frame_bytes }
    }

    /// Writes what comes behind the samples.
    ///
    /// # Errors
    /// When writing fails, or when the frames are not as many as promised.
    pub fn finish(mut self) -> Result<W, Error> {
        if self.written != self.data_bytes {
            return Err(self.frame_count(self.written));
        }
        if self.data_bytes & 1 == 1 {
            self.writer.write_all(&[0])?;
        }
        for chunk in &self.spec.chunks_after {
            write_chunk(&mut self.writer, chunk)?;
        }
        Ok(self.writer)
    }
}

/// Packs samples of `N` bytes each, one behind the other.
fn pack<const N: usize>(samples: &[i32], packed: &mut Vec<u8>, bytes_of: impl Fn(i32) -> [u8; N]) {
    packed.resize(samples.len() * N, 0);
    let (cells, _) = packed.as_chunks_mut::<N>();
    for (cell, sample) in cells.iter_mut().zip(samples) {
        *cell = bytes_of(*sample);
    }
}

/// Packs 24-bit samples, four at a time.
fn pack_24(samples: &[i32], packed: &mut Vec<u8>) {
    packed.resize(samples.len() * 3, 0);
    wide(
        #[inline(always)]
        || {
            let ((fours, rest), (cells, rest_bytes)) =
                (samples.as_chunks::<4>(), packed.as_chunks_mut::<12>());
            for (cell, four) in cells.iter_mut().zip(fours) {
                let [a, b, c, d] = four.map(i32::cast_unsigned);
                let words =
                    [(a & 0x00ff_ffff) | b << 24, (b >> 8 & 0xffff) | c << 16, (c >> 16 & 0xff) | d << 8];
                for (bytes, word) in cell.as_chunks_mut::<4>().0.iter_mut().zip(words) {
                    *bytes = word.to_le_bytes();
                }
            }
            for (bytes, sample) in rest_bytes.as_chunks_mut::<3>().0.iter_mut().zip(rest) {
                let [a, b, c, _] = sample.to_le_bytes();
                *bytes = [a, b, c];
            }
        },
    );
}

/// Packs planar samples of `N` bytes each, frame by frame.
fn interleave<const N: usize>(block: &Block, packed: &mut Vec<u8>, bytes_of: impl Fn(f64) -> [u8; N]) {
    packed.resize(block.frames() * block.channels() * N, 0);
    let (cells, _) = packed.as_chunks_mut::<N>();
    for (index, channel) in block.iter().enumerate() {
        for (cell, sample) in cells[index..].iter_mut().step_by(block.channels()).zip(channel) {
            *cell = bytes_of(*sample);
        }
    }
}

fn write_chunk(writer: &mut impl Write, chunk: &Chunk) -> Result<(), Error> {
    let size = u32::try_from(chunk.bytes.len())
        .map_err(|_| Error::limit("bytes in a chunk", "4 GiB", chunk.bytes.len()))?;
    writer.write_all(&chunk.id)?;
    writer.write_all(&size.to_le_bytes())?;
    writer.write_all(&chunk.bytes)?;
    if size & 1 == 1 {
        writer.write_all(&[0])?;
    }
    Ok(())
}
