//! AIFF and AIFF-C with uncompressed samples, big- and little-endian.
//!
//! Sources: Audio Interchange File Format 1.3 (1989) and AIFF-C (1991). Our own reader: it shares the unpacker with
//! WAV, and reads the little-endian and odd-sized forms that general decoders refuse.
//!
//! What stands beside the samples is read elsewhere (`metadata`).

use std::io::{Read, Seek, SeekFrom};
use std::ops::Range;

use crate::extended_float::extended_rate;
use crate::metadata::aiff::Found;
use crate::read::pcm::Coding;
use crate::read::stream::{Damage, PcmStream, Repair};
use crate::{Chunk, Codec, Container, Error, Format};

/// A file with more chunks than this is not a file but an attack.
const MOST_CHUNKS: usize = 4096;

/// Metadata larger than this, all together, is not kept in memory.
const MOST_CARRIED_BYTES: u64 = 16 << 20;

/// An AIFF file that is ready to be decoded.
pub(crate) struct Aiff {
    pub(crate) format: Format,
    pub(crate) pcm: PcmStream,
    pub(crate) damage: Vec<Damage>,
    pub(crate) repairs: Vec<Repair>,
    pub(crate) chunks: Vec<Chunk>,
}

/// What the `COMM` chunk says.
struct Common {
    channels: u16,
    frames: u64,
    bits: u16,
    rate_hz: u32,
    compression: [u8; 4],
}

/// How the samples are stored.
struct Stored {
    codec: Codec,
    coding: Coding,
    valid_bits: u16,
    big_endian: bool,
}

fn four(bytes: &[u8], at: usize) -> Option<[u8; 4]> {
    bytes.get(at..at + 4)?.try_into().ok()
}

impl Common {
    fn parse(bytes: &[u8], is_aifc: bool) -> Option<Self> {
        Some(Self {
            channels: u16::from_be_bytes([*bytes.first()?, *bytes.get(1)?]),
            frames: u64::from(u32::from_be_bytes(four(bytes, 2)?)),
            bits: u16::from_be_bytes([*bytes.get(6)?, *bytes.get(7)?]),
            rate_hz: extended_rate(bytes.get(8..18)?.try_into().ok()?).unwrap_or(0),
            compression: if is_aifc { four(bytes, 18)? } else { *b"NONE" },
        })
    }

    /// How the samples are stored.
    fn coding(&self) -> Result<Stored, Error> {
        let bytes = usize::from(self.bits.div_ceil(8));
        let stored =
            |codec, coding, bits, big_endian| Ok(Stored { codec, coding, valid_bits: bits, big_endian });
        let int = |bytes, bits, big_endian| stored(Codec::PcmInt, Coding::Int(bytes), bits, big_endian);
        match &self.compression {
            b"NONE" | b"twos" if (1..=8).contains(&bytes) => int(bytes, self.bits, true),
            b"sowt" if (1..=8).contains(&bytes) => int(bytes, self.bits, false),
            b"in24" => int(3, 24, true),
            // libsndfile writes the second.
            b"42ni" | b"42n1" => int(3, 24, false),
            b"in32" => int(4, 32, true),
            b"23ni" => int(4, 32, false),
            b"raw " => stored(Codec::PcmInt, Coding::U8, 8, true),
            b"fl32" | b"FL32" => stored(Codec::PcmFloat, Coding::F32, 32, true),
            b"fl64" | b"FL64" => stored(Codec::PcmFloat, Coding::F64, 64, true),
            b"alaw" | b"ALAW" => stored(Codec::ALaw, Coding::ALaw, 16, true),
            b"ulaw" | b"ULAW" => stored(Codec::MuLaw, Coding::MuLaw, 16, true),
            b"NONE" | b"twos" | b"sowt" => Err(Error::limit("bits", "1 to 64", self.bits)),
            other => Err(Error::unsupported(format!(
                "an AIFF-C file with compression {:?}",
                String::from_utf8_lossy(other)
            ))),
        }
    }
}

/// The chunks that matter.
#[derive(Default)]
struct Walk {
    common: Option<Common>,
    /// First byte of the samples, and the first one behind them.
    sound: Option<Range<u64>>,
    /// Whether the samples are aligned in blocks, and so may be padded.
    in_blocks: bool,
    /// What stands beside the samples.
    found: Found,
    /// Bytes of that.
    carried: u64,
    /// What was read around.
    repairs: Vec<Repair>,
}

