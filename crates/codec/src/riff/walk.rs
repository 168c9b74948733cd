//! Walks the chunks of a RIFF file, and reads around sizes that cannot be right.
//!
//! What is read around is said; what may be either a wrong size or lost audio counts as lost audio.

use std::io::{Read, Seek, SeekFrom};

use crate::Error;
use crate::decoder::Repair;

/// Metadata chunks larger than this are not kept in memory.
const MOST_CHUNK_BYTES: u64 = 1 << 20;

/// A file with more chunks than this is not a file but an attack.
const MOST_CHUNKS: usize = 4096;

/// Sizes from here on are what recorders write while they do not know the size yet.
const PLACEHOLDER: u64 = 0x7FFF_0000;

/// Where the samples lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Data {
    pub(super) offset: u64,
    /// Bytes that are there.
    pub(super) bytes: u64,
    /// Bytes that the header claims, where it can be believed.
    pub(super) claimed: u64,
}

/// The chunks of a file.
#[derive(Debug, Default)]
pub(super) struct Walk {
    pub(super) big_endian: bool,
    pub(super) fmt: Option<Vec<u8>>,
    pub(super) bext: Option<Vec<u8>>,
    pub(super) data: Option<Data>,
    pub(super) others: Vec<([u8; 4], Vec<u8>)>,
    pub(super) repairs: Vec<Repair>,
    long_data: Option<u64>,
}

struct Head {
    id: [u8; 4],
    size: u64,
    /// First byte of the contents.
    start: u64,
}

/// Whether four bytes could name a chunk.
fn is_id(id: &[u8]) -> bool {
    id.len() == 4 && id.iter().all(|byte| (0x20..0x7F).contains(byte)) && id[0] != b' '
}

impl Walk {
    pub(super) fn read<R: Read + Seek>(source: &mut R, form: [u8; 4]) -> Result<Self, Error> {
        let end = source.seek(SeekFrom::End(0))?;
        let mut walk = Self { big_endian: &form == b"RIFX", ..Self::default() };
        walk.check_riff_size(source, end, form)?;
        let mut at = 12;
        for _ in 0..MOST_CHUNKS {
            let Some(head) = walk.head(source, at, end)? else { return Ok(walk) };
            at = walk.chunk(source, &head, end)?;
        }
        Err(Error::limit("chunks", format!("up to {MOST_CHUNKS}"), "more"))
    }

