//! Core Audio Format: uncompressed samples by the unpacker that WAV uses too, packets by symphonia.
//!
//! Source: Apple Core Audio Format Specification 1.0 (2006 and later). Our own walker, since a general reader loses
//! its way where a chunk is longer than what it holds; it is given a file in which every chunk is as long as needed.
//!
//! What stands beside the samples is read elsewhere (`metadata`).

use std::io::{Read, Result as IoResult, Seek, SeekFrom};

use crate::metadata::caf as metadata;
use crate::metadata::caf::{Found, USE_BITMAP};
use crate::read::pcm::Coding;
use crate::read::stream::{Damage, PcmStream, Repair};
use crate::{Chunk, Codec, Container, Error, Format};

/// A file with more chunks than this is not a file but an attack.
const MOST_CHUNKS: usize = 4096;

/// Chunks that describe the samples are no longer than this: a packet table of days.
const MOST_CHUNK_BYTES: u64 = 16 << 20;

/// What a CAF file holds.
pub(crate) enum Caf {
    Pcm {
        format: Format,
        pcm: PcmStream,
        repairs: Vec<Repair>,
        damage: Vec<Damage>,
        chunks: Vec<Chunk>,
    },
    /// A head to be put before so many bytes of the file.
    Packets {
        head: Vec<u8>,
        from: u64,
        bytes: u64,
        repairs: Vec<Repair>,
        chunks: Vec<Chunk>,
    },
}

/// The chunks that matter.
#[derive(Default)]
struct Walk {
    /// `desc`, `kuki`, `chan` and `pakt`, in this order.
    before: [Option<Vec<u8>>; 4],
    data: Option<Data>,
    /// What stands beside the samples.
    found: Found,
    carried: u64,
    /// What was read around.
    repairs: Vec<Repair>,
}

/// Where the sound lies, in bytes.
struct Data {
    offset: u64,
    /// What its size field says, or what is there where that is open.
    claimed: u64,
    available: u64,
    /// Whether the size field leaves the end open.
    open_end: bool,
    /// Bytes behind its end that are no chunk: its size may be wrong.
    behind: u64,
}

impl Data {
    /// What may be missing, where something else than a chunk stands behind the sound.
    fn doubt(&self) -> Option<String> {
        (self.behind > 0).then(|| {
            format!(
                "behind the {} bytes of its data chunk stands no chunk, but {} bytes more: its size is wrong and sound is missing, or they are no sound; ask for the file again",
                self.claimed, self.behind
            )
        })
    }
}

const BEFORE: [&[u8; 4]; 4] = [b"desc", b"kuki", b"chan", b"pakt"];

pub(crate) fn open<R: Read + Seek>(source: &mut R) -> Result<Caf, Error> {
    let walk = walk(source)?;
    let mut repairs = walk.repairs;
    let [desc, kuki, chan, pakt] = walk.before;
    let desc = desc.ok_or_else(|| Error::malformed("there is no desc chunk", 8))?;
    let data = walk.data.ok_or(Error::NoAudio)?;
    let description =
        Description::parse(&desc).ok_or_else(|| Error::malformed("its desc chunk is too short", 8))?;
    let chunks = walk.found.chunks();
    if let Some((codec, coding)) = description.coding()? {
        let channel_mask = chan.as_deref().and_then(speaker_mask);
        repairs.extend(description.compare_frames());
        return pcm(&description, (codec, coding), &data, channel_mask, repairs, chunks);
    }
    let pakt = pakt.map(packet_table).transpose()?;
    repairs.extend(pakt.iter().filter_map(|table| description.compare_packets(table)));
    repairs.extend(data.doubt().map(Repair));
    let mut head = b"caff\0\x01\0\0".to_vec();
    for (id, contents) in BEFORE.into_iter().zip([Some(desc), kuki, chan, pakt]) {
        if let Some(contents) = contents {
            head.extend(id);
            head.extend((contents.len() as u64).to_be_bytes());
            head.extend(contents);
        }
    }
    let bytes = data.claimed.min(data.available);
    head.extend(b"data");
    head.extend((bytes + 4).to_be_bytes());
    head.extend([0; 4]);
    Ok(Caf::Packets { head, from: data.offset, bytes, repairs, chunks })
}

