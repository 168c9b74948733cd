//! What stands beside the samples: kept in the words of RIFF whatever the container, so that it can be carried to a WAV
//! file; moved in time with the sound; and its texts, readable.

pub(crate) mod aiff;
pub(crate) mod caf;
pub(crate) mod flac;
mod hold;
mod info;
mod ixml;
mod marks;
mod retime;
pub(crate) mod rifx;
mod sorted;
pub(crate) mod tags;
mod text;

use crate::{Bext, Chunk};

pub use self::hold::hold;
pub use self::marks::{Marker, with_markers, without_markers};
pub use self::retime::{Carried, Fate, TimeChange, carry};
pub use self::text::{decoded, readable};

/// What stands beside the samples.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Metadata {
    /// The broadcast extension.
    pub bext: Option<Bext>,
    /// Everything else, as chunks of a RIFF file: those of the file itself, or made from what its own container has.
    pub chunks: Vec<Chunk>,
}

/// The pieces of a `LIST` chunk behind its type: id and contents. A piece that claims too much ends with the list.
fn pieces(list: &[u8]) -> Vec<([u8; 4], &[u8])> {
    pieces_of(list, u32::from_le_bytes)
}

/// The same, with sizes as `size` reads them.
fn pieces_of(list: &[u8], size: fn([u8; 4]) -> u32) -> Vec<([u8; 4], &[u8])> {
    let mut pieces = Vec::new();
    let mut rest = list;
    while let [a, b, c, d, s0, s1, s2, s3, behind @ ..] = rest {
        let size = (size([*s0, *s1, *s2, *s3]) as usize).min(behind.len());
        pieces.push(([*a, *b, *c, *d], &behind[..size]));
        rest = behind.get(size + (size & 1)..).unwrap_or_default();
    }
    pieces
}

/// A `LIST` chunk of a type with these pieces.
fn list<'a>(kind: [u8; 4], pieces: impl IntoIterator<Item = ([u8; 4], &'a [u8])>) -> Chunk {
    let mut bytes = kind.to_vec();
    for (id, contents) in pieces {
        bytes.extend(id);
        bytes.extend((contents.len() as u32).to_le_bytes());
        bytes.extend(contents);
        if contents.len() % 2 == 1 {
            bytes.push(0);
        }
    }
    Chunk { id: *b"LIST", bytes }
}

/// Markers as `cue ` and `LIST`/`adtl`: position in frames and name.
fn markers(points: &[(u32, u64, Vec<u8>)]) -> Vec<Chunk> {
    let mut cue = (points.len() as u32).to_le_bytes().to_vec();
    let mut names = Vec::new();
    for (id, frame, name) in points {
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
