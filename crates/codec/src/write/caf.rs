//! Writes CAF with uncompressed little-endian samples; its sizes have 64 bits, so there is no limit to meet.
//!
//! Source: Apple Core Audio Format Specification 1.0 (2006 and later).
//!
//! Which chunks it gets beside the samples is decided elsewhere (`metadata`).

use std::io::Write;

use loadin_audio::Block;

use crate::Error;
use crate::format::check_layout;
use crate::metadata::caf as metadata;
use crate::metadata::caf::USE_BITMAP;
use crate::write::packer::Packer;
use crate::write::spec::WavSpec;

/// Writes one file.
pub(crate) struct CafWriter<W> {
    writer: W,
    packer: Packer,
}

impl<W: Write> CafWriter<W> {
    pub(crate) fn new(mut writer: W, spec: &WavSpec) -> Result<Self, Error> {
        check_layout(spec.channels, spec.rate_hz)?;
        let packer = Packer::new(spec)?;
        writer.write_all(b"caff\0\x01\0\0desc\0\0\0\0\0\0\0\x20")?;
        writer.write_all(&f64::from(spec.rate_hz).to_be_bytes())?;
        writer.write_all(b"lpcm")?;
        let (float, little_endian) = (u32::from(spec.kind.is_float()), 2);
        let frame_bytes = spec.kind.bytes() as u32 * u32::from(spec.channels);
        for field in [float | little_endian, frame_bytes, 1, u32::from(spec.channels), spec.kind.bits()] {
            writer.write_all(&field.to_be_bytes())?;
        }
        if let Some(mask) = spec.channel_mask.filter(|mask| *mask != 0) {
            writer.write_all(b"chan\0\0\0\0\0\0\0\x0c")?;
            for field in [USE_BITMAP, mask, 0] {
                writer.write_all(&field.to_be_bytes())?;
            }
        }
        for chunk in metadata::written(&spec.beside()) {
            writer.write_all(&chunk.id)?;
            writer.write_all(&(chunk.bytes.len() as u64).to_be_bytes())?;
            writer.write_all(&chunk.bytes)?;
        }
        writer.write_all(b"data")?;
        writer.write_all(&(packer.total_bytes() + 4).to_be_bytes())?;
        writer.write_all(&[0; 4])?;
        Ok(Self { writer, packer })
    }

    pub(crate) fn write_ints(&mut self, interleaved: &[i32]) -> Result<&[u8], Error> {
        let bytes = self.packer.ints(interleaved)?;
        self.writer.write_all(bytes)?;
        Ok(bytes)
    }

    pub(crate) fn write_floats(&mut self, block: &Block) -> Result<&[u8], Error> {
        let bytes = self.packer.floats(block)?;
        self.writer.write_all(bytes)?;
        Ok(bytes)
    }

    pub(crate) fn finish(self) -> Result<(), Error> {
        self.packer.check_complete()
    }
}
