//! Changed FLAC streams: metadata blocks, the heads of frames with right and wrong check sums, frames out of their places.
//!
//! Source: RFC 9639, sections 8 and 9.

use super::Mutant;
use super::changes::odd_number;
use crate::Random;

/// A metadata block: type without the flag of the last one, and contents.
#[derive(Debug, Clone)]
struct Block {
    kind: u8,
    is_last: bool,
    stated: Option<u32>,
    body: Vec<u8>,
}

/// A stream in parts.
#[derive(Debug, Clone)]
struct Stream {
    blocks: Vec<Block>,
    frames: Vec<Vec<u8>>,
}

/// Polynomial x^8 + x^2 + x + 1 (RFC 9639, section 9.1.8).
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |crc, byte| {
        (0..8).fold(crc ^ byte, |crc: u8, _| if crc & 0x80 == 0 { crc << 1 } else { crc << 1 ^ 0x07 })
    })
}

/// Polynomial x^16 + x^15 + x^2 + 1 (RFC 9639, section 9.3).
fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0, |crc, byte| {
        let crc = crc ^ u16::from(*byte) << 8;
        (0..8).fold(crc, |crc: u16, _| if crc & 0x8000 == 0 { crc << 1 } else { crc << 1 ^ 0x8005 })
    })
}

/// Bytes of the head of a frame, without its check sum.
fn head_bytes(frame: &[u8]) -> usize {
    let number = match frame[4] {
        byte if byte < 0x80 => 1,
        byte => byte.leading_ones() as usize,
    };
    let block =
        [(6, 1), (7, 2)].iter().find(|(code, _)| *code == frame[2] >> 4).map_or(0, |(_, bytes)| *bytes);
    let rate = [(12, 1), (13, 2), (14, 2)].iter().find(|(code, _)| *code == frame[2] & 15);
    4 + number + block + rate.map_or(0, |(_, bytes)| *bytes)
}

impl Stream {
    fn of(file: &[u8]) -> Self {
        let (mut at, mut blocks) = (4, Vec::new());
        loop {
            let bytes = u32::from_be_bytes([0, file[at + 1], file[at + 2], file[at + 3]]) as usize;
            let body = file[at + 4..at + 4 + bytes].to_vec();
            let is_last = file[at] & 0x80 != 0;
            blocks.push(Block { kind: file[at] & 0x7F, is_last, stated: None, body });
            at += 4 + bytes;
            if is_last {
                break;
            }
        }
        Self { blocks, frames: frames(&file[at..]) }
    }

    fn to_bytes(&self) -> Vec<u8> {
        let mut file = b"fLaC".to_vec();
        for block in &self.blocks {
            file.push(block.kind | u8::from(block.is_last) << 7);
            let bytes = block.stated.unwrap_or(block.body.len() as u32);
            file.extend(&bytes.to_be_bytes()[1..]);
            file.extend(&block.body);
        }
        file.extend(self.frames.concat());
        file
    }
}

/// The frames of a stream: each ends where its check sum is right and another head follows.
fn frames(mut rest: &[u8]) -> Vec<Vec<u8>> {
    let is_head = |at: &[u8]| {
        at.len() > 16
            && at[0] == 0xFF
            && at[1] & 0xFE == 0xF8
            && crc8(&at[..head_bytes(at)]) == at[head_bytes(at)]
    };
    let mut frames = Vec::new();
    while !rest.is_empty() {
        let ends = (18..rest.len()).find(|end| is_head(&rest[*end..]) && crc16(&rest[..*end]) == 0);
        let (frame, others) = rest.split_at(ends.unwrap_or(rest.len()));
        frames.push(frame.to_vec());
        rest = others;
    }
    frames
}

/// Writes the check sums of a frame anew.
fn check(frame: &mut Vec<u8>) {
    let head = head_bytes(frame).min(frame.len() - 3);
    frame[head] = crc8(&frame[..head]);
    let end = frame.len() - 2;
    let sum = crc16(&frame[..end]);
    frame.truncate(end);
    frame.extend(sum.to_be_bytes());
}