impl Walk {
    fn read<R: Read + Seek>(source: &mut R, is_aifc: bool) -> Result<Self, Error> {
        let end = source.seek(SeekFrom::End(0))?;
        let mut walk = Self::default();
        let mut at = 12;
        let mut chunks = 0;
        while end.saturating_sub(at) >= 8 {
            chunks += 1;
            if chunks > MOST_CHUNKS {
                return Err(Error::limit("chunks", format!("up to {MOST_CHUNKS}"), "more"));
            }
            source.seek(SeekFrom::Start(at))?;
            let mut head = [0; 8];
            source.read_exact(&mut head)?;
            let id = [head[0], head[1], head[2], head[3]];
            let size = u64::from(u32::from_be_bytes([head[4], head[5], head[6], head[7]]));
            let is_name = id.iter().all(|byte| (0x20..0x7F).contains(byte));
            if !is_name {
                // Padding of zeros is common; all else may be where a wrong size has led.
                let text = format!("no chunk begins at byte {at}; {} bytes are not read", end - at);
                walk.repairs.extend((head != [0; 8]).then_some(Repair(text)));
                break;
            }
            walk.take(source, id, at + 8..at + 8 + size, end, is_aifc)?;
            at += 8 + size + (size & 1);
        }
        Ok(walk)
    }

    /// Whether there was a chunk of this name, of which there may be one.
    fn has(&self, id: [u8; 4]) -> bool {
        if &id == b"COMM" { self.common.is_some() } else { self.sound.is_some() }
    }

    /// Takes the chunk whose contents claim these bytes of a file that ends at `end`; the source stands at their first.
    fn take<R: Read>(
        &mut self,
        source: &mut R,
        id: [u8; 4],
        claimed: Range<u64>,
        end: u64,
        is_aifc: bool,
    ) -> Result<(), Error> {
        let (size, available) = (claimed.end - claimed.start, end - claimed.start);
        match &id {
            b"COMM" | b"SSND" if self.has(id) => {
                let id = String::from_utf8_lossy(&id);
                self.repairs.push(Repair(format!("there are several {id} chunks; the first one counts")));
            }
            b"COMM" => self.common = Common::parse(&read(source, size.min(available).min(1024))?, is_aifc),
            b"SSND" if available >= 8 => {
                let fields = read(source, 8)?;
                let offset = u64::from(u32::from_be_bytes(four(&fields, 0).unwrap_or_default()));
                self.in_blocks = four(&fields, 4).is_some_and(|size| size != [0; 4]);
                self.sound = Some(claimed.start + 8 + offset..claimed.end.min(end));
            }
            _ if size <= available && self.carried + size <= MOST_CARRIED_BYTES => {
                self.carried += size;
                self.found.take(id, &read(source, size)?);
            }
            _ if size > available => {
                let id = String::from_utf8_lossy(&id);
                let text = format!("its {id:?} chunk claims {size} bytes, {available} are left");
                self.repairs.push(Repair(text));
            }
            _ => {}
        }
        Ok(())
    }
}

/// Reads the chunks of an AIFF file.
pub(crate) fn open<R: Read + Seek>(source: &mut R, is_aifc: bool) -> Result<Aiff, Error> {
    let walk = Walk::read(source, is_aifc)?;
    let common = walk.common.ok_or_else(|| Error::malformed("there is no COMM chunk", 12))?;
    let sound = walk.sound.ok_or(Error::NoAudio)?;
    let stored = common.coding()?;
    let mut format = Format {
        container: if is_aifc { Container::Aifc } else { Container::Aiff },
        codec: stored.codec,
        rate_hz: common.rate_hz,
        channels: common.channels,
        bits: stored.valid_bits,
        float: stored.codec == Codec::PcmFloat,
        channel_mask: None,
        frames: Some(common.frames),
    };
    format.check()?;
    let frame_bytes = stored.coding.bytes() as u64 * u64::from(common.channels);
    let held = sound.end.saturating_sub(sound.start) / frame_bytes;
    // Where samples stand in blocks, the last one is padded; else more than is stated is sound, as in a WAV file.
    let is_understated = held > common.frames && !walk.in_blocks;
    let present = if is_understated { held } else { held.min(common.frames) };
    if present == 0 {
        return Err(Error::NoAudio);
    }
    let lost = common.frames.saturating_sub(present);
    let damage = (lost > 0).then(|| Damage::truncated(present, lost));
    let mut repairs = walk.repairs;
    repairs.extend((held > common.frames).then(|| {
        let stated = common.frames;
        let text = format!(
            "its SSND chunk holds {held} frames, its COMM chunk states {stated}; {present} of them are read"
        );
        Repair(text)
    }));
    format.frames = Some(common.frames.max(present));
    Ok(Aiff {
        format,
        pcm: PcmStream {
            coding: stored.coding,
            big_endian: stored.big_endian,
            channels: usize::from(common.channels),
            offset: sound.start,
            frames: present,
            position: 0,
        },
        damage: damage.into_iter().collect(),
        repairs,
        chunks: walk.found.chunks(),
    })
}

fn read<R: Read>(source: &mut R, bytes: u64) -> Result<Vec<u8>, Error> {
    let mut contents = vec![0; bytes as usize];
    source.read_exact(&mut contents)?;
    Ok(contents)
}
