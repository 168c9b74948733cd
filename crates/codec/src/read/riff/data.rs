//! How many of the bytes behind a `data` header are samples, where header and file disagree.
//!
//! Three witnesses: the `data` size, the RIFF size, and the file's length. Where two of them agree, they are believed.
//!
//! Knows nothing of what the samples mean.

use std::io::{Read, Seek, SeekFrom};

use crate::Error;
use crate::read::stream::Repair;

/// Where the samples lie, in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Data {
    pub(super) offset: u64,
    /// Bytes that are there.
    pub(super) bytes: u64,
    /// Bytes that there should be.
    pub(super) claimed: u64,
}

/// What the header and the file say.
#[derive(Debug, Clone, Copy)]
pub(super) struct Witnesses {
    /// First byte of the samples.
    pub(super) start: u64,
    /// The `data` size, or that of `ds64`.
    pub(super) claimed: u64,
    /// Where the file ends after the RIFF size.
    pub(super) riff_end: u64,
    /// Where the file ends.
    pub(super) end: u64,
}

/// Sizes that recorders and streams write while they do not know the size yet: the ends of the signed and the
/// unsigned range, and what no disk holds. Common practice, no source.
fn is_placeholder(size: u64) -> bool {
    matches!(size, 0x7FFF_F000..=0x7FFF_F0FF | 0x7FFF_FF00..=0x8000_0000 | 0xFFFF_FF00..=0xFFFF_FFFF | 0x1_0000_0000_0000..)
}

impl Witnesses {
    /// Whether the RIFF size puts the end of the file here; one byte is the padding, on which writers disagree.
    fn riff_ends(&self, at: u64) -> bool {
        self.riff_end.abs_diff(at) <= 1
    }

    /// Decides, and says what was read around.
    pub(super) fn judge<R: Read + Seek>(&self, source: &mut R) -> Result<(Data, Option<Repair>), Error> {
        let available = self.end - self.start;
        let claimed = self.claimed;
        let keep = Data { offset: self.start, bytes: claimed.min(available), claimed };
        let take =
            |bytes: u64, text: String| Ok((Data { bytes, claimed: bytes, ..keep }, Some(Repair(text))));
        if claimed > available {
            return if is_placeholder(claimed) {
                take(
                    available,
                    format!("its data size is the placeholder {claimed:#x}, {available} bytes are there"),
                )
            } else if self.riff_end == self.end {
                let text = format!(
                    "its data size is {claimed} bytes, but {available} are there and the RIFF size says so too"
                );
                take(available, text)
            } else {
                // Either size may be wrong, but a broken transfer is likelier: audio is lost.
                Ok((keep, None))
            };
        }
        if self.is_end(source, claimed)? {
            return Ok((keep, self.litter(available - claimed)));
        }
        if let Some(bytes) = self.wrapped(source)? {
            return take(
                bytes,
                format!("its data size of {claimed} bytes was counted in 32 bits; {bytes} are there"),
            );
        }
        let behind = available - claimed;
        if claimed > 0 && self.riff_ends(self.start + claimed) {
            // As samples, what is no sound would be loud noise.
            return take(
                claimed,
                format!("{behind} bytes stand behind its stated end; they are no samples and left out"),
            );
        }
        // The recorder stopped before it could write the size, or wrote a wrong one.
        take(
            available,
            format!("its data size is {claimed} bytes, {available} are there; all of them are read"),
        )
    }

    /// A few bytes at the end of the file that the RIFF size counts and the data size does not.
    fn litter(&self, behind: u64) -> Option<Repair> {
        let text = format!("{behind} bytes stand behind the stated end of its samples; they are left out");
        ((2..8).contains(&behind) && self.riff_ends(self.end)).then_some(Repair(text))
    }

