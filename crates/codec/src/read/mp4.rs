//! The edit list of an MP4 file: which frames of its stream are the sound. The coder's delay and the padding at the end
//! stand there, and general readers leave it alone.
//!
//! Source: ISO/IEC 14496-12, boxes `mvhd`, `mdhd`, `hdlr` and `elst` (layouts from memory).
//!
//! Knows nothing of the samples, which symphonia reads.

use std::io::{Read, Seek, SeekFrom};

/// Boxes in one box; more are an attack.
const MOST_BOXES: usize = 4096;

/// Delays of coders are a few thousand frames; an edit that begins later than this is a cut.
const MOST_DELAY_FRAMES: u64 = 1 << 16;

/// The stretch of a stream that is its sound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Edit {
    /// Frames of the stream before it.
    pub(crate) start: u64,
    /// Its frames; `None` is "to the end".
    pub(crate) frames: Option<u64>,
}

/// A box: its type, and where its contents are.
type Place = ([u8; 4], u64, u64);

/// The edit of the first audio track: `None` where it states none, or cuts.
pub(crate) fn edit<R: Read + Seek>(source: &mut R) -> Option<Edit> {
    let end = source.seek(SeekFrom::End(0)).ok()?;
    let moov = find(source, (0, end), *b"moov")?;
    let movie_hz = timescale(source, moov, *b"mvhd")?;
    let tracks = boxes(source, moov).into_iter().filter(|(id, ..)| id == b"trak");
    for (_, start, end) in tracks {
        let Some(mdia) = find(source, (start, end), *b"mdia") else { continue };
        let Some(handler) = find(source, mdia, *b"hdlr").and_then(|at| read(source, at, 12)) else {
            continue;
        };
        if handler.get(8..12) == Some(b"soun") {
            let track_hz = timescale(source, mdia, *b"mdhd")?;
            let edits = find(source, (start, end), *b"edts")?;
            let list = find(source, edits, *b"elst")?;
            return single(&read(source, list, 28)?, movie_hz, track_hz);
        }
    }
    None
}

/// One entry: its duration by the movie's clock, and its first frame by the track's.
fn single(list: &[u8], movie_hz: u32, track_hz: u32) -> Option<Edit> {
    let number = |at: usize, size: usize| {
        let bytes = list.get(at..at + size)?;
        Some(bytes.iter().fold(0, |number, byte| number << 8 | u64::from(*byte)))
    };
    let size = if *list.first()? == 1 { 8 } else { 4 };
    let (duration, start) = (number(8, size)?, number(8 + size, size)?);
    let is_empty = start >> (size * 8 - 1) == 1;
    if number(4, 4)? != 1 || is_empty || start > MOST_DELAY_FRAMES || movie_hz == 0 {
        return None;
    }
    let frames = u128::from(duration) * u128::from(track_hz) / u128::from(movie_hz);
    Some(Edit { start, frames: u64::try_from(frames).ok().filter(|frames| *frames > 0) })
}

/// Units a second, as the header in a box says.
fn timescale<R: Read + Seek>(source: &mut R, parent: (u64, u64), header: [u8; 4]) -> Option<u32> {
    let header = find(source, parent, header)?;
    let bytes = read(source, header, 28)?;
    let at = if *bytes.first()? == 1 { 20 } else { 12 };
    bytes.get(at..at + 4)?.try_into().ok().map(u32::from_be_bytes)
}

fn read<R: Read + Seek>(source: &mut R, (start, end): (u64, u64), most: u64) -> Option<Vec<u8>> {
    source.seek(SeekFrom::Start(start)).ok()?;
    let mut bytes = Vec::new();
    source.take((end - start).min(most)).read_to_end(&mut bytes).ok()?;
    Some(bytes)
}

fn find<R: Read + Seek>(source: &mut R, parent: (u64, u64), wanted: [u8; 4]) -> Option<(u64, u64)> {
    let found = boxes(source, parent).into_iter().find(|(id, ..)| *id == wanted);
    found.map(|(_, start, end)| (start, end))
}

fn boxes<R: Read + Seek>(source: &mut R, (start, end): (u64, u64)) -> Vec<Place> {
    let mut found = Vec::new();
    let mut at = start;
    while found.len() < MOST_BOXES
        && let Some(one) = next(source, at, end)
    {
        found.push(one);
        at = one.2;
    }
    found
}

/// The box that begins at `at`; one that claims to be longer than its parent ends with it.
fn next<R: Read + Seek>(source: &mut R, at: u64, end: u64) -> Option<Place> {
    let head = read(source, (at, end.max(at)), 16)?;
    let size = u64::from(u32::from_be_bytes(*head.first_chunk()?));
    let id = *head.get(4..)?.first_chunk()?;
    let (head_bytes, size) = match size {
        // Size 1: 64 bits behind the type. Size 0: up to the end.
        1 => (16, u64::from_be_bytes(*head.get(8..)?.first_chunk()?)),
        0 => (8, end - at),
        size => (8, size),
    };
    (size >= head_bytes)
        .then(|| (id, at + head_bytes, at.saturating_add(size).min(end)))
        .filter(|(_, start, end)| start <= end)
}
