//! Texts of any encoding, readable: for the record, never for the file, where the bytes stay as they are. Knows no
//! chunk.

use encoding_rs::{UTF_8, WINDOWS_1252};

/// Longest text that is given: what is longer is no label.
const MOST_CHARS: usize = 400;

/// Bytes as Unicode: by their byte order mark, else UTF-8 where they are valid, else Windows-1252 (WHATWG Encoding
/// Standard), which takes every byte.
pub fn decoded(bytes: &[u8]) -> String {
    let unmarked = if std::str::from_utf8(bytes).is_ok() { UTF_8 } else { WINDOWS_1252 };
    unmarked.decode(bytes).0.into_owned()
}

/// A text that ends with its first NUL, as Unicode and short enough for a label.
pub fn readable(bytes: &[u8]) -> String {
    let is_wide = matches!(bytes, [0xFF, 0xFE, ..] | [0xFE, 0xFF, ..]);
    let end = bytes.iter().position(|byte| *byte == 0 && !is_wide).unwrap_or(bytes.len());
    let text = decoded(&bytes[..end]);
    shortened(text.split('\0').next().unwrap_or_default())
}

/// A text short enough for a label.
pub(super) fn shortened(text: &str) -> String {
    text.trim().chars().take(MOST_CHARS).collect()
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
