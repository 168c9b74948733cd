//! Wave64: the chunks of WAV with GUIDs for names and 64-bit sizes, for files of any length.
//!
//! Source: Sony Wave64 file format (layout from memory, and checked against files of libsndfile). A size counts its
//! own header of 24 bytes, and chunks begin at multiples of 8.
//!
//! What the chunks mean is said elsewhere, as for WAV.

use std::io::{Read, Seek, SeekFrom};

use super::data::Data;
use super::walk::{MOST_CHUNKS, Walk};
use crate::Error;
use crate::read::stream::Repair;

/// `riff`, the first 16 bytes of a file.
pub(crate) const RIFF: [u8; 16] = *b"riff\x2E\x91\xCF\x11\xA5\xD6\x28\xDB\x04\xC1\x00\x00";

/// `wave`, behind the file's size.
pub(crate) const WAVE: [u8; 16] = *b"wave\xF3\xAC\xD3\x11\x8C\xD1\x00\xC0\x4F\x8E\xDB\x8A";

/// The part that the names of all chunks have in common.
const TAIL: &[u8] = b"\xF3\xAC\xD3\x11\x8C\xD1\x00\xC0\x4F\x8E\xDB\x8A";

/// Bytes of GUID and size.
const HEAD_BYTES: u64 = 24;

pub(super) fn read<R: Read + Seek>(source: &mut R) -> Result<Walk, Error> {
    let end = source.seek(SeekFrom::End(0))?;
    let mut walk = Walk::default();
    let mut at = 40;
    for _ in 0..MOST_CHUNKS {
        if end.saturating_sub(at) < HEAD_BYTES {
            return Ok(walk);
        }
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0; HEAD_BYTES as usize];
        source.read_exact(&mut head)?;
        let size = u64::from_le_bytes(head[16..].try_into().expect("eight bytes"));
        let id = [head[0], head[1], head[2], head[3]];
        let start = at + HEAD_BYTES;
        let available = end - start;
        let bytes = if &head[4..16] == TAIL && &id == b"data" {
            take_data(source, &mut walk, start, size, available)?
        } else if !(HEAD_BYTES..=available + HEAD_BYTES).contains(&size) {
            if walk.data.is_some() {
                return Ok(walk);
            }
            return Err(Error::malformed(format!("a chunk of {size} bytes, {available} are left"), at));
        } else {
            // Other GUIDs name what only one maker's programs understand; they cannot be carried in a WAV file.
            if &head[4..16] == TAIL {
                walk.take(source, id, start, size - HEAD_BYTES)?;
            }
            size - HEAD_BYTES
        };
        at = (start + bytes).next_multiple_of(8);
    }
    Err(Error::limit("chunks", format!("up to {MOST_CHUNKS}"), "more"))
}

/// Takes the samples, and says how many bytes they have.
fn take_data<R: Read + Seek>(
    source: &mut R,
    walk: &mut Walk,
    start: u64,
    size: u64,
    available: u64,
) -> Result<u64, Error> {
    if !walk.are_first() {
        return Ok(size.saturating_sub(HEAD_BYTES).min(available));
    }
    let claimed = size.saturating_sub(HEAD_BYTES);
    // A recorder that stopped left no size; no disk holds the largest ones.
    let claimed = if claimed == 0 || claimed >= 1 << 48 {
        let text = format!("its data size is {size} bytes, {available} are there; all of them are read");
        walk.repairs.push(Repair(text));
        available
    } else {
        claimed
    };
    let bytes = claimed.min(available);
    walk.data = Some(Data { offset: start, bytes, claimed });
    let at = (start + bytes).next_multiple_of(8);
    let behind = (start + available).saturating_sub(at);
    if behind > 0 && !is_chunk(source, at, behind)? {
        let text = format!(
            "behind the {claimed} bytes of its data chunk stands no chunk, but {behind} bytes more: its size is wrong and sound is missing, or they are no sound; ask for the file again"
        );
        walk.repairs.push(Repair(text));
    }
    Ok(bytes)
}

/// Whether a chunk begins here that fits in so many bytes; whose it is, is open.
fn is_chunk<R: Read + Seek>(source: &mut R, at: u64, left: u64) -> Result<bool, Error> {
    if left < HEAD_BYTES {
        return Ok(false);
    }
    source.seek(SeekFrom::Start(at + 16))?;
    let mut size = [0; 8];
    source.read_exact(&mut size)?;
    Ok((HEAD_BYTES..=left).contains(&u64::from_le_bytes(size)))
}