fn walk<R: Read + Seek>(source: &mut R) -> Result<Walk, Error> {
    let end = source.seek(SeekFrom::End(0))?;
    let mut walk = Walk::default();
    let mut at = 8;
    for _ in 0..MOST_CHUNKS {
        if end.saturating_sub(at) < 12 {
            return Ok(walk);
        }
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0; 12];
        source.read_exact(&mut head)?;
        let size = i64::from_be_bytes(head[4..].try_into().expect("eight bytes"));
        let (start, available) = (at + 12, end - at - 12);
        if &head[..4] == b"data" {
            at = walk.take_data(source, start, u64::try_from(size).ok(), end)?;
            continue;
        }
        let Some(size) = u64::try_from(size).ok().filter(|size| *size <= available) else {
            // Before the samples, they cannot be found; behind them, nobody knows what is missed.
            let text = format!("no chunk that fits begins at byte {at}; {} bytes are not read", end - at);
            walk.repairs.extend(walk.data.is_some().then_some(Repair(text)));
            return Ok(walk);
        };
        if let Some(index) = BEFORE.iter().position(|id| head[..4] == id[..]) {
            if size > MOST_CHUNK_BYTES {
                return Err(Error::limit("bytes in a chunk", format!("up to {MOST_CHUNK_BYTES}"), size));
            }
            let mut contents = vec![0; size as usize];
            source.read_exact(&mut contents)?;
            match &walk.before[index] {
                Some(first) if *first == contents => {}
                Some(_) => {
                    let id = String::from_utf8_lossy(BEFORE[index]);
                    walk.repairs.push(twice(&id, "they differ, and the first one counts"));
                }
                None => walk.before[index] = Some(contents),
            }
        } else if let Some(id) = head.first_chunk().filter(|id| metadata::is_carried(**id)) {
            walk.carried += size;
            if walk.carried <= MOST_CHUNK_BYTES {
                let mut contents = vec![0; size as usize];
                source.read_exact(&mut contents)?;
                walk.found.take(*id, &contents);
            }
        }
        at = start + size;
    }
    Err(Error::limit("chunks", format!("up to {MOST_CHUNKS}"), "more"))
}

impl Walk {
    /// Takes the chunk of the samples whose contents begin at `start`, and says where it ends. Without a size it goes up to the
    /// end of the file.
    fn take_data<R: Read + Seek>(
        &mut self,
        source: &mut R,
        start: u64,
        size: Option<u64>,
        end: u64,
    ) -> Result<u64, Error> {
        // The first four bytes count edits.
        let available = (end - start).saturating_sub(4);
        let stated = size.map(|size| size.saturating_sub(4)).filter(|stated| *stated > 0);
        let claimed = stated.unwrap_or(available);
        let at = (start + 4).saturating_add(claimed);
        if self.data.is_some() {
            self.repairs.push(twice("data", "the samples of the first are read"));
            return Ok(at);
        }
        // A single byte is padding, which other containers have.
        let is_end = end.saturating_sub(at) <= 1 || is_chunk(source, at, end)?;
        self.data = Some(Data {
            offset: start + 4,
            claimed,
            available,
            open_end: stated.is_none(),
            behind: if is_end { 0 } else { end - at },
        });
        Ok(at)
    }
}

/// A chunk of which there may be one.
fn twice(id: &str, what: &str) -> Repair {
    Repair(format!("there are several {id} chunks; {what}"))
}

