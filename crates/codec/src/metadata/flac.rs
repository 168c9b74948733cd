//! What a FLAC file has beside its samples, in the words of RIFF: Vorbis comments, and the chunks that a writer kept of
//! the WAV or AIFF file it came from (RFC 9639, sections 8.4 and 8.6; the application ids "riff" and "aiff" are
//! registered). Knows nothing of the frames, and not what a WAV file looks like whose pieces it keeps.

use std::io::{Read, Seek, SeekFrom};

use super::aiff::Found;
use super::info::{info, named};
use super::marks::{Marker, with_markers};
use super::sorted::Sorted;
use super::text::{decoded, readable};
use crate::{Chunk, Error};

/// Metadata larger than this in one block is not carried: as much as is taken of a chunk of WAV.
const MOST_BYTES: u32 = 1 << 20;

/// Bytes that a block has room for: 24 bits count them.
const MOST_BLOCK_BYTES: usize = (1 << 24) - 1;

/// Bytes of a chunk that a block has room for, behind the application's id and the chunk's own head, with padding.
pub(super) const MOST_CHUNK_BYTES: usize = MOST_BLOCK_BYTES - 4 - 8 - 1;
/// A stream with more blocks than this is not a stream but an attack.
const MOST_BLOCKS: usize = 4096;

/// What the metadata blocks hold.
pub(crate) struct Blocks {
    pub(crate) chunks: Vec<Chunk>,
    /// The speaker mask, where one is stated.
    pub(crate) channel_mask: Option<u32>,
    /// The first bytes of all blocks but that of the stream, as if they were padding: symphonia refuses a stream of which
    /// one is malformed, and the samples need none of them.
    pub(crate) as_padding: Vec<(u64, u8)>,
}

/// Reads the metadata blocks from the start of the stream; what is malformed is left out, since the samples do not need it.
pub(crate) fn read<R: Read + Seek>(source: &mut R) -> Blocks {
    let mut chunks = Vec::new();
    // An unreadable rest is the decoder's to name.
    let mut aiff = Found::default();
    let mut texts = Vec::new();
    let mut as_padding = Vec::new();
    let _ = read_blocks(source, &mut chunks, &mut texts, &mut aiff, &mut as_padding);
    chunks.extend(aiff.chunks());
    let tracks: Vec<Marker> =
        chunks.iter().filter(|chunk| chunk.id == CUE_SHEET).flat_map(|c| tracks_of(&c.bytes)).collect();
    if !tracks.is_empty() {
        chunks = with_markers(chunks, &tracks);
    }
    // A file that came from WAV says its titles twice: in a chunk that is kept, and for those who read comments only.
    let said: Vec<String> = Sorted::of(&chunks).texts.iter().map(|(_, text)| readable(text)).collect();
    texts.retain(|(_, text)| !said.contains(&readable(text)));
    let masks = texts.extract_if(.., |(name, _)| name.eq_ignore_ascii_case(MASK)).collect::<Vec<_>>();
    chunks.extend(info(&texts));
    let channel_mask = masks.first().and_then(|(_, mask)| speaker_mask(mask));
    Blocks { chunks, channel_mask, as_padding }
}

fn speaker_mask(text: &[u8]) -> Option<u32> {
    let digits = std::str::from_utf8(text).ok()?.trim();
    u32::from_str_radix(digits.strip_prefix("0x").or_else(|| digits.strip_prefix("0X"))?, 16).ok()
}

