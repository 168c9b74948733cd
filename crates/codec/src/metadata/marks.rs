//! Named markers, read from and added to `cue ` and `LIST`/`adtl` (Multimedia Programming Interface and Data
//! Specifications 1.0, 1991): a point has a number, and the list has the name of that number. Knows no other container
//! than RIFF, and moves nothing in time.

use std::collections::{BTreeMap, BTreeSet};

use super::chunks::Metadata;
use super::cue::{CuePoint, markers, point_frame, points, word};
use super::list::{list, pieces};
use super::text::readable;
use crate::Chunk;

/// A named point in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Marker {
    /// Frame of the file.
    pub frame: u64,
    /// Its name; never empty.
    pub name: String,
}

impl Metadata {
    /// The markers that have a name, in the order of their frames. Points without one mostly mark slices of a loop.
    pub fn markers(&self) -> Vec<Marker> {
        let names = names(&self.chunks);
        let mut found: Vec<Marker> = all_points(&self.chunks)
            .filter_map(|(id, frame)| Some(Marker { frame, name: names.get(&id)?.clone() }))
            .collect();
        found.sort_by_key(|marker| marker.frame);
        found
    }
}

/// Number and frame of every point.
fn all_points(chunks: &[Chunk]) -> impl Iterator<Item = (u32, u64)> {
    let cues = chunks.iter().filter(|chunk| &chunk.id == b"cue ");
    cues.flat_map(|chunk| points(&chunk.bytes).unwrap_or_default())
        .filter_map(|point| Some((word(point, 0)?, u64::from(point_frame(point)?))))
}

/// The pieces of every list of markers.
fn texts(chunks: &[Chunk]) -> impl Iterator<Item = ([u8; 4], &[u8])> {
    let lists = chunks.iter().filter(|chunk| &chunk.id == b"LIST");
    lists.filter_map(|chunk| chunk.bytes.strip_prefix(b"adtl")).flat_map(pieces)
}

fn names(chunks: &[Chunk]) -> BTreeMap<u32, String> {
    let labels = texts(chunks).filter(|(id, _)| id == b"labl");
    labels
        .filter_map(|(_, bytes)| Some((word(bytes, 0)?, readable(bytes.get(4..)?))))
        .filter(|(_, name)| !name.is_empty())
        .collect()
}

/// The chunks with further markers: a file has one chunk of points and one list of names.
pub fn with_markers(mut chunks: Vec<Chunk>, new: &[Marker]) -> Vec<Chunk> {
    let named = texts(&chunks).filter_map(|(_, bytes)| word(bytes, 0));
    let used: BTreeSet<u32> = all_points(&chunks).map(|(id, _)| id).chain(named).collect();
    // Behind the greatest number that is used, and from 1 on where that one is the greatest of all.
    let last = used.last().copied().unwrap_or(0);
    let free = (last.max(1)..=u32::MAX).chain(1..last).filter(|id| !used.contains(id));
    let point = |(id, marker): (u32, &Marker)| {
        let (frame, name) = (marker.frame, marker.name.clone().into_bytes());
        CuePoint { id, frame, name }
    };
    let numbered: Vec<CuePoint> = free.zip(new).map(point).collect();
    for added in markers(&numbered) {
        let kind = &added.bytes[..4];
        let same = |chunk: &&mut Chunk| {
            chunk.id == added.id && (&added.id == b"cue " || chunk.bytes.starts_with(kind))
        };
        match chunks.iter_mut().find(same) {
            Some(there) if &added.id == b"cue " => {
                let own = points(&there.bytes).unwrap_or_default();
                let mut bytes = ((own.len() + new.len()) as u32).to_le_bytes().to_vec();
                bytes.extend(own.as_flattened());
                bytes.extend(&added.bytes[4..]);
                there.bytes = bytes;
            }
            Some(there) => {
                there.bytes.resize(there.bytes.len().next_multiple_of(2), 0);
                there.bytes.extend(&added.bytes[4..]);
            }
            None => chunks.push(added),
        }
    }
    chunks
}