/// Whether a chunk begins here that fits, or one of a usual name that is cut off.
fn is_chunk<R: Read + Seek>(source: &mut R, at: u64, end: u64) -> Result<bool, Error> {
    let Some(left) = end.checked_sub(at).and_then(|left| left.checked_sub(12)) else { return Ok(false) };
    source.seek(SeekFrom::Start(at))?;
    let mut head = [0; 12];
    source.read_exact(&mut head)?;
    let [id, high, low] = [0, 4, 8].map(|at| [head[at], head[at + 1], head[at + 2], head[at + 3]]);
    let size = i64::from_be_bytes([high, low].concat().try_into().expect("eight bytes"));
    let fits = u64::try_from(size).is_ok_and(|size| size <= left);
    Ok(id.iter().all(|byte| (0x20..0x7F).contains(byte)) && (fits || metadata::is_carried(id)))
}

/// What the `desc` chunk says.
struct Description {
    rate_hz: u32,
    id: [u8; 4],
    flags: u32,
    packet_bytes: u32,
    packet_frames: u32,
    channels: u16,
    bits: u32,
}

impl Description {
    fn parse(bytes: &[u8]) -> Option<Self> {
        let u32_at = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
        let rate = f64::from_be_bytes(bytes.get(..8)?.try_into().ok()?);
        Some(Self {
            // What is no rate becomes 0 or too large, and is refused with the numbers.
            rate_hz: rate.round() as u32,
            id: bytes.get(8..12)?.try_into().ok()?,
            flags: u32_at(12)?,
            packet_bytes: u32_at(16)?,
            packet_frames: u32_at(20)?,
            channels: u16::try_from(u32_at(24)?).unwrap_or(u16::MAX),
            bits: u32_at(28)?,
        })
    }

    /// Compares the frames that the packet table counts with those that its packets hold, where all hold as many.
    fn compare_packets(&self, table: &[u8]) -> Option<Repair> {
        let long = |at: usize| table.get(at..at + 8)?.try_into().ok().map(i64::from_be_bytes);
        let int = |at: usize| table.get(at..at + 4)?.try_into().ok().map(i32::from_be_bytes).map(i64::from);
        let held = long(0)?.checked_mul(i64::from(self.packet_frames)).filter(|held| *held > 0)?;
        let counted = long(8)?.checked_add(int(16)?)?.checked_add(int(20)?)?;
        let text = format!(
            "its packet table counts {counted} frames, its packets hold {held}; the table is followed"
        );
        (held != counted).then_some(Repair(text))
    }

    /// Says where packets of samples claim more than one frame, of which the bytes know nothing.
    fn compare_frames(&self) -> Option<Repair> {
        let text = format!("its desc chunk says {} frames a packet, samples have 1", self.packet_frames);
        (self.packet_frames != 1).then_some(Repair(text))
    }

    /// How uncompressed samples are stored; `None` for packets.
    fn coding(&self) -> Result<Option<(Codec, Coding)>, Error> {
        let coding = match &self.id {
            b"alaw" => (Codec::ALaw, Coding::ALaw),
            b"ulaw" => (Codec::MuLaw, Coding::MuLaw),
            b"lpcm" => match (self.flags & 1 == 1, self.bits) {
                (true, 32) => (Codec::PcmFloat, Coding::F32),
                (true, 64) => (Codec::PcmFloat, Coding::F64),
                (false, 1..=64) => (Codec::PcmInt, Coding::Int(self.bits.div_ceil(8) as usize)),
                (_, bits) => {
                    return Err(Error::unsupported(format!("a CAF file with samples of {bits} bits")));
                }
            },
            _ => return Ok(None),
        };
        let frame_bytes = coding.1.bytes() as u64 * u64::from(self.channels);
        if frame_bytes != u64::from(self.packet_bytes) {
            let text = format!(
                "{} bits and {} channels do not fit frames of {} bytes",
                self.bits, self.channels, self.packet_bytes
            );
            return Err(Error::malformed(text, 20));
        }
        Ok(Some(coding))
    }
}

/// The speaker mask of a `chan` chunk whose layout is one; its bits are those of WAV.
fn speaker_mask(chan: &[u8]) -> Option<u32> {
    let word = |at: usize| chan.get(at..at + 4)?.try_into().ok().map(u32::from_be_bytes);
    (word(0)? == USE_BITMAP).then(|| word(4)).flatten().filter(|mask| *mask != 0)
}

