//! Writes AIFF, and AIFF-C for floats. As with WAV, the header is final when it is written.
//!
//! Sources: Audio Interchange File Format 1.3 (1989); AIFF-C draft (1991) for `FVER` and the form of `COMM`.
//!
//! Which chunks it gets beside the samples is decided elsewhere (`metadata`).

use std::io::Write;

use loadin_audio::Block;

use crate::extended_float::extended;
use crate::format::check_layout;
use crate::metadata::aiff;
use crate::write::packer::Packer;
use crate::write::spec::WavSpec;
use crate::{Error, SampleKind};

/// `AIFCVersion1` of the AIFF-C draft: the time of its making.
const AIFC_VERSION: u32 = 0xA280_5140;

/// Writes one file; big-endian, as the format was defined.
pub(crate) struct AiffWriter<W> {
    writer: W,
    packer: Packer,
    sample_bytes: usize,
    turned: Vec<u8>,
    behind: Vec<u8>,
}

/// `COMM`, and for AIFF-C the compression type with its name as a padded Pascal string.
fn common(spec: &WavSpec, frames: u32) -> Vec<u8> {
    let mut comm = Vec::with_capacity(46);
    comm.extend(spec.channels.to_be_bytes());
    comm.extend(frames.to_be_bytes());
    comm.extend((spec.kind.bits() as u16).to_be_bytes());
    comm.extend(extended(spec.rate_hz));
    let compression: Option<(&[u8; 4], &[u8])> = match spec.kind {
        SampleKind::F32 => Some((b"fl32", b"32-bit floating point")),
        SampleKind::F64 => Some((b"fl64", b"64-bit floating point")),
        _ => None,
    };
    if let Some((id, name)) = compression {
        comm.extend(id);
        comm.push(name.len() as u8);
        comm.extend(name);
    }
    comm
}

/// Size of the `FORM` chunk's contents, by the size of everything around the samples.
fn form_bytes(spec: &WavSpec, comm: usize, data_bytes: u64, behind: usize) -> u64 {
    let version = if spec.kind.is_float() { 12 } else { 0 };
    4 + version + 8 + comm as u64 + 16 + data_bytes + (data_bytes & 1) + behind as u64
}

/// What stands behind the samples, as it is written.
fn behind(spec: &WavSpec) -> Vec<u8> {
    let mut bytes = Vec::new();
    for chunk in aiff::written(&spec.beside()) {
        bytes.extend(chunk.id);
        bytes.extend((chunk.bytes.len() as u32).to_be_bytes());
        bytes.extend(chunk.bytes);
        bytes.resize(bytes.len().next_multiple_of(2), 0);
    }
    bytes
}

/// Whether so many bytes of samples fit into an AIFF file, whose sizes have 32 bits.
pub fn fits_aiff(data_bytes: u64) -> bool {
    // The greatest header: FORM, FVER, COMM with a name, SSND.
    u32::try_from(data_bytes.saturating_add(128)).is_ok()
}

impl<W: Write> AiffWriter<W> {
    pub(crate) fn new(mut writer: W, spec: &WavSpec) -> Result<Self, Error> {
        check_layout(spec.channels, spec.rate_hz)?;
        let packer = Packer::new(spec)?;
        let data_bytes = packer.total_bytes();
        let comm = common(spec, u32::try_from(spec.frames).unwrap_or(u32::MAX));
        let behind = behind(spec);
        let form = form_bytes(spec, comm.len(), data_bytes, behind.len());
        let form = u32::try_from(form).ok().filter(|_| fits_aiff(data_bytes));
        let form =
            form.ok_or_else(|| Error::limit("bytes of samples", "4 GiB in an AIFF file", data_bytes))?;
        writer.write_all(b"FORM")?;
        writer.write_all(&form.to_be_bytes())?;
        if spec.kind.is_float() {
            writer.write_all(b"AIFCFVER\0\0\0\x04")?;
            writer.write_all(&AIFC_VERSION.to_be_bytes())?;
        } else {
            writer.write_all(b"AIFF")?;
        }
        writer.write_all(b"COMM")?;
        writer.write_all(&(comm.len() as u32).to_be_bytes())?;
        writer.write_all(&comm)?;
        writer.write_all(b"SSND")?;
        writer.write_all(&(data_bytes as u32 + 8).to_be_bytes())?;
        writer.write_all(&[0; 8])?;
        Ok(Self { writer, packer, sample_bytes: spec.kind.bytes(), turned: Vec::new(), behind })
    }

    pub(crate) fn write_ints(&mut self, interleaved: &[i32]) -> Result<&[u8], Error> {
        let bytes = self.packer.ints(interleaved)?;
        write_turned(&mut self.writer, bytes, self.sample_bytes, &mut self.turned)?;
        Ok(bytes)
    }

    pub(crate) fn write_floats(&mut self, block: &Block) -> Result<&[u8], Error> {
        let bytes = self.packer.floats(block)?;
        write_turned(&mut self.writer, bytes, self.sample_bytes, &mut self.turned)?;
        Ok(bytes)
    }

    pub(crate) fn finish(mut self) -> Result<(), Error> {
        self.packer.check_complete()?;
        if self.packer.total_bytes() & 1 == 1 {
            self.writer.write_all(&[0])?;
        }
        self.writer.write_all(&self.behind)?;
        Ok(())
    }
}

/// Writes little-endian samples big-endian.
fn write_turned(
    writer: &mut impl Write,
    bytes: &[u8],
    sample_bytes: usize,
    turned: &mut Vec<u8>,
) -> std::io::Result<()> {
    turned.clear();
    turned.extend_from_slice(bytes);
    match sample_bytes {
        2 => turn::<2>(turned),
        3 => turn::<3>(turned),
        4 => turn::<4>(turned),
        _ => turn::<8>(turned),
    }
    writer.write_all(turned)
}

fn turn<const N: usize>(bytes: &mut [u8]) {
    bytes.as_chunks_mut::<N>().0.iter_mut().for_each(|sample| sample.reverse());
}
