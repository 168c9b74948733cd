//! Titles and comments of streams whose tags symphonia reads: ID3 (id3.org, ID3v2.2 to 2.4), Ogg, MP4. Knows nothing of
//! the samples.

use std::io::{Cursor, Read, Seek};
use std::panic::{AssertUnwindSafe, catch_unwind};

use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::{MetadataOptions, MetadataReader, MetadataRevision, StandardTag, Tag};
use symphonia::default::meta::Id3v2Reader;

use super::info::info;
use super::text::shortened;
use crate::Chunk;

/// Bytes of the head of an ID3 tag, and of the foot that it may have.
const ID3_HEAD: usize = 10;

/// A tag with pictures may be long; what is longer is not carried.
const MOST_ID3_BYTES: usize = 16 << 20;

/// The ID3 tag in front of a stream, to the byte.
pub(crate) fn id3_in_front<R: Read + Seek>(source: &mut R) -> Option<Chunk> {
    source.rewind().ok()?;
    let mut head = [0; ID3_HEAD];
    source.read_exact(&mut head).ok()?;
    if !head.starts_with(b"ID3") {
        return None;
    }
    // ID3v2.4 structure, 3.1: the size has seven bits in a byte and counts neither head nor foot; flag 10h is a foot.
    let size = head[6..].iter().fold(0, |size, byte| size << 7 | usize::from(byte & 0x7F));
    let foot = if head[5] & 0x10 == 0 { 0 } else { ID3_HEAD };
    let mut bytes = head.to_vec();
    let read = source.take((size + foot).min(MOST_ID3_BYTES) as u64).read_to_end(&mut bytes).ok()?;
    (read == size + foot).then_some(Chunk { id: *b"id3 ", bytes })
}

/// The texts of an ID3 tag, each with its name.
pub(super) fn id3_texts(bytes: &[u8]) -> Vec<String> {
    let stream =
        MediaSourceStream::new(Box::new(Cursor::new(bytes.to_vec())), MediaSourceStreamOptions::default());
    let read = || Id3v2Reader::try_new(stream, MetadataOptions::default())?.read_all();
    // A panic in the library is a malformed tag.
    let Ok(Ok(found)) = catch_unwind(AssertUnwindSafe(read)) else { return Vec::new() };
    let texts = found.revision.media.tags.iter().filter_map(named);
    texts.map(|(name, text)| format!("{name}={}", shortened(&text))).collect()
}

/// The tags of a stream as an `INFO` list.
pub(crate) fn info_of(revision: &MetadataRevision) -> Option<Chunk> {
    let of_tracks = revision.per_track.iter().flat_map(|track| &track.metadata.tags);
    let tags = revision.media.tags.iter().chain(of_tracks).filter_map(named);
    info(&tags.map(|(name, text)| (name, text.into_bytes())).collect::<Vec<_>>())
}

/// A tag by the name that a Vorbis comment would have, where there is one, else by its own.
fn named(tag: &Tag) -> Option<(String, String)> {
    let known = match &tag.std {
        Some(StandardTag::TrackTitle(_)) => Some("TITLE"),
        Some(StandardTag::Artist(_)) => Some("ARTIST"),
        Some(StandardTag::Album(_)) => Some("ALBUM"),
        Some(StandardTag::Genre(_)) => Some("GENRE"),
        Some(StandardTag::Comment(_)) => Some("COMMENT"),
        Some(StandardTag::Copyright(_)) => Some("COPYRIGHT"),
        Some(StandardTag::Description(_)) => Some("DESCRIPTION"),
        Some(StandardTag::Encoder(_)) => Some("ENCODER"),
        _ => None,
    };
    let text = tag.raw.value.to_string();
    let name = known.map_or_else(|| tag.raw.key.clone(), str::to_owned);
    (!text.trim().is_empty()).then_some((name, text))
}