fn pcm(
    description: &Description,
    (codec, coding): (Codec, Coding),
    data: &Data,
    channel_mask: Option<u32>,
    mut repairs: Vec<Repair>,
    chunks: Vec<Chunk>,
) -> Result<Caf, Error> {
    let mut format = Format {
        container: Container::Caf,
        codec,
        rate_hz: description.rate_hz,
        channels: description.channels,
        bits: if codec.is_lossy() { 16 } else { description.bits as u16 },
        float: codec == Codec::PcmFloat,
        channel_mask,
        frames: None,
    };
    format.check()?;
    let frame_bytes = u64::from(description.packet_bytes);
    let frames = data.claimed.min(data.available) / frame_bytes;
    if frames == 0 {
        return Err(Error::NoAudio);
    }
    let lost = (data.claimed / frame_bytes).saturating_sub(frames);
    format.frames = Some(frames + lost);
    let stream = PcmStream {
        coding,
        big_endian: description.flags & 2 == 0,
        channels: usize::from(description.channels),
        offset: data.offset,
        frames,
        position: 0,
    };
    if data.open_end {
        repairs.push(Repair(format!("its data size is open, {} bytes are there", data.available)));
    }
    let rest = data.claimed % frame_bytes;
    if rest > 0 && lost == 0 && data.behind == 0 {
        repairs.push(Repair(format!("its samples end within a frame; the last {rest} bytes are left out")));
    }
    let mut damage: Vec<Damage> = (lost > 0).then(|| Damage::truncated(frames, lost)).into_iter().collect();
    damage.extend(data.doubt().map(|cause| Damage { start_frame: frames, frames: 0, cause }));
    Ok(Caf::Pcm { format, pcm: stream, repairs, damage, chunks })
}

/// The packet table without what stands behind its last entry: a head of 24 bytes, then numbers of seven bits a byte.
fn packet_table(mut bytes: Vec<u8>) -> Result<Vec<u8>, Error> {
    let short = || Error::malformed("its packet table ends early", 8);
    let packets = bytes.first_chunk().map(|bytes| i64::from_be_bytes(*bytes)).ok_or_else(short)?;
    let entries = bytes.get(24..).ok_or_else(short)?;
    let mut left = u64::try_from(packets).map_err(|_| short())?;
    let used = entries.iter().take_while(|byte| {
        let goes_on = left > 0;
        left -= u64::from(goes_on && **byte & 0x80 == 0);
        goes_on
    });
    let used = 24 + used.count();
    // Packets of one size need no entries.
    bytes.truncate(if left > 0 { bytes.len() } else { used });
    Ok(bytes)
}

/// A head, and then a part of a file, read as one stream.
pub(crate) struct Spliced<R> {
    pub(crate) head: Vec<u8>,
    pub(crate) source: R,
    /// First byte of the part.
    pub(crate) from: u64,
    /// Bytes of the part.
    pub(crate) bytes: u64,
    /// Byte of the stream that is read next.
    pub(crate) at: u64,
}

impl<R: Read + Seek> Read for Spliced<R> {
    fn read(&mut self, bytes: &mut [u8]) -> IoResult<usize> {
        let head = self.head.len() as u64;
        let read = if self.at < head {
            let mut rest = &self.head[self.at as usize..];
            rest.read(bytes)?
        } else {
            let behind = self.at - head;
            let count = (bytes.len() as u64).min(self.bytes.saturating_sub(behind)) as usize;
            self.source.seek(SeekFrom::Start(self.from + behind))?;
            self.source.read(&mut bytes[..count])?
        };
        self.at += read as u64;
        Ok(read)
    }
}

impl<R> Seek for Spliced<R> {
    fn seek(&mut self, to: SeekFrom) -> IoResult<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => (self.head.len() as u64 + self.bytes).checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(std::io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}
