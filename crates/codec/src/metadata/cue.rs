//! The layout of a `cue ` chunk and of the names that a `LIST`/`adtl` has for its points (Multimedia Programming Interface
//! and Data Specifications 1.0, 1991). Knows nothing of time lines.

use super::list::list;
use crate::Chunk;

/// A point of a file, and what it is called.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct CuePoint {
    /// Its number in the file, by which its name is found.
    pub(super) id: u32,
    /// Where it is, in frames from the start of the file.
    pub(super) frame: u64,
    /// The bytes of its name, in whatever encoding they are; empty where it has none.
    pub(super) name: Vec<u8>,
}

/// Four bytes as a number, their low byte first.
pub(super) fn word(bytes: &[u8], at: usize) -> Option<u32> {
    bytes.get(at..at + 4)?.try_into().ok().map(u32::from_le_bytes)
}

/// The points of a `cue ` chunk, 24 bytes each.
pub(super) fn points(bytes: &[u8]) -> Option<&[[u8; 24]]> {
    let count = word(bytes, 0)? as usize;
    bytes[4..].as_chunks::<24>().0.get(..count)
}

/// Where a point is: `dwSampleOffset`.
pub(super) fn point_frame(point: &[u8; 24]) -> Option<u32> {
    word(point, 20)
}

/// The points as `cue `, and their names as `LIST`/`adtl`.
pub(super) fn markers(points: &[CuePoint]) -> Vec<Chunk> {
    let mut cue = (points.len() as u32).to_le_bytes().to_vec();
    let mut names = Vec::new();
    for CuePoint { id, frame, name } in points {
        // The chunk counts in 32 bits.
        let frame = u32::try_from(*frame).unwrap_or(u32::MAX);
        for word in [*id, frame, u32::from_le_bytes(*b"data"), 0, 0, frame] {
            cue.extend(word.to_le_bytes());
        }
        let mut label = id.to_le_bytes().to_vec();
        label.extend(name);
        label.push(0);
        names.push(label);
    }
    let labels = list(*b"adtl", names.iter().map(|label| (*b"labl", &label[..])));
    vec![Chunk { id: *b"cue ", bytes: cue }, labels]
}
