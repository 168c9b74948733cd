//! What other containers have beside their samples, in the words of RIFF.

use std::io::Cursor;

use loadin_codec::{Chunk, Metadata};

use super::{cue, words};
use crate::reference_codec::flac::{D1, D2, bytes};

fn metadata(file: Vec<u8>) -> Metadata {
    loadin_codec::open(Cursor::new(file), true).unwrap().metadata().clone()
}

fn list(kind: &[u8], pieces: &[u8]) -> Chunk {
    Chunk { id: *b"LIST", bytes: [kind, pieces].concat() }
}

/// Marker 3 at frame 1000, called "Solo", as `cue ` and its name.
fn solo() -> [Chunk; 2] {
    [cue(&[(3, 1000)]), list(b"adtl", b"labl\x09\0\0\0\x03\0\0\0Solo\0\0")]
}

/// RFC 9639, D.2.4: the comment of the worked file is TITLE=שלום.
#[test]
fn comments_of_the_worked_flac_file() {
    let text = "שלום".as_bytes();
    assert_eq!(metadata(bytes(D2)).chunks, [list(b"INFO", &[b"INAM\x09\0\0\0", text, b"\0\0"].concat())]);
}

/// The worked file D.1 with application blocks behind its STREAMINFO (RFC 9639, section 8.4).
fn with_blocks(blocks: &[&[u8]]) -> Vec<u8> {
    let mut file = bytes(D1);
    file[4] = 0;
    let audio = file.split_off(4 + 4 + 34);
    for (at, block) in blocks.iter().enumerate() {
        let last = if at + 1 == blocks.len() { 0x80 } else { 0 };
        file.extend([last | 2, 0, 0, block.len() as u8]);
        file.extend(*block);
    }
    [file, audio].concat()
}

#[test]
fn chunks_that_flac_kept_of_wav_and_aiff() {
    let point = cue(&[(3, 1000)]);
    let mut of_wav = b"riffcue \x1c\0\0\0".to_vec();
    of_wav.extend(&point.bytes);
    let of_aiff = b"aiffMARK\0\0\0\x0e\0\x01\0\x03\0\0\x03\xe8\x04Solo\0";
    assert_eq!(metadata(with_blocks(&[&of_wav])).chunks, [point]);
    assert_eq!(metadata(with_blocks(&[b"otherapp", of_aiff])).chunks, solo());
}

fn aiff_chunk(id: &[u8], contents: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((contents.len() as u32).to_be_bytes());
    bytes.extend(contents);
    bytes.resize(bytes.len().next_multiple_of(2), 0);
    bytes
}

/// Audio Interchange File Format 1.3 (1989): marker, comments, name, author and annotation chunks.
#[test]
fn texts_and_markers_of_aiff() {
    let common = b"\0\x01\0\0\0\x02\0\x10\x40\x0e\xbb\x80\0\0\0\0\0\0";
    let contents = [
        b"AIFF".to_vec(),
        aiff_chunk(b"COMM", common),
        aiff_chunk(b"MARK", b"\0\x01\0\x03\0\0\x03\xe8\x04Solo\0"),
        aiff_chunk(b"NAME", b"Gr\xF6n"),
        aiff_chunk(b"COMT", b"\0\x01\0\0\0\0\0\0\0\x05first\0"),
        aiff_chunk(b"ANNO", b"second"),
        aiff_chunk(b"ID3 ", b"ID3\x04"),
        aiff_chunk(b"SSND", &[0; 12]),
    ];
    let [point, name] = solo();
    let id3 = Chunk { id: *b"id3 ", bytes: b"ID3\x04".to_vec() };
    let texts = list(b"INFO", b"INAM\x05\0\0\0Gr\xF6n\0\0ICMT\x0e\0\0\0first; second\0");
    assert_eq!(metadata(aiff_chunk(b"FORM", &contents.concat())).chunks, [id3, point, name, texts]);
}

/// The numbers of a RIFX file stand with the high byte first; in memory they are those of a RIFF file.
#[test]
fn numbers_of_rifx() {
    let turned = |chunk: &[u8], words: &[u32]| -> Vec<u8> {
        aiff_chunk(chunk, &words.iter().flat_map(|word| word.to_be_bytes()).collect::<Vec<u8>>())
    };
    let format = b"\0\x01\0\x01\0\0\xbb\x80\0\x01\x77\0\0\x02\0\x10";
    let contents = [
        b"WAVE".to_vec(),
        aiff_chunk(b"fmt ", format),
        turned(b"cue ", &[1, 3, 1000, u32::from_be_bytes(*b"data"), 0, 0, 1000]),
        turned(b"smpl", &[0, 0, 20_833, 60, 0, 0, 0, 0, 0]),
        aiff_chunk(b"data", &[0; 4]),
    ];
    let found = metadata(aiff_chunk(b"RIFX", &contents.concat())).chunks;
    assert_eq!(found, [cue(&[(3, 1000)]), words(*b"smpl", &[0, 0, 20_833, 60, 0, 0, 0, 0, 0])]);
}