    fn u32(&self, bytes: [u8; 4]) -> u64 {
        u64::from(if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) })
    }

    fn check_riff_size<R: Read + Seek>(
        &mut self,
        source: &mut R,
        end: u64,
        form: [u8; 4],
    ) -> Result<(), Error> {
        source.seek(SeekFrom::Start(4))?;
        let mut bytes = [0; 4];
        source.read_exact(&mut bytes)?;
        let size = self.u32(bytes);
        let long = matches!(&form, b"RF64" | b"BW64");
        // One byte more or less is the padding, on which writers disagree.
        if !long && size.abs_diff(end.saturating_sub(8)) > 1 && u32::try_from(size).is_ok() && end > size + 9
        {
            self.repairs.push(Repair(format!(
                "its RIFF size is {size} bytes, {} are there; all of them are read",
                end - 8
            )));
        }
        Ok(())
    }

    fn head<R: Read + Seek>(&mut self, source: &mut R, at: u64, end: u64) -> Result<Option<Head>, Error> {
        if end.saturating_sub(at) < 8 {
            return Ok(None);
        }
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0; 8];
        source.read_exact(&mut head)?;
        let id = [head[0], head[1], head[2], head[3]];
        if !is_id(&id) {
            // Behind the samples, padding and litter end the walk; before them nothing can be trusted.
            return if self.data.is_some() {
                Ok(None)
            } else {
                Err(Error::malformed(format!("no chunk begins with the bytes {id:02x?}"), at))
            };
        }
        Ok(Some(Head { id, size: self.u32([head[4], head[5], head[6], head[7]]), start: at + 8 }))
    }

    /// Takes one chunk and says where the next one begins.
    fn chunk<R: Read + Seek>(&mut self, source: &mut R, head: &Head, end: u64) -> Result<u64, Error> {
        let available = end - head.start;
        if &head.id == b"data" {
            return self.data_chunk(source, head, end);
        }
        if head.size > available {
            let name = String::from_utf8_lossy(&head.id).into_owned();
            if self.data.is_none() && &head.id != b"fmt " {
                let text = format!("its {name:?} chunk claims {} bytes, {available} are left", head.size);
                return Err(Error::malformed(text, head.start - 8));
            }
            self.repairs
                .push(Repair(format!("its {name:?} chunk claims {} bytes, {available} are left", head.size)));
        }
        let bytes = head.size.min(available);
        if bytes <= MOST_CHUNK_BYTES {
            source.seek(SeekFrom::Start(head.start))?;
            let mut contents = vec![0; bytes as usize];
            source.read_exact(&mut contents)?;
            self.keep(head.id, contents);
        } else {
            let name = String::from_utf8_lossy(&head.id).into_owned();
            self.repairs.push(Repair(format!(
                "its {name:?} chunk of {bytes} bytes is too large to be carried along"
            )));
        }
        next_chunk(source, head.start + bytes, bytes, end)
    }

    fn keep(&mut self, id: [u8; 4], contents: Vec<u8>) {
        match &id {
            b"fmt " if self.fmt.is_none() => self.fmt = Some(contents),
            b"bext" if self.bext.is_none() => self.bext = Some(contents),
            b"ds64" => {
                let field = contents.get(8..16).and_then(|bytes| bytes.try_into().ok());
                self.long_data = field.map(u64::from_le_bytes);
            }
            b"JUNK" | b"junk" | b"PAD " | b"FLLR" | b"fact" => {}
            _ => self.others.push((id, contents)),
        }
    }

    fn data_chunk<R: Read + Seek>(&mut self, source: &mut R, head: &Head, end: u64) -> Result<u64, Error> {
        if self.data.is_some() {
            return Err(Error::malformed(
                "there are several data chunks; which one is meant cannot be known",
                head.start - 8,
            ));
        }
        if self.fmt.is_none() {
            return Err(Error::malformed("the samples come before their fmt chunk", head.start - 8));
        }
        let available = end - head.start;
        let claimed = match self.long_data {
            Some(long) if head.size == u64::from(u32::MAX) => long,
            _ => head.size,
        };
        let mut data = Data { offset: head.start, bytes: claimed.min(available), claimed };
        if claimed > available && self.long_data.is_none() && claimed >= PLACEHOLDER {
            self.repairs.push(Repair(format!(
                "its data size is the placeholder {claimed:#x}, {available} bytes are there"
            )));
            data.claimed = available;
        } else if claimed < available && !followed_by_chunk(source, head.start, claimed, end)? {
            // The recorder stopped before it could write the size, or wrote a wrong one.
            self.repairs.push(Repair(format!(
                "its data size is {claimed} bytes, {available} are there; all of them are read"
            )));
            data.bytes = available;
            data.claimed = available;
        }
        self.data = Some(data);
        next_chunk(source, head.start + data.bytes, data.bytes, end)
    }
}

/// Whether the bytes behind a chunk are another chunk, the end, or padding.
fn followed_by_chunk<R: Read + Seek>(source: &mut R, start: u64, size: u64, end: u64) -> Result<bool, Error> {
    let at = start + size;
    if end - at <= 1 {
        return Ok(true);
    }
    for at in [at + (size & 1), at] {
        if chunk_at(source, at, end)? {
            return Ok(true);
        }
    }
    // A few bytes of litter behind real samples are no samples.
    Ok(size > 0 && end - at < 8)
}

/// Whether a chunk with a size that fits begins here.
fn chunk_at<R: Read + Seek>(source: &mut R, at: u64, end: u64) -> Result<bool, Error> {
    if end.saturating_sub(at) < 8 {
        return Ok(false);
    }
    source.seek(SeekFrom::Start(at))?;
    let mut head = [0; 8];
    source.read_exact(&mut head)?;
    let size = u64::from(u32::from_le_bytes([head[4], head[5], head[6], head[7]]));
    let size_be = u64::from(u32::from_be_bytes([head[4], head[5], head[6], head[7]]));
    Ok(is_id(&head[..4]) && size.min(size_be) <= end - at - 8)
}

/// Where the next chunk begins: behind the padding of an odd one, or without it where the writer forgot it.
fn next_chunk<R: Read + Seek>(source: &mut R, at: u64, size: u64, end: u64) -> Result<u64, Error> {
    if size & 1 == 0 {
        return Ok(at);
    }
    let forgotten = !chunk_at(source, at + 1, end)? && chunk_at(source, at, end)?;
    Ok(if forgotten { at } else { at + 1 })
}
