//! What the first block of a FLAC stream and the head of its first frame say of the same numbers, and the frame's where they
//! differ: the decoder would refuse all frames by the first block, although each says how it is to be read.
//!
//! Source: RFC 9639, section 8.2. It knows no other block, and nothing of the samples.

use std::io::{Read, Result as IoResult, Seek, SeekFrom};

use crate::read::flac_frame::Frame;
use crate::read::flac_way::{self, Head, INFO_AT};
use crate::read::stream::Repair;

/// Bytes of STREAMINFO.
const INFO_BYTES: usize = flac_way::INFO_BYTES as usize;

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
    let way = flac_way::walk(source, &mut head)?;
    let mut led_to = flac_way::frame_at(source, way.end)?;
    if led_to.is_none_or(|frame| !frame.is_first)
        && let Some((at, frame)) = flac_way::search(source, &|frame| is_of(frame, &info))?
    {
        way.lead_to(at, &mut head);
        led_to = Some(frame);
    }
    let Some(frame) = led_to else { return Ok(head) };
    let before = info;
    correct(&frame, &mut info, &mut head.repairs);
    let changed = (INFO_AT..).zip(info).zip(before).filter(|((_, now), then)| now != then);
    head.bytes.extend(changed.map(|(now, _)| now));
    Ok(head)
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

/// Whether a frame can be the first of the stream that this block is about: one field of it may be wrong.
fn is_of(frame: &Frame, info: &[u8; INFO_BYTES]) -> bool {
    let differs = |field: Field, offset: u64, found: u64| found != 0 && found != value(info, field) + offset;
    let fields = [(RATE, 0, frame.rate_hz), (CHANNELS, 1, frame.channels), (BITS, 1, frame.bits)];
    fields.into_iter().filter(|&(field, offset, found)| differs(field, offset, found)).count() <= 1
}

/// Brings STREAMINFO in line with the frame, and says what was wrong.
fn correct(frame: &Frame, info: &mut [u8; INFO_BYTES], repairs: &mut Vec<Repair>) {
    let mut tell = |what: &str, stated: String, found: String| {
        let text =
            format!("its first block says {stated} {what}, its first frame {found}; the frame is followed");
        repairs.push(Repair(text));
    };
    for (what, field, offset, found) in [
        ("Hz", RATE, 0, frame.rate_hz),
        ("channels", CHANNELS, 1, frame.channels),
        ("bits", BITS, 1, frame.bits),
    ] {
        let stated = value(info, field) + offset;
        if found != 0 && found != stated && found - offset < 1 << field.1 {
            set(info, field, found - offset);
            tell(what, stated.to_string(), found.to_string());
        }
    }
    let (least, most, frames) = (value(info, LEAST_BLOCK), value(info, MOST_BLOCK), value(info, FRAMES));
    // The last block of a stream may be shorter, and the first may be the last.
    let is_one = (1..=frame.block).contains(&frames);
    let can_be = (16..=most).contains(&least) && most >= frame.block;
    // Equal sizes say that all blocks have one, and the decoder takes only frames that say so too.
    let fits = match (frame.is_fixed, is_one) {
        (true, true) => can_be && least == most,
        (true, false) => least == most && most == frame.block,
        (false, _) => can_be && least != most,
    };
    if !fits && (is_one || frame.block >= 16) {
        let block = frame.block.max(16);
        let (low, high) = if frame.is_fixed { (block, block) } else { (16, 65_535) };
        set(info, LEAST_BLOCK, low);
        set(info, MOST_BLOCK, high);
        tell("frames a block", format!("{least} to {most}"), frame.block.to_string());
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