/// Fields of STREAMINFO in bits (RFC 9639, section 8.2).
const FIELDS: &[(&str, usize, usize)] = &[
    ("least block", 0, 16),
    ("most block", 16, 16),
    ("least frame", 32, 24),
    ("most frame", 56, 24),
    ("rate", 80, 20),
    ("channels", 100, 3),
    ("bits", 103, 5),
    ("frames", 108, 36),
    ("digest", 144, 64),
];

fn set_bits(bytes: &mut [u8], from: usize, count: usize, value: u64) {
    for bit in 0..count {
        let (at, mask) = ((from + bit) / 8, 0x80 >> ((from + bit) % 8));
        let Some(byte) = bytes.get_mut(at) else { return };
        if value >> (count - 1 - bit) & 1 == 1 { *byte |= mask } else { *byte &= !mask }
    }
}

fn bits(bytes: &[u8], from: usize, count: usize) -> u64 {
    let bit = |at: usize| u64::from(bytes.get(at / 8).is_some_and(|byte| byte >> (7 - at % 8) & 1 == 1));
    (from..from + count).fold(0, |value, at| value << 1 | bit(at))
}

/// A changed stream.
pub(super) fn mutant(file: &[u8], times: usize, draw: &mut Random) -> Mutant {
    let whole = Stream::of(file);
    assert!(whole.to_bytes() == file && !whole.frames.is_empty(), "a stream is written as it was read");
    let mut stream = whole;
    let (mut changes, mut touched, mut heads, mut cut) = (Vec::new(), false, false, None);
    for _ in 0..times {
        changes.push(match draw.below(8) {
            0 | 1 => field(&mut stream, draw),
            2 => block(&mut stream, draw),
            3 | 4 => {
                heads = true;
                head(&mut stream, draw)
            }
            5 => {
                touched = true;
                places(&mut stream, draw)
            }
            6 => check_sum(&mut stream, draw),
            _ => {
                let bytes = stream.to_bytes().len();
                let end = draw.below(bytes + 1);
                touched = true;
                cut = Some(end);
                format!("the file ends at byte {end} of {bytes}")
            }
        });
    }
    let mut bytes = stream.to_bytes();
    bytes.truncate(cut.unwrap_or(usize::MAX));
    // Without a digest, another head with right check sums cannot be told from a right one.
    let digest = stream.blocks.iter().find(|block| block.kind == 0).and_then(|block| block.body.get(18..34));
    let speaks_otherwise = heads && digest.is_none_or(|digest| digest.iter().all(|byte| *byte == 0));
    Mutant { bytes, changes, touched, speaks_otherwise }
}

fn field(stream: &mut Stream, draw: &mut Random) -> String {
    let (name, from, count) = FIELDS[draw.below(FIELDS.len())];
    let Some(info) = stream.blocks.iter_mut().find(|block| block.kind == 0) else {
        return "there is no STREAMINFO to change".to_owned();
    };
    let old = bits(&info.body, from, count);
    let most = if count == 64 { u64::MAX } else { (1 << count) - 1 };
    let value = odd_number(old, most, draw);
    set_bits(&mut info.body, from, count, value);
    if name == "digest" && draw.below(2) == 0 {
        info.body.iter_mut().skip(18).for_each(|byte| *byte = 0);
        return "there is no digest".to_owned();
    }
    format!("{name} of STREAMINFO is {value:#x} instead of {old:#x}")
}

