//! Samples in containers that are wider than they need, above all of 24 bits in four bytes. The standard puts them in the upper three (WAVEFORMATEXTENSIBLE: valid bits are
//! left-justified); some writers put them in the lower three, and read by the standard they would be 48 dB too quiet and
//! full of noise. Knows no chunk but the place of the samples.

use std::io::{Read, Seek, SeekFrom};

use super::data::Data;
use crate::Error;
use crate::read::pcm::Coding;

const SAMPLE_BYTES: usize = 4;

/// Bytes that are looked at in one go.
const PIECE_BYTES: u64 = 1 << 18;

/// Whether samples of so many bits, stored so, may stand in the lower three bytes.
pub(super) fn may_be_low(coding: Coding, bits: u16) -> bool {
    (coding, bits) == (Coding::Int(4), 24)
}

/// Whether the samples stand in the lower three bytes: the lowest one is used, and the highest never holds anything but a
/// sign. Ends with the first sample that uses the highest byte, as almost every file does in its first piece.
pub(super) fn is_low<R: Read + Seek>(source: &mut R, data: &Data, big_endian: bool) -> Result<bool, Error> {
    let (low, high) = if big_endian { (3, 0) } else { (0, 3) };
    let mut low_is_used = false;
    let holds = all_pieces(source, data, SAMPLE_BYTES, |bytes| {
        let samples = bytes.as_chunks::<SAMPLE_BYTES>().0;
        low_is_used |= samples.iter().any(|sample| sample[low] != 0);
        samples.iter().all(|sample| matches!(sample[high], 0 | 0xFF))
    })?;
    Ok(holds && low_is_used)
}

/// Whether the lowest `empty` bytes of every sample of `sample_bytes` hold nothing, as where few bits are left-justified in a
/// wide container. Ends with the first sample that uses them.
pub(super) fn is_empty_below<R: Read + Seek>(
    source: &mut R,
    data: &Data,
    (sample_bytes, empty): (usize, usize),
    big_endian: bool,
) -> Result<bool, Error> {
    let lowest = if big_endian { sample_bytes - empty..sample_bytes } else { 0..empty };
    all_pieces(source, data, sample_bytes, |bytes| {
        let mut samples = bytes.chunks_exact(sample_bytes);
        samples.all(|sample| sample[lowest.clone()].iter().all(|byte| *byte == 0))
    })
}

/// Whether `holds` says yes to every piece of the samples, each of whole ones but perhaps the last; ends with the first no,
/// and with samples that are not there.
fn all_pieces<R: Read + Seek>(
    source: &mut R,
    data: &Data,
    sample_bytes: usize,
    mut holds: impl FnMut(&[u8]) -> bool,
) -> Result<bool, Error> {
    source.seek(SeekFrom::Start(data.offset))?;
    let piece = PIECE_BYTES - PIECE_BYTES % sample_bytes as u64;
    let mut left = data.bytes;
    let mut bytes = Vec::new();
    while left > 0 {
        bytes.clear();
        let read = source.take(left.min(piece)).read_to_end(&mut bytes)?;
        if read == 0 || !holds(&bytes) {
            return Ok(false);
        }
        left -= read as u64;
    }
    Ok(true)
}
