//! Knows a file by its first bytes, and names what is no audio. Knows nothing of what stands behind them.

use crate::Container;
use crate::read::riff::wave64;

/// What a file is, as far as the way to open it depends on it.
pub(super) enum Kind {
    /// One of the RIFF family.
    Riff(Container),
    /// AIFF, or AIFF-C.
    Aiff { is_aifc: bool },
    /// A container of one form.
    Other(Container),
}

/// The first four bytes of files whose form is `WAVE`.
const RIFF_FORMS: [(&[u8; 4], Container); 4] = [
    (b"RIFF", Container::Wav),
    (b"RF64", Container::Rf64),
    (b"BW64", Container::Bw64),
    (b"RIFX", Container::Rifx),
];

/// What the first bytes of a file say that it is; `None` where they are no audio.
pub(super) fn container(head: &[u8]) -> Option<Kind> {
    let at = |from: usize, wanted: &[u8]| head.get(from..from + wanted.len()) == Some(wanted);
    for (form, container) in RIFF_FORMS {
        if at(0, form) && at(8, b"WAVE") {
            return Some(Kind::Riff(container));
        }
    }
    if at(0, &wave64::RIFF) && at(24, &wave64::WAVE) {
        return Some(Kind::Riff(Container::Wave64));
    }
    if at(0, b"FORM") && (at(8, b"AIFF") || at(8, b"AIFC")) {
        return Some(Kind::Aiff { is_aifc: at(8, b"AIFC") });
    }
    let other = if at(0, b"fLaC") {
        Container::Flac
    } else if at(0, b"OggS") {
        Container::Ogg
    } else if at(0, b"caff") {
        Container::Caf
    } else if at(4, b"ftyp") {
        Container::Mp4
    } else if at(0, &[0xFF, 0xF1]) || at(0, &[0xFF, 0xF9]) {
        Container::Adts
    } else if at(0, b"ID3") || is_mp3_frame(head) {
        Container::Mp3
    } else {
        return None;
    };
    Some(Kind::Other(other))
}

/// Whether these are the sync word of an MPEG audio frame, layer III, and no value that is reserved in it.
fn is_mp3_frame(head: &[u8]) -> bool {
    let &[0xFF, version, rates, ..] = head else { return false };
    version & 0xE0 == 0xE0
        && version & 0x18 != 0x08
        && version & 0x06 == 0x02
        && rates & 0xF0 != 0xF0
        && rates & 0x0C != 0x0C
}

/// The first bytes of what may hold audio that is not read here: other forms of audio, and archives. From the published
/// descriptions of these forms; `WavPack` 4 ("wvpk"), DSF and DSDIFF, ATSC A/52 (AC-3), RFC 4867 (AMR), RFC 9559 (Matroska,
/// EBML), the 7z, gzip (RFC 1952), xz and Zstandard (RFC 8878) formats; the others from memory.
const UNREAD: [(&[u8], &str); 19] = [
    (b"wvpk", "a WavPack file"),
    (b"MAC ", "a file of lossless audio (APE)"),
    (b"DSD ", "a DSD file (DSF)"),
    (b"FRM8", "a DSD file (DSDIFF)"),
    (&[0x0B, 0x77], "an AC-3 file"),
    (&[0x7F, 0xFE, 0x80, 0x01], "a DTS file"),
    (b"TTA1", "a file of lossless audio (TTA)"),
    (b"tBaK", "a file of lossless audio (TAK)"),
    (b"MPCK", "a Musepack file"),
    (b"MP+", "a Musepack file"),
    (b"ajkg", "a file of lossless audio (Shorten)"),
    (b"#!AMR", "an AMR file"),
    (b".snd", "an AU file"),
    (&[0x30, 0x26, 0xB2, 0x75], "an ASF file (WMA)"),
    (&[0x1A, 0x45, 0xDF, 0xA3], "a Matroska file"),
    (b"7z\xBC\xAF\x27\x1C", "a 7z archive, which is not unpacked here"),
    (b"Rar!", "a RAR archive, which is not unpacked here"),
    (&[0x1F, 0x8B], "a gzip archive, which is not unpacked here"),
    (&[0xFD, b'7', b'z', b'X', b'Z'], "an xz archive, which is not unpacked here"),
];

/// What may hold audio and has no reader here, named; `None` for everything else.
pub(super) fn unread(head: &[u8]) -> Option<&'static str> {
    UNREAD.iter().find(|(start, _)| head.starts_with(start)).map(|(_, what)| *what)
}

/// What bytes that are no audio look like.
pub(super) fn describe(head: &[u8]) -> String {
    let starts = |wanted: &[u8]| head.starts_with(wanted);
    let text = if head.is_empty() {
        "an empty file"
    } else if starts(&[0x00, 0x05, 0x16, 0x07]) {
        "file-system litter (AppleDouble)"
    } else if starts(b"MThd") {
        "a MIDI file"
    } else if starts(b"PK\x03\x04") {
        "a ZIP archive"
    } else if starts(b"%PDF") {
        "a PDF document"
    } else if starts(b"\x89PNG") || starts(&[0xFF, 0xD8, 0xFF]) {
        "an image"
    } else if starts(b"RIFF") || starts(b"RF64") || starts(b"RIFX") || starts(b"FORM") {
        "a RIFF or IFF file of another kind"
    } else if starts(&[0xFF, 0xFE]) || starts(&[0xFE, 0xFF]) {
        "text (UTF-16)"
    } else if head.iter().all(|byte| *byte == 0) {
        "a file that begins with zeros"
    } else if head.iter().all(|byte| matches!(byte, 0x09 | 0x0A | 0x0D | 0x20..=0x7E | 0x80..)) {
        "text"
    } else {
        "something unknown"
    };
    text.to_owned()
}