fn block(stream: &mut Stream, draw: &mut Random) -> String {
    let index = draw.below(stream.blocks.len());
    let other = draw.below(stream.blocks.len());
    let Some(block) = stream.blocks.get_mut(index) else { return "there is no block to change".to_owned() };
    match draw.below(6) {
        0 => {
            let size = odd_number(block.body.len() as u64, 0xFF_FFFF, draw) as u32;
            block.stated = Some(size);
            format!("the size of block {index} is {size:#x}, it has {:#x}", block.body.len())
        }
        1 => {
            block.kind = [0, 1, 2, 3, 4, 5, 6, 9, 126, 127][draw.below(10)];
            format!("block {index} is of type {}", block.kind)
        }
        2 => {
            block.is_last = !block.is_last;
            format!(
                "block {index} says that {}",
                if block.is_last { "it is the last" } else { "another follows" }
            )
        }
        3 => {
            let copy = block.clone();
            stream.blocks.insert(other, copy);
            format!("block {index} stands in place {other} too")
        }
        4 => {
            let gone = stream.blocks.remove(index);
            // The flag goes to the one before, so that the frames are found.
            if let Some(last) = stream.blocks.last_mut().filter(|_| gone.is_last) {
                last.is_last = true;
            }
            format!("block {index} of type {} is left out", gone.kind)
        }
        _ => {
            let bytes = draw.below(block.body.len() + 9);
            block.body.resize(bytes, 0);
            format!("block {index} has {bytes} bytes")
        }
    }
}

/// A field in the head of a frame, with check sums that are right one time in two.
fn head(stream: &mut Stream, draw: &mut Random) -> String {
    let index = draw.below(stream.frames.len());
    let Some(frame) = stream.frames.get_mut(index) else { return "there is no frame to change".to_owned() };
    let (name, at, shift, mask) = [
        ("block size", 2, 4, 15),
        ("rate", 2, 0, 15),
        ("channels", 3, 4, 15),
        ("bits", 3, 1, 7),
        ("reserved bit", 3, 0, 1),
        ("strategy", 1, 0, 1),
        ("number", 4, 0, 255),
    ][draw.below(7)];
    let value = draw.number() as u8 & mask;
    frame[at] = frame[at] & !(mask << shift) | value << shift;
    let is_right = draw.below(2) == 0;
    if is_right {
        check(frame);
    }
    format!("{name} of frame {index} is {value}, check sums are {}", if is_right { "right" } else { "wrong" })
}

fn places(stream: &mut Stream, draw: &mut Random) -> String {
    let (a, b) = (draw.below(stream.frames.len()), draw.below(stream.frames.len()));
    if stream.frames.is_empty() {
        return "there is no frame to move".to_owned();
    }
    match draw.below(4) {
        0 => {
            stream.frames.swap(a, b);
            format!("frames {a} and {b} change places")
        }
        1 => {
            let copy = stream.frames[a].clone();
            stream.frames.insert(b, copy);
            format!("frame {a} stands in place {b} too")
        }
        2 => {
            stream.frames.remove(a);
            format!("frame {a} is left out")
        }
        _ => {
            let at = draw.below(stream.frames[a].len());
            stream.frames[a][at] ^= 1 << draw.below(8);
            format!("a bit of byte {at} of frame {a} is another")
        }
    }
}

/// A wrong check sum over right bytes, or litter between frames.
fn check_sum(stream: &mut Stream, draw: &mut Random) -> String {
    let index = draw.below(stream.frames.len());
    let Some(frame) = stream.frames.get_mut(index) else { return "there is no frame to change".to_owned() };
    match draw.below(3) {
        0 => {
            let at = head_bytes(frame).min(frame.len() - 1);
            frame[at] ^= 0x55;
            format!("the check sum of the head of frame {index} is wrong")
        }
        1 => {
            let at = frame.len() - 1;
            frame[at] ^= 0x55;
            format!("the check sum of frame {index} is wrong")
        }
        _ => {
            let litter = vec![[0, 0xFF, 0x55][draw.below(3)]; 1 + draw.below(40)];
            let text = format!("{} bytes of litter stand behind frame {index}", litter.len());
            frame.extend(litter);
            text
        }
    }
}
