//! What a CAF file has beside its samples, in the words of RIFF, and back.
//!
//! Source: Apple Core Audio Format Specification 1.0 (2006 and later): Information Chunk, Marker Chunk, Strings Chunk, and
//! the UUID Chunk for what the format has no chunk for.
//!
//! Knows nothing of the samples, and moves nothing in time.

use super::cue::{CuePoint, markers};
use super::info::{info, named};
use super::sorted::Sorted;
use super::text::decoded;
use crate::Chunk;
use crate::chunk::chunk_bytes;

/// Keys of the Information Chunk for what `INFO` calls so.
const KEYS: [([u8; 4], &str); 8] = [
    (*b"INAM", "title"),
    (*b"IART", "artist"),
    (*b"IPRD", "album"),
    (*b"IGNR", "genre"),
    (*b"ICRD", "recorded date"),
    (*b"ICOP", "copyright"),
    (*b"ICMT", "comments"),
    (*b"ISFT", "source encoder"),
];

/// "The layout is the bitmap": `kCAFChannelLayoutTag_UseChannelBitmap`. Its bits are those of WAV's speaker mask.
pub(crate) const USE_BITMAP: u32 = 1 << 16;

/// The UUID Chunk that holds a RIFF chunk with its head: a number of our own, since the format has none for that.
const RIFF_CHUNK: [u8; 16] = *b"\xa0\x63\x0e\x8f\x9f\x61\x42\xf4\xba\x35\x70\x4d\xd7\x17\x73\xdc";

/// Bytes of a marker: type, frame, id, SMPTE time and channel.
const MARKER_BYTES: usize = 28;

/// What was found so far.
#[derive(Default)]
pub(crate) struct Found {
    texts: Vec<(String, Vec<u8>)>,
    /// Number and frame of each.
    marks: Vec<(u32, u64)>,
    strings: Vec<(u32, Vec<u8>)>,
    chunks: Vec<Chunk>,
}

/// Whether a chunk of this type holds something that is carried.
pub(crate) fn is_carried(id: [u8; 4]) -> bool {
    matches!(&id, b"info" | b"mark" | b"strg" | b"uuid")
}

impl Found {
    /// Takes a chunk that [`is_carried`]; what is malformed in it is left out.
    pub(crate) fn take(&mut self, id: [u8; 4], bytes: &[u8]) {
        match &id {
            b"info" => self.texts.extend(information(bytes)),
            b"mark" => self.marks.extend(marks(bytes).unwrap_or_default()),
            b"strg" => self.strings.extend(strings(bytes).unwrap_or_default()),
            _ => self.chunks.extend(riff_chunk(bytes)),
        }
    }

    /// All of it as chunks.
    pub(crate) fn chunks(self) -> Vec<Chunk> {
        let name = |id| self.strings.iter().find(|(own, _)| *own == id).map(|(_, name)| name.clone());
        let point = |&(id, frame)| CuePoint { id, frame, name: name(id).unwrap_or_default() };
        let points: Vec<CuePoint> = self.marks.iter().map(point).collect();
        let markers = if points.is_empty() { Vec::new() } else { markers(&points) };
        self.chunks.into_iter().chain(markers).chain(info(&self.texts)).collect()
    }
}

fn word(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..at + 4)?.try_into().ok().map(u32::from_be_bytes)
}

/// A count, then a key and a value by turns, each with a NUL behind it.
fn information(bytes: &[u8]) -> Vec<(String, Vec<u8>)> {
    let mut texts = bytes.get(4..).unwrap_or_default().split(|byte| *byte == 0);
    let mut found = Vec::new();
    while let (Some(key), Some(value)) = (texts.next(), texts.next()) {
        let key = decoded(key);
        let known = KEYS.iter().find(|(_, own)| *own == key).and_then(|(id, _)| named(*id));
        found.push((known.map_or(key, str::to_owned), value.to_vec()));
    }
    found
}

