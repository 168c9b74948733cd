//! The texts that a chunk holds, for the record. Knows which kinds of chunks hold texts, and nothing of time.

use super::flac::{CUE_SHEET, cue_sheet_texts};
use super::list::pieces;
use super::tags::id3_texts;
use super::text::readable;
use crate::Chunk;

/// The texts of a chunk, each with its name: titles and comments of `INFO` and ID3, labels and notes of markers.
pub(super) fn texts(chunk: &Chunk) -> Vec<String> {
    if &chunk.id == b"id3 " {
        return id3_texts(&chunk.bytes);
    }
    if chunk.id == CUE_SHEET {
        return cue_sheet_texts(&chunk.bytes);
    }
    let (b"LIST", Some((kind, rest))) = (&chunk.id, chunk.bytes.split_first_chunk::<4>()) else {
        return Vec::new();
    };
    let named = |id: [u8; 4], bytes: &[u8]| format!("{}={}", String::from_utf8_lossy(&id), readable(bytes));
    let read = |(id, bytes): ([u8; 4], &[u8])| match (kind, &id) {
        (b"INFO", _) => Some(named(id, bytes)),
        // The number of the marker stands before its text.
        (b"adtl", b"labl" | b"note") => Some(named(id, bytes.get(4..)?)),
        _ => None,
    };
    pieces(rest).into_iter().filter_map(read).collect()
}
