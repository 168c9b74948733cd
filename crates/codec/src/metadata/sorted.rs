//! The chunks of a RIFF file sorted for a container with words of its own: markers, titles and comments, and the rest.
//! Knows none of these containers.

use super::cue::{CuePoint, point_frame, points, word};
use super::list::pieces;
use crate::Chunk;

/// What other containers have chunks of their own for, and what they have not.
#[derive(Default)]
pub(super) struct Sorted<'a> {
    /// Of `cue `, with the names of `LIST`/`adtl`.
    pub(super) markers: Vec<CuePoint>,
    /// Of `LIST`/`INFO`: its name there, and the bytes of the text.
    pub(super) texts: Vec<([u8; 4], Vec<u8>)>,
    pub(super) others: Vec<&'a Chunk>,
}

/// A text up to its NUL.
fn text(bytes: &[u8]) -> Vec<u8> {
    bytes.iter().copied().take_while(|byte| *byte != 0).collect()
}

/// Whether this is a list of the type.
pub(super) fn is_list(chunk: &Chunk, kind: [u8; 4]) -> bool {
    &chunk.id == b"LIST" && chunk.bytes.starts_with(&kind)
}

impl<'a> Sorted<'a> {
    pub(super) fn of(chunks: &'a [Chunk]) -> Self {
        let mut sorted = Self::default();
        let mut names: Vec<(u32, Vec<u8>)> = Vec::new();
        for chunk in chunks {
            if &chunk.id == b"cue " {
                let point = |p: &[u8; 24]| {
                    let frame = u64::from(point_frame(p)?);
                    Some(CuePoint { id: word(p, 0)?, frame, name: Vec::new() })
                };
                sorted.markers.extend(points(&chunk.bytes).unwrap_or_default().iter().filter_map(point));
            } else if is_list(chunk, *b"adtl") {
                let labels = pieces(&chunk.bytes[4..]).into_iter().filter(|(id, _)| id == b"labl");
                names.extend(labels.filter_map(|(_, label)| Some((word(label, 0)?, text(&label[4..])))));
            } else if is_list(chunk, *b"INFO") {
                let texts = pieces(&chunk.bytes[4..]).into_iter();
                sorted.texts.extend(texts.map(|(id, bytes)| (id, text(bytes))));
            } else {
                sorted.others.push(chunk);
            }
        }
        for marker in &mut sorted.markers {
            if let Some((_, found)) = names.iter().find(|(named, _)| *named == marker.id) {
                marker.name.clone_from(found);
            }
        }
        sorted
    }
}
