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
    /// Frames of a block, where samples are coded in blocks and the chunk says so; else 0.
    pub(super) block_frames: u16,
    pub(super) valid_bits: u16,
    pub(super) channel_mask: Option<u32>,
    /// Where its fields contradict each other: by which the samples are read, and how else they could be.
    pub(super) contradiction: Option<Contradiction>,
}

/// Fields of which one must be wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Contradiction {
    /// Both readings, for people.
    pub(super) text: String,
    /// Bytes of a sample that hold nothing where this reading is right: the lowest of a container that is too wide.
    pub(super) empty_bytes: usize,
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
        let mut rate_hz = fields.u32(4).ok_or_else(short)?;
        let byte_rate = fields.u32(8).ok_or_else(short)?;
        let align = fields.u16(12).ok_or_else(short)?;
        if channels == 0 {
            return Err(Error::limit("channels", "1 to 64", 0));
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
        let stated = Layout { channels, align, bits };
        let (layout, mut contradiction) =
            stated.agreed(tag, rate_hz, byte_rate).ok_or_else(|| mismatch(bits, channels, align))?;
        let Layout { channels, align, bits } = layout;
        if align == 0 {
            return Err(Error::limit("bytes a frame", "at least 1", 0));
        }
        // The bytes a second say the rate too.
        if rate_hz == 0 && byte_rate > 0 && byte_rate.is_multiple_of(u32::from(align)) {
            rate_hz = byte_rate / u32::from(align);
            let text = format!(
                "its fmt chunk says 0 Hz and {byte_rate} bytes a second, which are {rate_hz} Hz; it is read so; ask for the file again"
            );
            contradiction.get_or_insert(Contradiction { text, empty_bytes: 0 });
        }
        // A valid width of 0, or of more than the container, is a mistake of the writer.
        if valid_bits == 0 || valid_bits > bits {
            valid_bits = bits;
        }
        let (codec, coding) = coding(tag, bits, align, channels)?;
        if codec.is_lossy() && coding.is_some() {
            valid_bits = 16;
        }
        let align = u64::from(align);
        let block_frames = if coding.is_none() { fields.u16(18).unwrap_or(0) } else { 0 };
        Ok(Self {
            codec,
            coding,
            channels,
            rate_hz,
            align,
            block_frames,
            valid_bits,
            channel_mask,
            contradiction,
        })
    }
}

/// No sample takes more.
const MOST_SAMPLE_BYTES: u16 = 8;

/// What three fields say of a frame; any two of them give the third.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Layout {
    channels: u16,
    align: u16,
    bits: u16,
}

impl Layout {
    /// The layout that is read by, with the contradiction where one field does not fit the others: the reading whose bytes a
    /// second are those that the chunk states. `None` where no reading, or more than one, has them.
    fn agreed(self, tag: u16, rate_hz: u32, byte_rate: u32) -> Option<(Self, Option<Contradiction>)> {
        let Self { channels, align, bits } = self;
        // ADPCM packs samples closer than bytes, and of other codecs nothing is known.
        if !matches!(tag, PCM | FLOAT | A_LAW | MU_LAW) || bits == 0 {
            return Some((self, None));
        }
        let (wanted, held) = (bits.div_ceil(8), align / channels);
        let states = |layout: &Self| u64::from(rate_hz) * u64::from(layout.align) == u64::from(byte_rate);
        if align.is_multiple_of(channels) && held >= wanted {
            // 24 bits in four bytes are common practice, no source; unless the bytes a second are those of three.
            let packed = Self { align: channels.saturating_mul(wanted), ..self };
            let is_packed = states(&packed) && !states(&self);
            if is_packed && held > MOST_SAMPLE_BYTES {
                return Some((
                    packed,
                    Some(Contradiction { text: contradiction(packed, self), empty_bytes: 0 }),
                ));
            }
            let is_usual = held == wanted || tag != PCM || (held, wanted) == (4, 3) && !is_packed;
            let is_wide = is_packed || !align.is_multiple_of(wanted);
            let other = if is_wide { packed } else { Self { channels: align / wanted, ..self } };
            let empty_bytes = usize::from(held - wanted);
            let contradiction =
                (!is_usual).then(|| Contradiction { text: contradiction(self, other), empty_bytes });
            return Some((self, contradiction));
        }
        let other_align = channels.checked_mul(wanted).map(|align| Self { align, ..self });
        let other_channels =
            align.is_multiple_of(wanted).then_some(Self { channels: align / wanted, ..self });
        let other_bits =
            align.is_multiple_of(channels).then_some(Self { bits: held.saturating_mul(8), ..self });
        let sound = |layout: &Self| layout.channels > 0 && layout.bits > 0 && states(layout);
        let readings: Vec<Self> =
            [other_align, other_channels, other_bits].into_iter().flatten().filter(sound).collect();
        match readings[..] {
            [reading] => {
                let text = contradiction(reading, self);
                Some((reading, Some(Contradiction { text, empty_bytes: 0 })))
            }
            _ => None,
        }
    }
}

fn contradiction(reading: Layout, other: Layout) -> String {
    let words = |Layout { channels, align, bits }: Layout| {
        let channels = if channels == 1 { "1 channel".to_owned() } else { format!("{channels} channels") };
        format!("{channels} of {bits} bits in frames of {align} bytes")
    };
    format!(
        "its fmt chunk contradicts itself: it is read as {}, and it could be {}; ask for the file again",
        words(reading),
        words(other)
    )
}

fn mismatch(bits: u16, channels: u16, align: u16) -> Error {
    Error::malformed(format!("{bits} bits and {channels} channels do not fit frames of {align} bytes"), 12)
}

fn coding(tag: u16, bits: u16, align: u16, channels: u16) -> Result<(Codec, Option<Coding>), Error> {
    let bytes = usize::from(align / channels);
    let consistent = align.is_multiple_of(channels) && bytes * 8 >= usize::from(bits) && bits > 0;
    let mismatch = || mismatch(bits, channels, align);
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

    /// A field that is wrong alone is found by the bytes a second; where a container is wider than it must be, either
    /// reading may be meant.
    #[test]
    fn contradictions_are_read_by_the_fields_that_agree_and_said() {
        let read = |channels, align, bits, byte_rate: u32| {
            let mut bytes = chunk(PCM, channels, align, bits);
            bytes[8..12].copy_from_slice(&byte_rate.to_le_bytes());
            Fmt::parse(&bytes, false).map(|fmt| {
                let said = fmt.contradiction.as_ref().map(|found| (found.text.clone(), found.empty_bytes));
                ((fmt.channels, fmt.align, fmt.valid_bits), said)
            })
        };
        let (layout, said) = read(1, 4, 16, 4 * 48_000).unwrap();
        let (text, empty_bytes) = said.unwrap();
        assert_eq!((layout, empty_bytes), ((1, 4, 16), 2));
        assert!(text.contains("1 channel of 16 bits") && text.contains("2 channels of 16 bits"), "{text}");
        // Channels, bytes a frame, bits: two of three agree with the bytes a second.
        for (given, meant) in [((3, 4, 16), (2, 4, 16)), ((2, 5, 16), (2, 4, 16)), ((2, 4, 24), (2, 4, 16))] {
            let (layout, said) = read(given.0, given.1, given.2, 4 * 48_000).unwrap();
            assert_eq!(layout, meant, "{given:?}");
            assert!(said.is_some_and(|(text, _)| text.contains("it could be")), "{given:?}");
        }
        assert!(read(3, 4, 16, 1).is_err(), "no reading has so many bytes a second");
        assert_eq!(read(2, 8, 24, 1).unwrap().1, None, "24 bits in four bytes");
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
