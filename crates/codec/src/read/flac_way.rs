//! The blocks before the first frame of a FLAC stream, and where that frame is, also where their sizes lead elsewhere. It knows
//! what no block but padding holds.
//!
//! Source: RFC 9639, section 8.1.

use std::io::{Read, Result as IoResult, Seek, SeekFrom};

use crate::read::flac_frame::Frame;
use crate::read::stream::Repair;

/// A stream with more blocks than this is not a stream but an attack.
const MOST_BLOCKS: usize = 4096;

/// The first block is the one about the stream, STREAMINFO: where it begins, where its contents do, what they hold, and
/// where it ends.
const FIRST_AT: u64 = 4;
pub(super) const INFO_AT: u64 = FIRST_AT + 4;
pub(super) const INFO_BYTES: u64 = 34;
const INFO_END: u64 = INFO_AT + INFO_BYTES;

/// How far a first frame is looked for where the sizes do not lead to it: behind the pictures that streams hold.
const MOST_SEARCHED: u64 = 16 << 20;

/// The last kind of block that means something, and that of padding.
const LAST_KIND: u8 = 6;
const PADDING: u8 = 1;

/// Bytes before the frames that read as others, and why.
#[derive(Debug, Default)]
pub(super) struct Head {
    pub(super) bytes: Vec<(u64, u8)>,
    pub(super) repairs: Vec<Repair>,
}

/// Where the sizes of the blocks lead.
pub(super) struct Way {
    /// Where each block begins, up to the first of a kind that nobody knows.
    blocks: Vec<u64>,
    /// Where the first frame should be.
    pub(super) end: u64,
}

/// Goes along the blocks. The first one, STREAMINFO, has its size whatever it says; a second one reads as padding.
pub(super) fn walk<R: Read + Seek>(source: &mut R, found: &mut Head) -> IoResult<Way> {
    let mut way = Way { blocks: Vec::new(), end: FIRST_AT };
    for number in 0..MOST_BLOCKS {
        source.seek(SeekFrom::Start(way.end))?;
        let mut head = Vec::new();
        source.take(4).read_to_end(&mut head)?;
        let &[flags, a, b, c] = &head[..] else { break };
        let kind = flags & 0x7F;
        if kind == 0 && number > 0 {
            found.bytes.push((way.end, flags | PADDING));
            let text = "there are several blocks about the stream (STREAMINFO); the first one counts";
            found.repairs.push(Repair(text.to_owned()));
        }
        if kind <= LAST_KIND && way.blocks.len() == number {
            way.blocks.push(way.end);
        }
        let stated = u64::from(u32::from_be_bytes([0, a, b, c]));
        if number == 0 && stated != INFO_BYTES {
            found.bytes.extend(block_head(way.end, flags, INFO_BYTES));
            found.repairs.push(Repair(format!("its first block says {stated} bytes; it has {INFO_BYTES}")));
        }
        way.end += 4 + if number == 0 { INFO_BYTES } else { stated };
        if flags & 0x80 != 0 {
            break;
        }
    }
    Ok(way)
}

/// The head of the frame at `at`, where there is one.
pub(super) fn frame_at<R: Read + Seek>(source: &mut R, at: u64) -> IoResult<Option<Frame>> {
    source.seek(SeekFrom::Start(at))?;
    let mut bytes = Vec::new();
    source.take(16).read_to_end(&mut bytes)?;
    Ok(Frame::parse(&bytes))
}

/// The first frame of the stream, and where it is: by its number, since one that is not the first would leave out sound.
pub(super) fn search<R: Read + Seek>(
    source: &mut R,
    fits: &dyn Fn(&Frame) -> bool,
) -> IoResult<Option<(u64, Frame)>> {
    source.seek(SeekFrom::Start(INFO_END))?;
    let mut bytes = Vec::new();
    source.take(MOST_SEARCHED).read_to_end(&mut bytes)?;
    let frames = (0..bytes.len()).filter(|&at| bytes[at] == 0xFF).filter_map(|at| {
        let end = bytes.len().min(at + 16);
        Some((INFO_END + at as u64, Frame::parse(&bytes[at..end])?))
    });
    Ok(frames.into_iter().find(|(_, frame)| frame.is_first && fits(frame)))
}

/// A block's head with these flags and this size, byte by byte.
fn block_head(at: u64, flags: u8, bytes: u64) -> impl Iterator<Item = (u64, u8)> {
    let [.., a, b, c] = bytes.to_be_bytes();
    (at..).zip([flags, a, b, c])
}

impl Way {
    /// Lets the blocks end at the first frame: the last one before it reads as padding up to there.
    pub(super) fn lead_to(&self, frame: u64, head: &mut Head) {
        let behind = |block: &&u64| (INFO_END..=frame.saturating_sub(4)).contains(*block);
        let last = self.blocks.iter().rev().find(behind).copied();
        let padding = last.or_else(|| (frame >= INFO_END + 4).then_some(INFO_END));
        // What reads otherwise behind it may be samples; what was said of blocks there is not so.
        head.bytes.retain(|(at, _)| *at < padding.unwrap_or(FIRST_AT));
        head.repairs.clear();
        match padding {
            Some(block) => head.bytes.extend(block_head(block, 0x80 | PADDING, frame - block - 4)),
            None => head.bytes.extend(block_head(FIRST_AT, 0x80, INFO_BYTES)),
        }
        let text = "the sizes of the blocks before its sound do not lead there; the last of them is not read, and the sound is \
                    read from its first frame on";
        head.repairs.push(Repair(text.to_owned()));
    }
}
