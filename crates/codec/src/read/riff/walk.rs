//! Walks the chunks of a RIFF file, and reads around sizes that cannot be right.
//!
//! What is read around is said; what may be either a wrong size or lost audio counts as lost audio.
//!
//! It knows where chunks lie, and nothing of what most of them mean.

use std::io::{Read, Seek, SeekFrom};

use super::data::{Data, Witnesses, is_id, next_chunk};
use crate::Error;
use crate::read::stream::Repair;

/// Metadata chunks larger than this are not kept in memory.
const MOST_CHUNK_BYTES: u64 = 1 << 20;

/// Nor are more than this of all together.
const MOST_CARRIED_BYTES: u64 = 16 << 20;

/// A file with more chunks than this is not a file but an attack.
pub(super) const MOST_CHUNKS: usize = 4096;

/// The chunks of a file.
#[derive(Debug, Default)]
pub(super) struct Walk {
    pub(super) big_endian: bool,
    pub(super) fmt: Option<Vec<u8>>,
    pub(super) bext: Option<Vec<u8>>,
    pub(super) data: Option<Data>,
    pub(super) others: Vec<([u8; 4], Vec<u8>)>,
    pub(super) repairs: Vec<Repair>,
    end: u64,
    riff_size: u64,
    long_data: Option<u64>,
    carried: u64,
}

struct Head {
    id: [u8; 4],
    size: u64,
    /// First byte of the contents.
    start: u64,
}

impl Head {
    fn name(&self) -> String {
        String::from_utf8_lossy(&self.id).into_owned()
    }
}

impl Walk {
    pub(super) fn read<R: Read + Seek>(source: &mut R, big_endian: bool) -> Result<Self, Error> {
        let end = source.seek(SeekFrom::End(0))?;
        let mut walk = Self { big_endian, end, ..Self::default() };
        source.seek(SeekFrom::Start(4))?;
        let mut size = [0; 4];
        source.read_exact(&mut size)?;
        walk.riff_size = walk.u32(size);
        let mut at = 12;
        for _ in 0..MOST_CHUNKS {
            let Some(head) = walk.head(source, at)? else {
                walk.compare_riff_size(at.min(end));
                walk.notice_cut_head(at);
                return Ok(walk);
            };
            at = walk.chunk(source, &head)?;
        }
        Err(Error::limit("chunks", format!("up to {MOST_CHUNKS}"), "more"))
    }

    fn u32(&self, bytes: [u8; 4]) -> u64 {
        u64::from(if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) })
    }

    fn riff_end(&self) -> u64 {
        self.riff_size.saturating_add(8)
    }

    /// A RIFF size that is too large says that something is lost, which the `data` chunk tells better.
    fn compare_riff_size(&mut self, chunks_end: u64) {
        if self.riff_end() < chunks_end.saturating_sub(1) {
            let text = format!(
                "its RIFF size is {} bytes, its chunks take {}; all are read",
                self.riff_size,
                chunks_end - 8
            );
            self.repairs.push(Repair(text));
        }
    }

    /// The file ends within the head of a chunk: nobody knows of how much.
    fn notice_cut_head(&mut self, at: u64) {
        let left = self.end.saturating_sub(at);
        if (1..8).contains(&left) && self.riff_end() > self.end {
            let text = format!(
                "it ends {left} bytes behind a chunk, and its RIFF size says that {} more belong to it",
                self.riff_end() - self.end
            );
            self.repairs.push(Repair(text));
        }
    }

    fn head<R: Read + Seek>(&mut self, source: &mut R, at: u64) -> Result<Option<Head>, Error> {
        if self.end.saturating_sub(at) < 8 {
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
    fn chunk<R: Read + Seek>(&mut self, source: &mut R, head: &Head) -> Result<u64, Error> {
        if &head.id == b"data" {
            return self.data_chunk(source, head);
        }
        let available = self.end - head.start;
        if head.size > available {
            let text =
                format!("its {:?} chunk claims {} bytes, {available} are left", head.name(), head.size);
            if self.data.is_none() {
                return Err(Error::malformed(text, head.start - 8));
            }
            self.repairs.push(Repair(text));
        }
        let bytes = head.size.min(available);
        self.take(source, head.id, head.start, bytes)?;
        next_chunk(source, head.start + bytes, bytes, self.end)
    }

    /// Reads a chunk that is no samples, unless it is too large.
    pub(super) fn take<R: Read + Seek>(
        &mut self,
        source: &mut R,
        id: [u8; 4],
        start: u64,
        bytes: u64,
    ) -> Result<(), Error> {
        if bytes <= MOST_CHUNK_BYTES && self.carried + bytes <= MOST_CARRIED_BYTES {
            source.seek(SeekFrom::Start(start))?;
            let mut contents = vec![0; bytes as usize];
            source.read_exact(&mut contents)?;
            self.keep(id, contents);
        } else if !is_filler(id) {
            let name = String::from_utf8_lossy(&id).into_owned();
            let text = format!("its {name:?} chunk of {bytes} bytes is too large to be carried along");
            self.repairs.push(Repair(text));
        }
        Ok(())
    }

    fn keep(&mut self, id: [u8; 4], contents: Vec<u8>) {
        match &id {
            b"fmt " if self.fmt.is_none() => self.fmt = Some(contents),
            b"bext" if self.bext.is_none() => self.bext = Some(contents),
            b"ds64" => self.take_long_sizes(&contents),
            _ if is_filler(id) => {}
            _ => {
                self.carried += contents.len() as u64;
                self.others.push((id, contents));
            }
        }
    }

    /// ITU-R BS.2088, section 3.2: riffSize and dataSize count where the fields of 32 bits are full.
    fn take_long_sizes(&mut self, contents: &[u8]) {
        let field = |at: usize| contents.get(at..at + 8)?.try_into().ok().map(u64::from_le_bytes);
        if let Some(riff) = field(0).filter(|_| self.riff_size == u64::from(u32::MAX)) {
            self.riff_size = riff;
        }
        self.long_data = field(8);
    }

    /// Whether these are the first samples; notices what is not as it should be with their place.
    pub(super) fn are_first(&mut self) -> bool {
        let text = if self.data.is_some() {
            "there are several data chunks; the samples of the first are read"
        } else if self.fmt.is_none() {
            "its samples come before their fmt chunk"
        } else {
            return true;
        };
        self.repairs.push(Repair(text.to_owned()));
        self.data.is_none()
    }

    fn data_chunk<R: Read + Seek>(&mut self, source: &mut R, head: &Head) -> Result<u64, Error> {
        if !self.are_first() {
            let bytes = head.size.min(self.end - head.start);
            return next_chunk(source, head.start + bytes, bytes, self.end);
        }
        let claimed = self.long_data.filter(|_| head.size == u64::from(u32::MAX)).unwrap_or(head.size);
        let witnesses = Witnesses { start: head.start, claimed, riff_end: self.riff_end(), end: self.end };
        let (data, repair) = witnesses.judge(source)?;
        self.data = Some(data);
        self.repairs.extend(repair);
        next_chunk(source, head.start + data.bytes, data.bytes, self.end)
    }
}

/// Chunks without a meaning of their own: room that a writer kept, and the frame count, which is written anew.
fn is_filler(id: [u8; 4]) -> bool {
    matches!(&id, b"JUNK" | b"junk" | b"PAD " | b"FLLR" | b"fact")
}
