//! Everything that can stand beside the samples of a file, and what of it is found.

use loadin_codec::{Bext, Chunk, Metadata};

use super::samples::{Order, put};
use crate::reference_codec::fixture::decode;

/// Every kind of metadata that is carried: a stamp, a marker with its name, a loop, a title, and a chunk nobody knows.
pub(super) fn metadata() -> Metadata {
    let mut bext = Bext::new("invented", "test");
    bext.time_reference = 1_234_567;
    Metadata { bext: Some(bext), chunks: chunks(Order::Little) }
}

/// Those behind the stamp, with their numbers in this order.
pub(super) fn chunks(order: Order) -> Vec<Chunk> {
    let words = |words: &[u32]| -> Vec<u8> {
        let mut bytes = Vec::new();
        for word in words {
            put(&mut bytes, order, (*word).into(), 4);
        }
        bytes
    };
    let chunk = |id: &[u8; 4], pieces: &[&[u8]]| Chunk { id: *id, bytes: pieces.concat() };
    vec![
        chunk(b"cue ", &[&words(&[1, 1, 2]), b"data", &words(&[0, 0, 2])]),
        chunk(b"LIST", &[b"adtllabl", &words(&[9, 1]), b"Solo\0\0"]),
        chunk(b"LIST", &[b"INFOINAM", &words(&[5]), b"Tune\0\0"]),
        chunk(b"smpl", &[&words(&[0, 0, 20_833, 60, 0, 0, 0, 1, 0, 9, 0, 1, 2, 0, 0])]),
        chunk(b"iXML", &[b"<BWFXML/>"]),
        chunk(b"what", &[b"ever"]),
    ]
}

/// Which of them a file has.
fn found(found: &Metadata) -> String {
    let all = metadata();
    let mut kinds = Vec::new();
    if found.bext.as_ref().is_some_and(|bext| bext.time_reference == 1_234_567) {
        kinds.push("stamp");
    }
    let holds = |text: &[u8]| {
        let lists = found.chunks.iter().filter(|chunk| &chunk.id == b"LIST");
        lists.into_iter().any(|list| list.bytes.windows(text.len()).any(|part| part == text))
    };
    let has = |id: &[u8; 4]| {
        let wanted = all.chunks.iter().find(|chunk| &chunk.id == id).unwrap();
        found.chunks.contains(wanted)
    };
    for (kind, there) in [
        ("markers", has(b"cue ") && holds(b"Solo")),
        ("titles", holds(b"Tune")),
        ("loops", has(b"smpl")),
        ("iXML", has(b"iXML")),
        ("others", has(b"what")),
        ("ID3", found.chunks.iter().any(|chunk| &chunk.id == b"id3 ")),
    ] {
        if there {
            kinds.push(kind);
        }
    }
    if kinds.is_empty() { "-".to_owned() } else { kinds.join(", ") }
}

pub(super) fn metadata_in(file: &[u8]) -> String {
    found(&decode(file).expect("a file that is read").metadata)
}

pub(super) fn beside<'a>(bext: &'a [u8], chunks: &'a [Chunk]) -> Vec<(&'a [u8], &'a [u8])> {
    let chunks = chunks.iter().map(|chunk| (&chunk.id[..], &chunk.bytes[..]));
    std::iter::once((&b"bext"[..], bext)).chain(chunks).collect()
}
