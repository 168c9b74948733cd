//! Texts of any encoding, readable: for the record, never for the file, where the bytes stay as they are.

use super::pieces;
use crate::Chunk;

/// Longest text that is given: what is longer is no label.
const MOST_CHARS: usize = 400;

/// A text as Unicode: UTF-16 with its mark, UTF-8, else Windows-1252 (WHATWG Encoding Standard), which takes every byte.
pub fn readable(bytes: &[u8]) -> String {
    let text = match bytes {
        [0xFF, 0xFE, rest @ ..] => utf_16(rest, u16::from_le_bytes),
        [0xFE, 0xFF, rest @ ..] => utf_16(rest, u16::from_be_bytes),
        _ => {
            let end = bytes.iter().position(|byte| *byte == 0).unwrap_or(bytes.len());
            let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(&bytes[..end]);
            std::str::from_utf8(bytes)
                .map_or_else(|_| encoding_rs::WINDOWS_1252.decode(bytes).0.into_owned(), str::to_owned)
        }
    };
    text.trim().chars().take(MOST_CHARS).collect()
}

fn utf_16(bytes: &[u8], word: fn([u8; 2]) -> u16) -> String {
    let words = bytes.as_chunks::<2>().0.iter().map(|pair| word(*pair)).take_while(|word| *word != 0);
    char::decode_utf16(words).map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER)).collect()
}

/// The texts of a chunk, each with its name: titles and comments of `INFO`, labels and notes of markers.
pub(super) fn texts(chunk: &Chunk) -> Vec<String> {
    let (b"LIST", Some((kind, rest))) = (&chunk.id, chunk.bytes.split_first_chunk::<4>()) else {
        return Vec::new();
    };
    let named = |id: [u8; 4], bytes: &[u8]| format!("{}={}", String::from_utf8_lossy(&id), readable(bytes));
    let read = |(id, bytes): ([u8; 4], &[u8])| match (kind, &id) {
        (b"INFO", _) => Some(named(id, bytes)),
        // The number of the marker stands before its text.
        (b"adtl", b"labl" | b"note") => Some(named(id, bytes.get(4..)?)),
        _ => None,
    };
    pieces(rest).into_iter().filter_map(read).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// "Größe" in four encodings; the bytes of Windows-1252 and UTF-16 are those of the Unicode mapping tables.
    #[test]
    fn texts_of_any_encoding_are_read() {
        for bytes in [
            &b"Gr\xC3\xB6\xC3\x9Fe\0\0"[..],
            b"\xEF\xBB\xBFGr\xC3\xB6\xC3\x9Fe",
            b"Gr\xF6\xDFe\0",
            b"\xFF\xFEG\0r\0\xF6\0\xDF\0e\0\0\0",
            b"\xFE\xFF\0G\0r\0\xF6\0\xDF\0e",
        ] {
            assert_eq!(readable(bytes), "Größe", "{bytes:02x?}");
        }
        assert_eq!(readable(b"\x80 5"), "€ 5", "Windows-1252, byte 80");
    }
}
