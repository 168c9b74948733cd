//! AIFF and AIFF-C with uncompressed samples, big- and little-endian.
//!
//! Sources: Audio Interchange File Format 1.3 (1989) and AIFF-C (1991). Our own reader: it shares the unpacker with
//! WAV, and reads the little-endian and odd-sized forms that general decoders refuse.

use std::io::{Read, Seek, SeekFrom};

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

    /// Codec, coding, valid bits and whether the samples are big-endian.
    fn coding(&self) -> Result<(Codec, Coding, u16, bool), Error> {
        let bytes = usize::from(self.bits.div_ceil(8));
        let int = |bytes: usize, bits: u16, big_endian: bool| {
            Ok((Codec::PcmInt, Coding::Int(bytes), bits, big_endian))
        };
        match &self.compression {
            b"NONE" | b"twos" if (1..=8).contains(&bytes) => int(bytes, self.bits, true),
            b"sowt" if (1..=8).contains(&bytes) => int(bytes, self.bits, false),
            b"in24" => int(3, 24, true),
            // libsndfile writes the second.
            b"42ni" | b"42n1" => int(3, 24, false),
            b"in32" => int(4, 32, true),
            b"23ni" => int(4, 32, false),
            b"raw " => Ok((Codec::PcmInt, Coding::U8, 8, true)),
            b"fl32" | b"FL32" => Ok((Codec::PcmFloat, Coding::F32, 32, true)),
            b"fl64" | b"FL64" => Ok((Codec::PcmFloat, Coding::F64, 64, true)),
            b"alaw" | b"ALAW" => Ok((Codec::ALaw, Coding::ALaw, 16, true)),
            b"ulaw" | b"ULAW" => Ok((Codec::MuLaw, Coding::MuLaw, 16, true)),
            b"NONE" | b"twos" | b"sowt" => Err(Error::limit("bits", "1 to 64", self.bits)),
            other => Err(Error::unsupported(format!(
                "an AIFF-C file with compression {:?}",
                String::from_utf8_lossy(other)
            ))),
        }
    }
}

/// Reads the chunks of an AIFF file.
pub(crate) fn open<R: Read + Seek>(source: &mut R, is_aifc: bool) -> Result<Aiff, Error> {
    let end = source.seek(SeekFrom::End(0))?;
    let (mut common, mut sound, mut found) = (None, None, Found::default());
    let mut carried = 0;
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
        let size = u64::from(u32::from_be_bytes([head[4], head[5], head[6], head[7]]));
        let start = at + 8;
        match &head[..4] {
            b"COMM" => common = Common::parse(&read(source, size.min(end - start).min(1024))?, is_aifc),
            b"SSND" if end - start >= 8 => {
                let fields = read(source, 8)?;
                let offset = u64::from(u32::from_be_bytes(four(&fields, 0).unwrap_or_default()));
                sound = Some((start + 8 + offset, (start + size).min(end)));
            }
            id if size <= end - start && carried + size <= MOST_CARRIED_BYTES => {
                carried += size;
                found.take([id[0], id[1], id[2], id[3]], &read(source, size)?);
            }
            _ => {}
        }
        at = start + size + (size & 1);
    }
    let common = common.ok_or_else(|| Error::malformed("there is no COMM chunk", 12))?;
    let (offset, sound_end) = sound.ok_or(Error::NoAudio)?;
    let (codec, coding, bits, big_endian) = common.coding()?;
    let format = Format {
        container: if is_aifc { Container::Aifc } else { Container::Aiff },
        codec,
        rate_hz: common.rate_hz,
        channels: common.channels,
        bits,
        float: codec == Codec::PcmFloat,
        channel_mask: None,
        frames: Some(common.frames),
    };
    format.check()?;
    let frame_bytes = coding.bytes() as u64 * u64::from(common.channels);
    let held = sound_end.saturating_sub(offset) / frame_bytes;
    let present = held.min(common.frames);
    if present == 0 {
        return Err(Error::NoAudio);
    }
    let lost = common.frames - present;
    let damage = (lost > 0).then(|| Damage::truncated(present, lost));
    // Blocks may be padded, but more than is stated may as well be sound.
    let repair = (held > common.frames).then(|| {
        let text = format!(
            "its SSND chunk has room for {held} frames, its COMM chunk states {present}, which are read"
        );
        Repair(text)
    });
    let channels = usize::from(common.channels);
    let pcm = PcmStream { coding, big_endian, channels, offset, frames: present, position: 0 };
    Ok(Aiff {
        format,
        pcm,
        damage: damage.into_iter().collect(),
        repairs: repair.into_iter().collect(),
        chunks: found.chunks(),
    })
}

fn read<R: Read>(source: &mut R, bytes: u64) -> Result<Vec<u8>, Error> {
    let mut contents = vec![0; bytes as usize];
    source.read_exact(&mut contents)?;
    Ok(contents)
}
