//! What the first block of a FLAC stream and the head of its first frame say of the same numbers, and the frame's where they
//! differ: the decoder would refuse all frames by the first block, although each says how it is to be read.
//!
//! Source: RFC 9639, sections 8.2 and 9.1. It knows no other block, and nothing of the samples.

use std::io::{Read, Result as IoResult, Seek, SeekFrom};

use crate::read::stream::Repair;

/// First byte of STREAMINFO in a stream, behind the magic and the head of the block, and its bytes.
const INFO_AT: u64 = 8;
const INFO_BYTES: usize = 34;

/// A stream with more blocks than this is not a stream but an attack.
const MOST_BLOCKS: usize = 4096;

/// Bytes of STREAMINFO that read as others, and why.
#[derive(Debug, Default)]
pub(super) struct Head {
    pub(super) bytes: Vec<(u64, u8)>,
    pub(super) repairs: Vec<Repair>,
}

/// What the head of a frame says; 0 where it says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Frame {
    is_fixed: bool,
    block: u64,
    rate_hz: u64,
    channels: u64,
    bits: u64,
}

/// A field of STREAMINFO: its first bit and how many it has.
type Field = (usize, usize);

const LEAST_BLOCK: Field = (0, 16);
const MOST_BLOCK: Field = (16, 16);
const LEAST_FRAME: Field = (32, 24);
const MOST_FRAME: Field = (56, 24);
const RATE: Field = (80, 20);
const CHANNELS: Field = (100, 3);
const BITS: Field = (103, 5);
const FRAMES: Field = (108, 36);

/// Compares both; a stream that ends before has nothing to compare.
pub(super) fn read<R: Read + Seek>(source: &mut R) -> Head {
    compared(source).unwrap_or_default()
}

fn compared<R: Read + Seek>(source: &mut R) -> IoResult<Head> {
    let mut head = Head::default();
    let mut info = [0; INFO_BYTES];
    source.seek(SeekFrom::Start(INFO_AT))?;
    source.read_exact(&mut info)?;
    let first = first_frame(source, &mut head)?;
    source.seek(SeekFrom::Start(first))?;
    let mut bytes = Vec::new();
    source.take(16).read_to_end(&mut bytes)?;
    let Some(frame) = Frame::parse(&bytes) else { return Ok(head) };
    let before = info;
    frame.correct(&mut info, &mut head.repairs);
    let changed = (INFO_AT..).zip(info).zip(before).filter(|((_, now), then)| now != then);
    head.bytes.extend(changed.map(|(now, _)| now));
    Ok(head)
}

/// Where the frames begin. A second STREAMINFO reads as padding.
fn first_frame<R: Read + Seek>(source: &mut R, found: &mut Head) -> IoResult<u64> {
    let mut at = 4;
    for number in 0..MOST_BLOCKS {
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0; 4];
        source.read_exact(&mut head)?;
        let kind = head[0] & 0x7F;
        if number > 0 && kind == 0 {
            found.bytes.push((at, head[0] | 1));
            let text = "there are several blocks about the stream (STREAMINFO); the first one counts";
            found.repairs.push(Repair(text.to_owned()));
        }
        at += 4 + u64::from(u32::from_be_bytes([0, head[1], head[2], head[3]]));
        if head[0] & 0x80 != 0 {
            break;
        }
    }
    Ok(at)
}

fn value(info: &[u8; INFO_BYTES], (from, count): Field) -> u64 {
    let bit = |at: usize| u64::from(info[at / 8] >> (7 - at % 8) & 1);
    (from..from + count).fold(0, |value, at| value << 1 | bit(at))
}

fn set(info: &mut [u8; INFO_BYTES], (from, count): Field, value: u64) {
    for bit in 0..count {
        let (at, mask) = ((from + bit) / 8, 0x80 >> ((from + bit) % 8));
        let is_set = value >> (count - 1 - bit) & 1 == 1;
        info[at] = if is_set { info[at] | mask } else { info[at] & !mask };
    }
}