/// The chunks without the named markers that `gone` chooses.
pub fn without_markers(chunks: Vec<Chunk>, gone: impl Fn(&Marker) -> bool) -> Vec<Chunk> {
    let names = names(&chunks);
    let is_gone =
        |id: u32, frame: u64| names.get(&id).is_some_and(|name| gone(&Marker { frame, name: name.clone() }));
    let lost: Vec<u32> =
        all_points(&chunks).filter(|&(id, frame)| is_gone(id, frame)).map(|(id, _)| id).collect();
    let left = |id: Option<u32>| id.is_none_or(|id| !lost.contains(&id));
    let mut kept = Vec::new();
    for chunk in chunks {
        if &chunk.id == b"cue " {
            let own = points(&chunk.bytes).unwrap_or_default();
            let points: Vec<[u8; 24]> =
                own.iter().filter(|point| left(word(&point[..], 0))).copied().collect();
            if !points.is_empty() || own.is_empty() {
                let mut bytes = (points.len() as u32).to_le_bytes().to_vec();
                bytes.extend(points.as_flattened());
                kept.push(Chunk { id: chunk.id, bytes });
            }
        } else if let Some(rest) = chunk.bytes.strip_prefix(b"adtl").filter(|_| &chunk.id == b"LIST") {
            let pieces = pieces(rest);
            let own: Vec<_> = pieces.iter().filter(|(_, bytes)| left(word(bytes, 0))).copied().collect();
            if !own.is_empty() || pieces.is_empty() {
                kept.push(list(*b"adtl", own));
            }
        } else {
            kept.push(chunk);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marker(frame: u64, name: &str) -> Marker {
        Marker { frame, name: name.to_owned() }
    }

    fn read(chunks: &[Chunk]) -> Vec<Marker> {
        Metadata { bext: None, chunks: chunks.to_vec() }.markers()
    }

    /// No two markers have one number, also where a file uses the greatest that there is.
    #[test]
    fn new_markers_have_numbers_of_their_own() {
        let point = |id, frame, name: &[u8]| CuePoint { id, frame, name: name.to_vec() };
        let own = markers(&[point(u32::MAX, 10, b"Verse"), point(1, 20, b"Chorus")]);
        let all = with_markers(own, &[marker(30, "Bridge"), marker(40, "End")]);
        let ids: Vec<u32> = all_points(&all).map(|(id, _)| id).collect();
        assert_eq!(ids, [u32::MAX, 1, 2, 3]);
        let wanted = [marker(10, "Verse"), marker(20, "Chorus"), marker(30, "Bridge"), marker(40, "End")];
        assert_eq!(read(&all), wanted);
    }

    #[test]
    fn markers_are_added_to_those_that_are_there_and_taken_away_again() {
        let point = |id, frame, name: &[u8]| CuePoint { id, frame, name: name.to_vec() };
        let own = markers(&[point(7, 100, b"Solo"), point(9, 50, b"")]);
        let [first, second] = [marker(48_000, "Verse"), marker(96_000, "Größe")];
        let all = with_markers(own.clone(), &[first.clone(), second.clone()]);
        assert_eq!(all.len(), 2, "one chunk of points, one list");
        assert_eq!(read(&all), [marker(100, "Solo"), first.clone(), second.clone()]);
        let ids: Vec<u32> = all_points(&all).map(|(id, _)| id).collect();
        assert_eq!(ids, [7, 9, 10, 11], "no number is given twice");
        assert_eq!(without_markers(all.clone(), |m| *m == first || *m == second), own);
        let fresh = with_markers(Vec::new(), std::slice::from_ref(&first));
        assert_eq!(fresh, markers(&[point(1, 48_000, b"Verse")]));
        assert_eq!(without_markers(fresh, |m| *m == first), []);
    }
}
