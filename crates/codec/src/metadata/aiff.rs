//! What an AIFF file has beside its samples, in the words of RIFF. Source: Audio Interchange File Format 1.3 (1989).
//! Knows nothing of the samples, and moves nothing in time.

use super::cue::{CuePoint, markers};
use super::info::{info, named};
use super::sorted::Sorted;
use crate::Chunk;

/// Bytes that a marker's name has room for: one byte counts them.
pub(super) const MOST_NAME_BYTES: usize = 255;

/// Chunks of AIFF for what `INFO` calls so; everything else becomes an annotation.
const TEXTS: [([u8; 4], [u8; 4]); 3] = [(*b"INAM", *b"NAME"), (*b"IART", *b"AUTH"), (*b"ICOP", *b"(c) ")];

/// What was found so far.
#[derive(Default)]
pub(crate) struct Found {
    texts: Vec<(String, Vec<u8>)>,
    markers: Vec<CuePoint>,
    chunks: Vec<Chunk>,
}

impl Found {
    /// Takes a chunk that is neither `COMM` nor `SSND`.
    pub(crate) fn take(&mut self, id: [u8; 4], bytes: &[u8]) {
        let mut text = |name: &str, bytes: &[u8]| self.texts.push((name.to_owned(), trimmed(bytes)));
        match &id {
            b"NAME" => text("TITLE", bytes),
            b"AUTH" => text("ARTIST", bytes),
            b"(c) " => text("COPYRIGHT", bytes),
            b"ANNO" => text("COMMENT", bytes),
            b"COMT" => comments(bytes).into_iter().for_each(|comment| text("COMMENT", &comment)),
            b"MARK" => self.markers.extend(marks(bytes)),
            b"ID3 " => self.chunks.push(Chunk { id: *b"id3 ", bytes: bytes.to_vec() }),
            // Room and version hold nothing.
            b"FVER" | b"PAD " | b"FLLR" => {}
            _ => self.chunks.push(Chunk { id, bytes: bytes.to_vec() }),
        }
    }

    /// All of it as chunks.
    pub(crate) fn chunks(self) -> Vec<Chunk> {
        let markers = if self.markers.is_empty() { Vec::new() } else { markers(&self.markers) };
        self.chunks.into_iter().chain(markers).chain(info(&self.texts)).collect()
    }
}

fn trimmed(bytes: &[u8]) -> Vec<u8> {
    let end = bytes.iter().rposition(|byte| *byte != 0).map_or(0, |last| last + 1);
    bytes[..end].to_vec()
}

fn short(bytes: &[u8], at: usize) -> Option<u16> {
    bytes.get(at..at + 2)?.try_into().ok().map(u16::from_be_bytes)
}

/// Section "Marker Chunk": count, then id, position in frames, and a name that is counted and padded to an even size.
fn marks(bytes: &[u8]) -> Vec<CuePoint> {
    let mut marks = Vec::new();
    let mut at = 2;
    for _ in 0..short(bytes, 0).unwrap_or(0) {
        let Some(id) = short(bytes, at) else { break };
        let Some(position) =
            bytes.get(at + 2..at + 6).and_then(|b| b.try_into().ok()).map(u32::from_be_bytes)
        else {
            break;
        };
        let Some(length) = bytes.get(at + 6).map(|length| usize::from(*length)) else { break };
        let name = bytes.get(at + 7..at + 7 + length).unwrap_or_default();
        marks.push(CuePoint { id: u32::from(id), frame: u64::from(position), name: name.to_vec() });
        at += 6 + (1 + length).next_multiple_of(2);
    }
    marks
}

/// Section "Comments Chunk": count, then time, marker, size and text, padded to an even size.
fn comments(bytes: &[u8]) -> Vec<Vec<u8>> {
    let mut comments = Vec::new();
    let mut at = 2;
    for _ in 0..short(bytes, 0).unwrap_or(0) {
        let Some(length) = short(bytes, at + 6).map(usize::from) else { break };
        let Some(text) = bytes.get(at + 8..at + 8 + length) else { break };
        comments.push(trimmed(text));
        at += 8 + length.next_multiple_of(2);
    }
    comments
}

/// The chunks of a RIFF file as chunks of an AIFF file. What AIFF has no chunk for keeps its id and contents: readers skip
/// what they do not know.
pub(crate) fn written(chunks: &[Chunk]) -> Vec<Chunk> {
    let sorted = Sorted::of(chunks);
    let marks = (!sorted.markers.is_empty()).then(|| Chunk { id: *b"MARK", bytes: mark(&sorted.markers) });
    let texts = sorted.texts.iter().map(|(id, text)| {
        let own = TEXTS.iter().find(|(riff, _)| riff == id).map(|(_, own)| *own);
        let prefix = match named(*id) {
            _ if own.is_some() || id == b"ICMT" => String::new(),
            Some(name) => format!("{name}="),
            None => format!("{}=", String::from_utf8_lossy(id)),
        };
        Chunk { id: own.unwrap_or(*b"ANNO"), bytes: [prefix.as_bytes(), &text[..]].concat() }
    });
    let others = sorted.others.iter().map(|chunk| {
        let id = if &chunk.id == b"id3 " { *b"ID3 " } else { chunk.id };
        Chunk { id, bytes: chunk.bytes.clone() }
    });
    marks.into_iter().chain(texts).chain(others).collect()
}

/// Marker chunk: ids are positive numbers of 15 bits. Others are counted anew.
fn mark(markers: &[CuePoint]) -> Vec<u8> {
    let ids_fit = markers.iter().all(|marker| (1..=0x7FFF).contains(&marker.id));
    let markers = &markers[..markers.len().min(0x7FFF)];
    let mut bytes = (markers.len() as u16).to_be_bytes().to_vec();
    for (index, CuePoint { id, frame, name }) in markers.iter().enumerate() {
        let id = if ids_fit { *id as u16 } else { index as u16 + 1 };
        let name = &name[..name.len().min(MOST_NAME_BYTES)];
        bytes.extend(id.to_be_bytes());
        bytes.extend(u32::try_from(*frame).unwrap_or(u32::MAX).to_be_bytes());
        bytes.push(name.len() as u8);
        bytes.extend(name);
        if name.len() % 2 == 0 {
            bytes.push(0);
        }
    }
    bytes
}