/// The check sum of a frame's head: x^8 + x^2 + x + 1.
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| {
        (0..8).fold(sum ^ byte, |sum: u8, _| if sum & 0x80 == 0 { sum << 1 } else { sum << 1 ^ 7 })
    })
}

impl Frame {
    /// The head of a frame; `None` where its check sum is wrong, or where it is none.
    fn parse(bytes: &[u8]) -> Option<Self> {
        if bytes.first() != Some(&0xFF) || bytes.get(1)? & 0xFE != 0xF8 {
            return None;
        }
        let (sizes, layout) = (bytes.get(2)?, bytes.get(3)?);
        let mut at = 4
            + usize::from(*bytes.get(4)? >= 0xC0) * (bytes[4].leading_ones() as usize).saturating_sub(1)
            + 1;
        let mut number = |count: usize| {
            let field = bytes.get(at..at + count)?;
            at += count;
            Some(field.iter().fold(0, |value, byte| value << 8 | u64::from(*byte)))
        };
        let block = match sizes >> 4 {
            1 => 192,
            code @ 2..=5 => 576 << (code - 2),
            6 => number(1)? + 1,
            7 => number(2)? + 1,
            code @ 8..=15 => 256 << (code - 8),
            _ => return None,
        };
        let rate_hz = match sizes & 15 {
            0 => 0,
            code @ 1..=11 => {
                [88_200, 176_400, 192_000, 8_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 96_000]
                    [usize::from(code) - 1]
            }
            12 => number(1)? * 1000,
            13 => number(2)?,
            14 => number(2)? * 10,
            _ => return None,
        };
        let channels = match layout >> 4 {
            code @ 0..=7 => u64::from(code) + 1,
            8..=10 => 2,
            _ => return None,
        };
        let bits = *[0, 8, 12, 0, 16, 20, 24, 32].get(usize::from(layout >> 1 & 7))?;
        let is_right = bytes.get(at) == Some(&crc8(bytes.get(..at)?));
        is_right.then_some(Self { is_fixed: bytes[1] & 1 == 0, block, rate_hz, channels, bits })
    }

    /// Brings STREAMINFO in line with the frame, and says what was wrong.
    fn correct(self, info: &mut [u8; INFO_BYTES], repairs: &mut Vec<Repair>) {
        let mut tell = |what: &str, stated: String, found: String| {
            let text = format!(
                "its first block says {stated} {what}, its first frame {found}; the frame is followed"
            );
            repairs.push(Repair(text));
        };
        for (what, field, offset, found) in [
            ("Hz", RATE, 0, self.rate_hz),
            ("channels", CHANNELS, 1, self.channels),
            ("bits", BITS, 1, self.bits),
        ] {
            let stated = value(info, field) + offset;
            if found != 0 && found != stated && found - offset < 1 << field.1 {
                set(info, field, found - offset);
                tell(what, stated.to_string(), found.to_string());
            }
        }
        let (least, most, frames) = (value(info, LEAST_BLOCK), value(info, MOST_BLOCK), value(info, FRAMES));
        // The last block of a stream may be shorter, and the first may be the last.
        let is_one = (1..=self.block).contains(&frames);
        let can_be = (16..=most).contains(&least) && most >= self.block;
        let fits = if self.is_fixed && !is_one { least == most && most == self.block } else { can_be };
        if !fits && (is_one || self.block >= 16) {
            let block = self.block.max(16);
            let (low, high) = if self.is_fixed { (block, block) } else { (16, 65_535) };
            set(info, LEAST_BLOCK, low);
            set(info, MOST_BLOCK, high);
            tell("frames a block", format!("{least} to {most}"), self.block.to_string());
        }
        let (least, most) = (value(info, LEAST_FRAME), value(info, MOST_FRAME));
        if most != 0 && least > most {
            // 0 is "not known".
            set(info, LEAST_FRAME, 0);
            set(info, MOST_FRAME, 0);
            let text = format!(
                "its first block says {least} to {most} bytes a frame, which cannot be; they are not asked"
            );
            repairs.push(Repair(text));
        }
    }
}