/// The type of SMPTE times and a count, then the markers. A frame is a float in this format.
fn marks(bytes: &[u8]) -> Option<Vec<(u32, u64)>> {
    let count = word(bytes, 4)? as usize;
    let mark = |bytes: &[u8; MARKER_BYTES]| {
        let frame = f64::from_be_bytes(bytes[4..12].try_into().ok()?).round();
        (frame >= 0.0).then_some((word(bytes, 12)?, frame as u64))
    };
    Some(bytes[8..].as_chunks().0.iter().take(count).filter_map(mark).collect())
}

/// A count; then an id and where its text begins; then the texts, each with a NUL behind it.
fn strings(bytes: &[u8]) -> Option<Vec<(u32, Vec<u8>)>> {
    let entries = bytes.get(4..)?.as_chunks::<12>().0.get(..word(bytes, 0)? as usize)?;
    let texts = &bytes[4 + entries.len() * 12..];
    let text = |entry: &[u8; 12]| {
        let begin = usize::try_from(i64::from_be_bytes(entry[4..].try_into().ok()?)).ok()?;
        let text = texts.get(begin..)?.iter().copied().take_while(|byte| *byte != 0);
        Some((word(entry, 0)?, text.collect()))
    };
    Some(entries.iter().filter_map(text).collect())
}

fn riff_chunk(bytes: &[u8]) -> Option<Chunk> {
    let (id, behind) = bytes.strip_prefix(&RIFF_CHUNK)?.split_first_chunk::<4>()?;
    let (size, contents) = behind.split_first_chunk::<4>()?;
    let size = u32::from_le_bytes(*size) as usize;
    Some(Chunk { id: *id, bytes: contents.get(..size)?.to_vec() })
}

/// The chunks of a RIFF file as chunks of a CAF file.
pub(crate) fn written(chunks: &[Chunk]) -> Vec<Chunk> {
    let sorted = Sorted::of(chunks);
    let mut written = Vec::new();
    if !sorted.texts.is_empty() {
        let mut bytes = (sorted.texts.len() as u32).to_be_bytes().to_vec();
        for (id, text) in &sorted.texts {
            let own = KEYS.iter().find(|(riff, _)| riff == id).map(|(_, key)| (*key).to_owned());
            let key = own.unwrap_or_else(|| String::from_utf8_lossy(id).into_owned());
            // The format wants UTF-8.
            bytes.extend([key.as_bytes(), b"\0", decoded(text).as_bytes(), b"\0"].concat());
        }
        written.push(Chunk { id: *b"info", bytes });
    }
    if !sorted.markers.is_empty() {
        written.push(Chunk { id: *b"mark", bytes: mark(&sorted.markers) });
        written.push(Chunk { id: *b"strg", bytes: strg(&sorted.markers) });
    }
    let others = sorted.others.iter().filter_map(|chunk| chunk_bytes(chunk).ok());
    written.extend(others.map(|own| Chunk { id: *b"uuid", bytes: [&RIFF_CHUNK[..], &own].concat() }));
    written
}

fn mark(markers: &[CuePoint]) -> Vec<u8> {
    let mut bytes = [0u32, markers.len() as u32].iter().flat_map(|w| w.to_be_bytes()).collect::<Vec<_>>();
    for CuePoint { id, frame, .. } in markers {
        // Type 0 is "generic"; a SMPTE time of ones is "none"; channel 0 is all of them.
        bytes.extend([0; 4]);
        bytes.extend((*frame as f64).to_be_bytes());
        bytes.extend(id.to_be_bytes());
        bytes.extend([0xFF; 8]);
        bytes.extend([0; 4]);
    }
    bytes
}

fn strg(markers: &[CuePoint]) -> Vec<u8> {
    let mut bytes = (markers.len() as u32).to_be_bytes().to_vec();
    let mut texts: Vec<u8> = Vec::new();
    for CuePoint { id, name, .. } in markers {
        bytes.extend(id.to_be_bytes());
        bytes.extend((texts.len() as i64).to_be_bytes());
        texts.extend([decoded(name).as_bytes(), b"\0"].concat());
    }
    bytes.extend(texts);
    bytes
}
