//! Chunks of a RIFX file, whose numbers stand with their high byte first, as a RIFF file has them. Knows no meaning of
//! these numbers, only their places.

use super::list::{list, pieces_of};
use crate::Chunk;

/// The chunk with its numbers turned; one of unknown layout stays, since nobody can tell its numbers from its texts.
pub(crate) fn turned(id: [u8; 4], mut bytes: Vec<u8>) -> Chunk {
    match &id {
        // EBU Tech 3285: two words of time, the version, and five loudness values.
        b"bext" => {
            turn(&mut bytes, 338..346, 4);
            turn(&mut bytes, 346..348, 2);
            turn(&mut bytes, 412..422, 2);
        }
        b"cue " => {
            turn(&mut bytes, 0..4, 4);
            for at in (4..bytes.len()).step_by(24) {
                turn(&mut bytes, at..at + 8, 4);
                // The third word is the name of a chunk.
                turn(&mut bytes, at + 12..at + 24, 4);
            }
        }
        b"smpl" => {
            let loops =
                bytes.get(28..32).and_then(|b| b.try_into().ok()).map_or(0, u32::from_be_bytes) as usize;
            let end = loops.saturating_mul(24).saturating_add(36).min(bytes.len());
            turn(&mut bytes, 0..end, 4);
        }
        b"LIST" => {
            let Some((kind, rest)) = bytes.split_first_chunk::<4>() else { return Chunk { id, bytes } };
            let is_adtl = kind == b"adtl";
            let turned: Vec<([u8; 4], Vec<u8>)> = pieces_of(rest, u32::from_be_bytes)
                .into_iter()
                .map(|(id, contents)| {
                    (id, if is_adtl { marker(id, contents.to_vec()) } else { contents.to_vec() })
                })
                .collect();
            return list(*kind, turned.iter().map(|(id, contents)| (*id, &contents[..])));
        }
        _ => {}
    }
    Chunk { id, bytes }
}

/// The number of the marker; for a stretch its length, and behind the purpose four numbers of two bytes.
fn marker(id: [u8; 4], mut contents: Vec<u8>) -> Vec<u8> {
    turn(&mut contents, 0..4, 4);
    if &id == b"ltxt" {
        turn(&mut contents, 4..8, 4);
        turn(&mut contents, 12..20, 2);
    }
    contents
}

/// Turns every number of `size` bytes in the range, as far as there are bytes.
fn turn(bytes: &mut [u8], range: std::ops::Range<usize>, size: usize) {
    let end = range.end.min(bytes.len());
    let Some(field) = bytes.get_mut(range.start..end) else { return };
    field.chunks_exact_mut(size).for_each(<[u8]>::reverse);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The layouts are those of the 1994 document, the numbers written out by hand.
    #[test]
    fn numbers_are_turned_and_names_are_not() {
        let cue = b"\0\0\0\x01\0\0\0\x07\0\0\x01\x02data\0\0\0\0\0\0\0\0\0\0\x01\x02".to_vec();
        assert_eq!(
            turned(*b"cue ", cue).bytes,
            b"\x01\0\0\0\x07\0\0\0\x02\x01\0\0data\0\0\0\0\0\0\0\0\x02\x01\0\0"
        );
        let names = b"adtllabl\0\0\0\x07\0\0\0\x07Hi\0\0ltxt\0\0\0\x14\0\0\0\x07\0\0\x01\0rgn \0\x31\0\x09\0\0\x04\xe4".to_vec();
        assert_eq!(
            turned(*b"LIST", names).bytes,
            b"adtllabl\x07\0\0\0\x07\0\0\0Hi\0\0ltxt\x14\0\0\0\x07\0\0\0\0\x01\0\0rgn \x31\0\x09\0\0\0\xe4\x04"
        );
        let short = turned(*b"bext", vec![1; 340]);
        assert_eq!(short.bytes, vec![1; 340], "half a number is no number");
    }
}
