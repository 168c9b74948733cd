//! The `fmt ` chunk: WAVEFORMAT, WAVEFORMATEX and WAVEFORMATEXTENSIBLE, 14 to 40 bytes and more. Knows no other chunk.

use crate::read::pcm::Coding;
use crate::{Codec, Error};

/// What the `fmt ` chunk says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fmt {
    pub(super) codec: Codec,
    /// How samples are stored; `None` for codecs that need a decoder.
    pub(super) coding: Option<Coding>,
    pub(super) channels: u16,
    pub(super) rate_hz: u32,
    /// Bytes of one frame.
    pub(super) align: u64,
    pub(super) valid_bits: u16,
    pub(super) channel_mask: Option<u32>,
}

const PCM: u16 = 1;
const MS_ADPCM: u16 = 2;
const FLOAT: u16 = 3;
const A_LAW: u16 = 6;
const MU_LAW: u16 = 7;
const IMA_ADPCM: u16 = 0x11;
const EXTENSIBLE: u16 = 0xFFFE;

struct Fields<'a> {
    bytes: &'a [u8],
    big_endian: bool,
}

impl Fields<'_> {
    fn u16(&self, at: usize) -> Option<u16> {
        let bytes = self.bytes.get(at..at + 2)?.try_into().ok()?;
        Some(if self.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
    }

    fn u32(&self, at: usize) -> Option<u32> {
        let bytes = self.bytes.get(at..at + 4)?.try_into().ok()?;
        Some(if self.big_endian { u32::from_be_bytes(bytes) } else { u32::from_le_bytes(bytes) })
    }
}

impl Fmt {
    pub(super) fn parse(bytes: &[u8], big_endian: bool) -> Result<Self, Error> {
        let fields = Fields { bytes, big_endian };
        let short =
            || Error::malformed(format!("a fmt chunk of {} bytes, 14 are the least", bytes.len()), 12);
        let mut tag = fields.u16(0).ok_or_else(short)?;
        let channels = fields.u16(2).ok_or_else(short)?;
        let rate_hz = fields.u32(4).ok_or_else(short)?;
        let align = fields.u16(12).ok_or_else(short)?;
        if channels == 0 {
            return Err(Error::limit("channels", "1 to 64", 0));
        }
        if align == 0 {
            return Err(Error::limit("bytes a frame", "at least 1", 0));
        }
        let bits = fields.u16(14).unwrap_or((align / channels).saturating_mul(8));
        let mut valid_bits = bits;
        let mut channel_mask = None;
        if tag == EXTENSIBLE {
            let short = || Error::malformed("an extensible fmt chunk without its 22 further bytes", 12);
            valid_bits = fields.u16(18).ok_or_else(short)?;
            channel_mask = Some(fields.u32(20).ok_or_else(short)?).filter(|mask| *mask != 0);
            // The first field of the GUID, which has 32 bits: in RIFX the tag stands at its end.
            tag = fields.u32(24).map(|field| field as u16).or(fields.u16(24)).ok_or_else(short)?;
        }
        // A valid width of 0, or of more than the container, is a mistake of the writer.
        if valid_bits == 0 || valid_bits > bits {
            valid_bits = bits;
        }
        let (codec, coding) = coding(tag, bits, align, channels)?;
        if codec.is_lossy() && coding.is_some() {
            valid_bits = 16;
        }
        Ok(Self { codec, coding, channels, rate_hz, align: u64::from(align), valid_bits, channel_mask })
    }
}

fn coding(tag: u16, bits: u16, align: u16, channels: u16) -> Result<(Codec, Option<Coding>), Error> {
    let bytes = usize::from(align / channels);
    let consistent = align.is_multiple_of(channels) && bytes * 8 >= usize::from(bits) && bits > 0;
    let mismatch = || {
        Error::malformed(
            format!("{bits} bits and {channels} channels do not fit frames of {align} bytes"),
            12,
        )
    };
    match tag {
        PCM if !consistent || bytes > 8 => Err(mismatch()),
        PCM if bytes == 1 => Ok((Codec::PcmInt, Some(Coding::U8))),
        PCM => Ok((Codec::PcmInt, Some(Coding::Int(bytes)))),
        FLOAT if consistent && bytes == 4 => Ok((Codec::PcmFloat, Some(Coding::F32))),
        FLOAT if consistent && bytes == 8 => Ok((Codec::PcmFloat, Some(Coding::F64))),
        A_LAW if consistent && bytes == 1 => Ok((Codec::ALaw, Some(Coding::ALaw))),
        MU_LAW if consistent && bytes == 1 => Ok((Codec::MuLaw, Some(Coding::MuLaw))),
        FLOAT | A_LAW | MU_LAW => Err(mismatch()),
        MS_ADPCM | IMA_ADPCM => Ok((Codec::Adpcm, None)),
        other => Err(Error::unsupported(format!("a WAV file with format tag {other:#06x}"))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chunk(tag: u16, channels: u16, align: u16, bits: u16) -> Vec<u8> {
        let mut bytes = Vec::new();
        bytes.extend(tag.to_le_bytes());
        bytes.extend(channels.to_le_bytes());
        bytes.extend(48_000u32.to_le_bytes());
        bytes.extend((48_000 * u32::from(align)).to_le_bytes());
        bytes.extend(align.to_le_bytes());
        bytes.extend(bits.to_le_bytes());
        bytes
    }

    #[test]
    fn odd_depths_are_left_justified_in_their_container() {
        let fmt = Fmt::parse(&chunk(PCM, 2, 6, 20), false).unwrap();
        assert_eq!((fmt.coding, fmt.valid_bits), (Some(Coding::Int(3)), 20));
        let fmt = Fmt::parse(&chunk(PCM, 2, 8, 24), false).unwrap();
        assert_eq!((fmt.coding, fmt.valid_bits), (Some(Coding::Int(4)), 24));
    }

    #[test]
    fn contradictions_are_refused_with_the_numbers() {
        let text = Fmt::parse(&chunk(PCM, 3, 4, 24), false).unwrap_err().to_string();
        assert!(text.contains("24 bits and 3 channels") && text.contains("4 bytes"), "{text}");
        assert!(Fmt::parse(&chunk(PCM, 0, 4, 16), false).unwrap_err().to_string().contains("0 channels"));
        assert!(Fmt::parse(&chunk(0x55, 2, 4, 16), false).unwrap_err().to_string().contains("0x0055"));
        assert!(Fmt::parse(&chunk(PCM, 2, 4, 16)[..10], false).is_err());
    }

    #[test]
    fn fourteen_bytes_are_enough() {
        let fmt = Fmt::parse(&chunk(PCM, 2, 4, 16)[..14], false).unwrap();
        assert_eq!((fmt.coding, fmt.valid_bits), (Some(Coding::Int(2)), 16));
    }
}