fn read_blocks<R: Read + Seek>(
    source: &mut R,
    chunks: &mut Vec<Chunk>,
    texts: &mut Vec<(String, Vec<u8>)>,
    aiff: &mut Found,
    as_padding: &mut Vec<(u64, u8)>,
) -> std::io::Result<()> {
    source.seek(SeekFrom::Start(4))?;
    for _ in 0..MOST_BLOCKS {
        let at = source.stream_position()?;
        let mut head = [0; 4];
        source.read_exact(&mut head)?;
        let size = u32::from_be_bytes([0, head[1], head[2], head[3]]);
        let kind = head[0] & 0x7F;
        if kind != 0 {
            as_padding.push((at, head[0] & 0x80 | 1));
        }
        if matches!(kind, 2 | 4 | 5) && size <= MOST_BYTES {
            let mut contents = vec![0; size as usize];
            source.read_exact(&mut contents)?;
            match kind {
                4 => texts.extend(comments(&contents).unwrap_or_default()),
                5 => chunks.push(Chunk { id: CUE_SHEET, bytes: contents }),
                _ => {
                    chunks.extend(riff_chunk(&contents));
                    take_aiff(&contents, aiff);
                }
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

/// The name under which a cue sheet waits to be said of: no chunk of RIFF is called so, and none is written.
pub(super) const CUE_SHEET: [u8; 4] = *b"CUE\0";

/// Bytes of a cue sheet before its tracks, of a track before its index points, and of an index point (RFC 9639, 8.7).
const SHEET_HEAD: usize = 396;
const TRACK_HEAD: usize = 36;
const INDEX_BYTES: usize = 12;

/// Where the tracks of a cue sheet start: index point 1 of each, or the track itself where it has none. The last one is the
/// lead-out (170 on a disc, else 255), where no track starts.
fn tracks_of(sheet: &[u8]) -> Vec<Marker> {
    let frames = |bytes: &[u8]| bytes.first_chunk().map(|bytes| u64::from_be_bytes(*bytes));
    let mut found = Vec::new();
    let mut rest = sheet.get(SHEET_HEAD..).unwrap_or_default();
    while let Some((head, behind)) = rest.split_at_checked(TRACK_HEAD) {
        let (number, points) = (head[8], usize::from(head[35]));
        let Some((points, next)) = behind.split_at_checked(points * INDEX_BYTES) else { break };
        let first =
            points.chunks_exact(INDEX_BYTES).find(|point| point[8] == 1).and_then(frames).unwrap_or(0);
        if !matches!(number, 170 | 255) {
            let frame = frames(head).unwrap_or(0).saturating_add(first);
            found.push(Marker { frame, name: format!("Track {number}") });
        }
        rest = next;
    }
    found
}

/// What a cue sheet says beside its places: the catalogue number, and the ISRC of every track.
pub(super) fn cue_sheet_texts(sheet: &[u8]) -> Vec<String> {
    let text = |bytes: &[u8]| readable(bytes.split(|byte| *byte == 0).next().unwrap_or_default());
    let mut texts = vec![("catalogue number".to_owned(), text(sheet.get(..128).unwrap_or_default()))];
    let mut rest = sheet.get(SHEET_HEAD..).unwrap_or_default();
    while let Some((head, behind)) = rest.split_at_checked(TRACK_HEAD) {
        texts.push((format!("ISRC of track {}", head[8]), text(&head[9..21])));
        rest = behind.get(usize::from(head[35]) * INDEX_BYTES..).unwrap_or_default();
    }
    texts
        .into_iter()
        .filter(|(_, text)| !text.is_empty())
        .map(|(name, text)| format!("{name}={text}"))
        .collect()
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

/// The comment that names the speakers (RFC 9639, 8.6.2).
const MASK: &str = "WAVEFORMATEXTENSIBLE_CHANNEL_MASK";

/// Every metadata block behind `STREAMINFO`: the pieces of the WAV file that this sound could have been, in order and with
/// its head, as the reference encoder keeps them (application id "riff"); and, last, titles and comments of the chunks
/// `beside` for all readers.
pub(crate) fn blocks(
    wav_pieces: &[Vec<u8>],
    beside: &[Chunk],
    channel_mask: Option<u32>,
) -> Result<Vec<Vec<u8>>, Error> {
    let pieces = wav_pieces.iter().map(|piece| block(2, &[b"riff", &piece[..]].concat()));
    pieces.chain([block(0x80 | 4, &comment(beside, channel_mask))]).collect()
}

fn block(kind: u8, contents: &[u8]) -> Result<Vec<u8>, Error> {
    if contents.len() > MOST_BLOCK_BYTES {
        return Err(Error::limit("bytes in a metadata block", MOST_BLOCK_BYTES, contents.len()));
    }
    let size = (contents.len() as u32).to_be_bytes();
    Ok([&[kind], &size[1..], contents].concat())
}

/// Vorbis comments (RFC 9639, 8.6), with the speaker mask where it is stated.
fn comment(beside: &[Chunk], channel_mask: Option<u32>) -> Vec<u8> {
    let mut contents = Vec::new();
    let put = |contents: &mut Vec<u8>, text: &str| {
        contents.extend((text.len() as u32).to_le_bytes());
        contents.extend(text.as_bytes());
    };
    let mask = channel_mask.filter(|mask| *mask != 0).map(|mask| format!("{MASK}=0x{mask:04X}"));
    let texts = Sorted::of(beside).texts;
    let titles = texts.iter().filter_map(|(id, text)| Some(format!("{}={}", named(*id)?, decoded(text))));
    let fields: Vec<String> = mask.into_iter().chain(titles).collect();
    put(&mut contents, concat!("loadin ", env!("CARGO_PKG_VERSION")));
    contents.extend((fields.len() as u32).to_le_bytes());
    for field in &fields {
        put(&mut contents, field);
    }
    contents
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    /// A track with its index points (RFC 9639, 8.7.1): start, number, ISRC, the kind of track, and 13 empty bytes.
    fn track(start: u64, number: u8, isrc: &[u8; 12], points: &[(u64, u8)]) -> Vec<u8> {
        let mut bytes = [&start.to_be_bytes()[..], &[number], isrc, &[0; 14], &[points.len() as u8]].concat();
        for (frame, number) in points {
            bytes.extend([&frame.to_be_bytes()[..], &[*number, 0, 0, 0]].concat());
        }
        bytes
    }

    #[test]
    fn a_cue_sheet_becomes_markers_and_its_numbers_are_on_record() {
        let mut catalogue = b"1234567890123".to_vec();
        catalogue.resize(128, 0);
        let isrc = b"ZZAAA2600001";
        let tracks = [
            track(0, 1, isrc, &[(0, 0), (88_200, 1)]),
            track(441_000, 2, &[0; 12], &[(0, 1), (44_100, 2)]),
            track(882_000, 170, &[0; 12], &[]),
        ];
        let sheet =
            [&catalogue[..], &88_200u64.to_be_bytes(), &[0x80], &[0; 258], &[3], &tracks.concat()].concat();
        let stream = [b"fLaC", &block(5 | 0x80, &sheet).unwrap()[..]].concat();
        let chunks = read(&mut Cursor::new(stream)).chunks;
        let markers = crate::Metadata { bext: None, chunks: chunks.clone() }.markers();
        let wanted = [(88_200, "Track 1"), (441_000, "Track 2")];
        assert_eq!(markers, wanted.map(|(frame, name)| Marker { frame, name: name.to_owned() }));
        let sheet = chunks.iter().find(|chunk| chunk.id == CUE_SHEET).unwrap();
        assert_eq!(
            cue_sheet_texts(&sheet.bytes),
            ["catalogue number=1234567890123", "ISRC of track 1=ZZAAA2600001"]
        );
        // What breaks off is read up to there.
        for end in 0..sheet.bytes.len() {
            let _ = (tracks_of(&sheet.bytes[..end]), cue_sheet_texts(&sheet.bytes[..end]));
        }
    }
}