    /// Whether behind so many bytes of samples there is another chunk, the end, or padding.
    fn is_end<R: Read + Seek>(&self, source: &mut R, bytes: u64) -> Result<bool, Error> {
        let at = self.start + bytes;
        if self.end - at <= 1 {
            return Ok(true);
        }
        for at in [at + (bytes & 1), at] {
            if chunk_at(source, at, self.end)? || bytes > 0 && self.cut_chunk_at(source, at)? {
                return Ok(true);
            }
        }
        // A few bytes of litter behind real samples are no samples.
        Ok(bytes > 0 && self.end - at < 8)
    }

    /// Whether a chunk begins here that the file cuts off: its name is a usual one, or it would end where the RIFF size says.
    /// As samples its bytes would be a click.
    fn cut_chunk_at<R: Read + Seek>(&self, source: &mut R, at: u64) -> Result<bool, Error> {
        let Some((id, size)) = head_at(source, at, self.end)? else { return Ok(false) };
        let chunk_end = |size: u32| at + 8 + u64::from(size);
        let [little, big] = [u32::from_le_bytes(size), u32::from_be_bytes(size)].map(chunk_end);
        let is_cut = little.min(big) > self.end;
        Ok(is_cut && is_id(&id) && (USUAL.contains(&&id) || self.riff_ends(little) || self.riff_ends(big)))
    }

    /// The size that was meant, where a writer started again at 4 GiB.
    fn wrapped<R: Read + Seek>(&self, source: &mut R) -> Result<Option<u64>, Error> {
        let turns = (self.end - self.start - self.claimed) >> 32;
        // The last turn that fits is the likely one; more than a few would be terabytes.
        for turn in (1..=turns.min(256)).rev() {
            let bytes = self.claimed + (turn << 32);
            if self.is_end(source, bytes)? {
                return Ok(Some(bytes));
            }
        }
        Ok(None)
    }
}

/// Whether four bytes could name a chunk.
pub(super) fn is_id(id: &[u8]) -> bool {
    id.len() == 4 && id.iter().all(|byte| (0x20..0x7F).contains(byte)) && id[0] != b' '
}

/// Names of chunks that often stand behind the samples: RIFF 1.0 (1991), EBU Tech 3285, the iXML specification, and what
/// else is common (from memory).
const USUAL: [&[u8; 4]; 12] = [
    b"LIST", b"bext", b"iXML", b"axml", b"cue ", b"smpl", b"inst", b"id3 ", b"ID3 ", b"fact", b"PEAK",
    b"JUNK",
];

/// The name of a chunk, and its size in either order of bytes.
type Head = ([u8; 4], [u8; 4]);

/// The name and the size of a chunk, if one begins here; `None` where there is no room for both.
fn head_at<R: Read + Seek>(source: &mut R, at: u64, end: u64) -> Result<Option<Head>, Error> {
    if end.saturating_sub(at) < 8 {
        return Ok(None);
    }
    source.seek(SeekFrom::Start(at))?;
    let (mut id, mut size) = ([0; 4], [0; 4]);
    source.read_exact(&mut id)?;
    source.read_exact(&mut size)?;
    Ok(Some((id, size)))
}

/// Whether a chunk with a size that fits begins here.
fn chunk_at<R: Read + Seek>(source: &mut R, at: u64, end: u64) -> Result<bool, Error> {
    let Some((id, size)) = head_at(source, at, end)? else { return Ok(false) };
    let size = u64::from(u32::from_le_bytes(size).min(u32::from_be_bytes(size)));
    Ok(is_id(&id) && size <= end - at - 8)
}

/// Where the next chunk begins: behind the padding of an odd one, or without it where the writer forgot it.
pub(super) fn next_chunk<R: Read + Seek>(source: &mut R, at: u64, size: u64, end: u64) -> Result<u64, Error> {
    if size & 1 == 0 {
        return Ok(at);
    }
    let forgotten = !chunk_at(source, at + 1, end)? && chunk_at(source, at, end)?;
    Ok(if forgotten { at } else { at + 1 })
}
