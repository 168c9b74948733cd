//! The fields of the chunks that say what the samples are, and whether they agree. It reads them by the standards and not by the
//! readers under test.

use std::ops::Range;

use super::layout::{Family, Part, Parts};

/// A field of a head: its name, the chunk it stands in, and its bytes there.
pub(super) struct Field {
    pub(super) name: &'static str,
    pub(super) chunk: [u8; 4],
    pub(super) bytes: Range<usize>,
}

const fn field(name: &'static str, chunk: [u8; 4], bytes: Range<usize>) -> Field {
    Field { name, chunk, bytes }
}

/// `WAVEFORMATEX` and `WAVEFORMATEXTENSIBLE`; the 64-bit sizes of ITU-R BS.2088.
const RIFF: &[Field] = &[
    field("format tag", *b"fmt ", 0..2),
    field("channels", *b"fmt ", 2..4),
    field("rate", *b"fmt ", 4..8),
    field("bytes a second", *b"fmt ", 8..12),
    field("bytes a frame", *b"fmt ", 12..14),
    field("bits", *b"fmt ", 14..16),
    field("extra bytes", *b"fmt ", 16..18),
    field("valid bits", *b"fmt ", 18..20),
    field("mask", *b"fmt ", 20..24),
    field("tag of the GUID", *b"fmt ", 24..26),
    field("rest of the GUID", *b"fmt ", 26..40),
    field("long RIFF size", *b"ds64", 0..8),
    field("long data size", *b"ds64", 8..16),
    field("long frames", *b"ds64", 16..24),
    field("rows of a table", *b"ds64", 24..28),
];

/// Audio Interchange File Format 1.3 and AIFF-C.
const AIFF: &[Field] = &[
    field("channels", *b"COMM", 0..2),
    field("frames", *b"COMM", 2..6),
    field("bits", *b"COMM", 6..8),
    field("exponent of the rate", *b"COMM", 8..10),
    field("rate", *b"COMM", 10..18),
    field("compression", *b"COMM", 18..22),
    field("offset", *b"SSND", 0..4),
    field("block size", *b"SSND", 4..8),
    field("version", *b"FVER", 0..4),
];

/// Core Audio Format 1.0.
const CAF: &[Field] = &[
    field("rate", *b"desc", 0..8),
    field("format", *b"desc", 8..12),
    field("flags", *b"desc", 12..16),
    field("bytes a packet", *b"desc", 16..20),
    field("frames a packet", *b"desc", 20..24),
    field("channels", *b"desc", 24..28),
    field("bits", *b"desc", 28..32),
    field("edits", *b"data", 0..4),
    field("layout", *b"chan", 0..12),
];

/// The fields of a family.
pub(super) fn fields(family: Family) -> &'static [Field] {
    match family {
        Family::Riff | Family::Wave64 => RIFF,
        Family::Aiff => AIFF,
        Family::Caf => CAF,
    }
}

/// How samples are stored, by a head whose fields agree.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Stored {
    coding: Vec<u8>,
    channels: u64,
    /// Bytes of a sample.
    width: u64,
}

/// Whether the changed file says something else of its samples, and every field of it agrees. Which of two heads holds is open
/// too: the last one may be meant as well as the first.
pub(super) fn speak_otherwise(whole: &Parts, changed: &Parts) -> bool {
    let told = told(whole);
    // A size that counts the padding says that it is samples.
    let counts = |part: &Part| part.stated == Some((part.body.len() + part.padding.len()) as u64);
    let counts_padding = changed.chunks.iter().any(|part| part.is_sound() && counts(part));
    counts_padding || self::told(changed).iter().any(|now| !told.contains(now))
}

/// What the heads of a file say, where that agrees.
fn told(parts: &Parts) -> Vec<Stored> {
    let heads = parts.chunks.iter().filter(|part| part.is_format());
    heads.filter_map(|part| stored(parts, &part.body)).collect()
}

fn stored(parts: &Parts, head: &[u8]) -> Option<Stored> {
    let value = |bytes: Range<usize>| Some(parts.family.value(head.get(bytes)?));
    match parts.family {
        Family::Riff | Family::Wave64 => {
            let (channels, rate) = (value(2..4)?, value(4..8)?);
            let (align, bits) = (value(12..14)?, value(14..16).unwrap_or(0));
            let width = align.checked_div(channels)?;
            let tag = if value(0..2) == Some(0xFFFE) { value(24..26)? } else { value(0..2)? };
            let agrees = value(8..12) == Some(rate * align) && align == channels * width;
            // Where bits are missing, the bytes of a frame say them.
            let bits = if bits == 0 { width * 8 } else { bits };
            let fits = bits.div_ceil(8) == width || (width, bits) == (4, 24);
            (agrees && fits).then(|| Stored { coding: vec![tag as u8], channels, width })
        }
        Family::Aiff => {
            let (channels, frames, bits) = (value(0..2)?, value(2..6)?, value(6..8)?);
            let coding = head.get(18..22).unwrap_or(b"NONE").to_vec();
            let width = bits.div_ceil(8);
            let held = |part: &Part| part.body.len().saturating_sub(8) as u64;
            let mut sounds = parts.chunks.iter().filter(|part| part.is_sound());
            // The compression alone may say the width too.
            let fits = sounds.any(|part| {
                [1, 2, 3, 4, 8].iter().any(|width| held(part).abs_diff(frames * channels * width) <= 1)
            });
            fits.then_some(Stored { coding, channels, width })
        }
        Family::Caf => {
            let (packet, frames, channels) = (value(16..20)?, value(20..24)?, value(24..28)?);
            let width = packet.checked_div(channels)?;
            let fits = frames == 1 && packet == channels * width && value(28..32)?.div_ceil(8) == width;
            let coding = [head.get(8..12)?, &head[15..16]].concat();
            fits.then_some(Stored { coding, channels, width })
        }
    }
}
