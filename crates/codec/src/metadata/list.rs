//! The layout of a `LIST` chunk (Multimedia Programming Interface and Data Specifications 1.0, 1991). Knows no type of
//! list.

use crate::Chunk;

/// The pieces of a `LIST` chunk behind its type: id and contents. A piece that claims too much ends with the list.
pub(super) fn pieces(list: &[u8]) -> Vec<([u8; 4], &[u8])> {
    pieces_of(list, u32::from_le_bytes)
}

/// The same, with sizes as `size` reads them.
pub(super) fn pieces_of(list: &[u8], size: fn([u8; 4]) -> u32) -> Vec<([u8; 4], &[u8])> {
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
pub(super) fn list<'a>(kind: [u8; 4], pieces: impl IntoIterator<Item = ([u8; 4], &'a [u8])>) -> Chunk {
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
