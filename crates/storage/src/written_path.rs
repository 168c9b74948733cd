//! Paths as text that loses nothing: how a path stands in records, recipes and papers, and the way back. Opens nothing.
//!
//! A path is bytes on Unix; text that is not UTF-8 would be shown alike for names that differ. Valid UTF-8 stays as it is,
//! save that a backslash is written `\\`, a line feed `\n` and a carriage return `\r`; a byte that is not part of valid
//! UTF-8 is written `\x` and two upper-case hexadecimal digits. `/` stands between folders, and is never part of a name.

use std::ffi::{OsStr, OsString};
use std::fmt::Write;

/// The written form of a path or of a name in it. Where paths are not bytes, what is no Unicode is lost.
pub fn written(path: &OsStr) -> String {
    #[cfg(unix)]
    let bytes = std::os::unix::ffi::OsStrExt::as_bytes(path);
    #[cfg(not(unix))]
    let text = path.to_string_lossy();
    #[cfg(not(unix))]
    let bytes = text.as_bytes();
    written_bytes(bytes)
}

/// The written form of a path that came as bytes.
pub fn written_bytes(path: &[u8]) -> String {
    let mut text = String::with_capacity(path.len());
    for chunk in path.utf8_chunks() {
        for c in chunk.valid().chars() {
            match c {
                '\\' => text.push_str("\\\\"),
                '\n' => text.push_str("\\n"),
                '\r' => text.push_str("\\r"),
                c => text.push(c),
            }
        }
        for byte in chunk.invalid() {
            // Writing to a string cannot fail.
            let _ = write!(text, "\\x{byte:02X}");
        }
    }
    text
}

/// The path of which this is the written form; `None` when it is that of none.
pub fn real(text: &str) -> Option<OsString> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some((plain, escaped)) = rest.split_once('\\') {
        bytes.extend(plain.as_bytes());
        let (byte, length) = match escaped.as_bytes().first()? {
            b'\\' => (b'\\', 1),
            b'n' => (b'\n', 1),
            b'r' => (b'\r', 1),
            b'x' => (u8::from_str_radix(escaped.get(1..3)?, 16).ok()?, 3),
            _ => return None,
        };
        bytes.push(byte);
        rest = &escaped[length..];
    }
    bytes.extend(rest.as_bytes());
    // One path has one form only: `\x41` or a bare line feed is nobody's.
    if written_bytes(&bytes) != text {
        return None;
    }
    #[cfg(unix)]
    return Some(std::os::unix::ffi::OsStringExt::from_vec(bytes));
    #[cfg(not(unix))]
    return String::from_utf8(bytes).ok().map(OsString::from);
}

/// The path that a record means. Records of earlier versions have what is not escaped as it was.
pub fn meant(text: &str) -> OsString {
    real(text).unwrap_or_else(|| OsString::from(text))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn what_is_written_how() {
        for (bytes, wanted) in [
            (&b"drums/Kick In.wav"[..], "drums/Kick In.wav"),
            ("Größe ドラム.wav".as_bytes(), "Größe ドラム.wav"),
            (b"Kick\xFE.wav", r"Kick\xFE.wav"),
            (b"Kick\xFF.wav", r"Kick\xFF.wav"),
            (b"a\nb\rc\\d", r"a\nb\rc\\d"),
            (br"Kick\xFE.wav", r"Kick\\xFE.wav"),
            // A letter of three bytes that is cut, and an encoded surrogate: RFC 3629, section 3.
            (b"\xE3\x83.wav", r"\xE3\x83.wav"),
            (b"\xED\xA0\x80", r"\xED\xA0\x80"),
            (b"", ""),
        ] {
            assert_eq!(written_bytes(bytes), wanted);
        }
        // The replacement character itself is a letter like others.
        assert_eq!(written_bytes("\u{FFFD}".as_bytes()), "\u{FFFD}");
    }

    #[test]
    fn what_is_nobodys_form_means_itself() {
        for text in
            [r"\", r"a\q", r"\x4", r"\x41", r"\xfe", r"\x+1", r"\xC3\xA9", "a\nb", "a\rb", r"\xé", r"a\\\b"]
        {
            assert_eq!(real(text), None, "{text:?}");
            assert_eq!(meant(text), OsStr::new(text));
        }
    }

    proptest! {
        #[test]
        fn text_there_and_back(text in r"([a-c/\\\n\r]|\PC){0,12}") {
            let written = written(OsStr::new(&text));
            prop_assert!(!written.contains(['\n', '\r']));
            prop_assert_eq!(real(&written), Some(OsString::from(&text)));
            prop_assert_eq!(written == text, !text.contains(['\\', '\n', '\r']));
        }

        /// Whatever has a path is its one written form.
        #[test]
        fn back_and_there(text in r"(\\|x|[A-F0-9]|n|r|é){0,12}") {
            if let Some(path) = real(&text) {
                prop_assert_eq!(written(&path), text);
            }
        }
    }

    #[cfg(unix)]
    mod bytes {
        use std::os::unix::ffi::OsStrExt;

        use super::*;

        /// Bytes of which many are signs of the written form, or parts of letters.
        fn bytes() -> impl Strategy<Value = Vec<u8>> {
            let sign = prop::sample::select(&b"\\xnrFE0\n\r/\xC3\xA9\xFF\xFE\xE3\x83"[..]);
            prop::collection::vec(prop_oneof![sign, any::<u8>()], 0..24)
        }

        proptest! {
            #[test]
            fn any_bytes_there_and_back(name in bytes()) {
                let name = OsStr::from_bytes(&name);
                prop_assert_eq!(real(&written(name)), Some(name.to_owned()));
            }

            #[test]
            fn no_two_have_one_form(a in bytes(), b in bytes()) {
                prop_assert_eq!(a == b, written_bytes(&a) == written_bytes(&b));
            }
        }
    }
}
