//! The head of a frame of a FLAC stream. It knows no block and no sample.
//!
//! Source: RFC 9639, section 9.1.

/// What the head of a frame says; 0 where it says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Frame {
    pub(super) is_fixed: bool,
    pub(super) block: u64,
    pub(super) rate_hz: u64,
    pub(super) channels: u64,
    pub(super) bits: u64,
    /// Whether it is the first of a stream.
    pub(super) is_first: bool,
}

/// The check sum of a frame's head: x^8 + x^2 + x + 1.
fn crc8(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |sum, byte| {
        (0..8).fold(sum ^ byte, |sum: u8, _| if sum & 0x80 == 0 { sum << 1 } else { sum << 1 ^ 7 })
    })
}

impl Frame {
    /// The head of a frame; `None` where its check sum is wrong, or where it is none.
    pub(super) fn parse(bytes: &[u8]) -> Option<Self> {
        if bytes.first() != Some(&0xFF) || bytes.get(1)? & 0xFE != 0xF8 {
            return None;
        }
        let (sizes, layout) = (bytes.get(2)?, bytes.get(3)?);
        let mut at = 4
            + usize::from(*bytes.get(4)? >= 0xC0) * (bytes[4].leading_ones() as usize).saturating_sub(1)
            + 1;
        let mut number = |count: usize| {
            let field = bytes.get(at..at + count)?;
            at += count;
            Some(field.iter().fold(0, |value, byte| value << 8 | u64::from(*byte)))
        };
        let block = match sizes >> 4 {
            1 => 192,
            code @ 2..=5 => 576 << (code - 2),
            6 => number(1)? + 1,
            7 => number(2)? + 1,
            code @ 8..=15 => 256 << (code - 8),
            _ => return None,
        };
        let rate_hz = match sizes & 15 {
            0 => 0,
            code @ 1..=11 => {
                [88_200, 176_400, 192_000, 8_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 96_000]
                    [usize::from(code) - 1]
            }
            12 => number(1)? * 1000,
            13 => number(2)?,
            14 => number(2)? * 10,
            _ => return None,
        };
        let channels = match layout >> 4 {
            code @ 0..=7 => u64::from(code) + 1,
            8..=10 => 2,
            _ => return None,
        };
        let bits = *[0, 8, 12, 0, 16, 20, 24, 32].get(usize::from(layout >> 1 & 7))?;
        let is_right = bytes.get(at) == Some(&crc8(bytes.get(..at)?));
        is_right.then_some(Self {
            is_fixed: bytes[1] & 1 == 0,
            block,
            rate_hz,
            channels,
            bits,
            is_first: bytes[4] == 0,
        })
    }
}
