//! What a FLAC file has beside its samples, in the words of RIFF: Vorbis comments, and the chunks that a writer kept of
//! the WAV or AIFF file it came from (RFC 9639, sections 8.4 and 8.6; the application ids "riff" and "aiff" are registered).

use std::io::{Read, Seek, SeekFrom};

use super::aiff::Found;
use super::info::info;
use crate::Chunk;

/// Metadata larger than this in one block is no text.
const MOST_BYTES: u32 = 1 << 20;
/// A stream with more blocks than this is not a stream but an attack.
const MOST_BLOCKS: usize = 4096;

/// Reads the metadata blocks from the start of the stream; what is malformed is left out, since the samples do not need it.
pub(crate) fn read<R: Read + Seek>(source: &mut R) -> Vec<Chunk> {
    let mut chunks = Vec::new();
    // An unreadable rest is the decoder's to name.
    let mut aiff = Found::default();
    let _ = blocks(source, &mut chunks, &mut aiff);
    chunks.extend(aiff.chunks());
    chunks
}

fn blocks<R: Read + Seek>(source: &mut R, chunks: &mut Vec<Chunk>, aiff: &mut Found) -> std::io::Result<()> {
    source.seek(SeekFrom::Start(4))?;
    for _ in 0..MOST_BLOCKS {
        let mut head = [0; 4];
        source.read_exact(&mut head)?;
        let size = u32::from_be_bytes([0, head[1], head[2], head[3]]);
        let kind = head[0] & 0x7F;
        if matches!(kind, 2 | 4) && size <= MOST_BYTES {
            let mut contents = vec![0; size as usize];
            source.read_exact(&mut contents)?;
            if kind == 4 {
                chunks.extend(comments(&contents).and_then(|texts| info(&texts)));
            } else {
                chunks.extend(riff_chunk(&contents));
                take_aiff(&contents, aiff);
            }
        } else {
            source.seek(SeekFrom::Current(i64::from(size)))?;
        }
        if head[0] & 0x80 != 0 {
            return Ok(());
        }
    }
    Ok(())
}

fn word(bytes: &[u8], at: usize) -> Option<usize> {
    bytes.get(at..at + 4)?.try_into().ok().map(|word| u32::from_le_bytes(word) as usize)
}

/// Names and values; the vendor's text, which comes first, says nothing about the sound.
fn comments(bytes: &[u8]) -> Option<Vec<(String, Vec<u8>)>> {
    let mut at = 4 + word(bytes, 0)?;
    let count = word(bytes, at)?;
    at += 4;
    let mut texts = Vec::new();
    for _ in 0..count.min(MOST_BLOCKS) {
        let length = word(bytes, at)?;
        let entry = bytes.get(at + 4..(at + 4).checked_add(length)?)?;
        at += 4 + length;
        let Some(equals) = entry.iter().position(|byte| *byte == b'=') else { continue };
        texts.push((String::from_utf8_lossy(&entry[..equals]).into_owned(), entry[equals + 1..].to_vec()));
    }
    Some(texts)
}

/// A chunk of the WAV file that this stream was made from; its header, format and samples are no metadata.
fn riff_chunk(bytes: &[u8]) -> Option<Chunk> {
    let rest = bytes.strip_prefix(b"riff")?;
    let id: [u8; 4] = rest.get(..4)?.try_into().ok()?;
    let size = word(rest, 4)?;
    let contents = rest.get(8..)?;
    let kept = !matches!(&id, b"RIFF" | b"RF64" | b"fmt " | b"data" | b"fact" | b"JUNK" | b"ds64");
    kept.then(|| Chunk { id, bytes: contents[..size.min(contents.len())].to_vec() })
}

/// A chunk of the AIFF file that this stream was made from.
fn take_aiff(bytes: &[u8], found: &mut Found) {
    let Some([a, b, c, d, s0, s1, s2, s3, contents @ ..]) = bytes.strip_prefix(b"aiff") else { return };
    let id = [*a, *b, *c, *d];
    let size = (u32::from_be_bytes([*s0, *s1, *s2, *s3]) as usize).min(contents.len());
    if !matches!(&id, b"FORM" | b"COMM" | b"SSND") {
        found.take(id, &contents[..size]);
    }
}
