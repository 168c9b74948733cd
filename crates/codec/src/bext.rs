//! The `bext` chunk of Broadcast WAV (EBU Tech 3285 v2.0, 2011) and its coding history (EBU R 98-1999). Knows no
//! container and no time line.

use crate::{Error, SampleKind};

/// Bytes of the fixed part.
pub const BEXT_FIXED_BYTES: usize = 602;

/// The value of a loudness field that is not used (EBU Tech 3285 v2).
pub const LOUDNESS_UNUSED: i16 = 0x7FFF;

/// The `bext` chunk. Texts are kept as the bytes that the file has, without the NULs that fill a field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bext {
    /// Up to 256 bytes.
    pub description: Vec<u8>,
    /// Up to 32 bytes.
    pub originator: Vec<u8>,
    /// Up to 32 bytes.
    pub originator_reference: Vec<u8>,
    /// `yyyy-mm-dd`, 10 bytes.
    pub origination_date: Vec<u8>,
    /// `hh-mm-ss`, 8 bytes.
    pub origination_time: Vec<u8>,
    /// Frames since midnight of the first frame, at the file's own rate.
    pub time_reference: u64,
    /// Version of the chunk, 0 to 2.
    pub version: u16,
    /// SMPTE UMID; zeros where there is none.
    pub umid: [u8; 64],
    /// Loudness value, range, greatest true peak, momentary and short-term loudness: hundredths of LUFS, LU, dBTP, LUFS and
    /// LUFS; [`LOUDNESS_UNUSED`] where one is not stated.
    pub loudness: [i16; 5],
    /// Rows that end with CR LF.
    pub coding_history: Vec<u8>,
}

/// A text without the NULs behind it.
fn text(bytes: &[u8]) -> Vec<u8> {
    bytes.iter().copied().take_while(|byte| *byte != 0).collect()
}

impl Bext {
    /// A chunk for a file that had none: no date, since nothing is known of one.
    pub fn new(description: &str, originator: &str) -> Self {
        Self {
            description: description.as_bytes().to_vec(),
            originator: originator.as_bytes().to_vec(),
            originator_reference: Vec::new(),
            origination_date: Vec::new(),
            origination_time: Vec::new(),
            time_reference: 0,
            version: 2,
            umid: [0; 64],
            loudness: [LOUDNESS_UNUSED; 5],
            coding_history: Vec::new(),
        }
    }

    /// Reads a chunk; one without the reserved bytes of its end is taken as version 0.
    ///
    /// # Errors
    /// When it is too short for its time reference.
    pub fn parse(bytes: &[u8]) -> Result<Self, Error> {
        if bytes.len() < 346 {
            return Err(Error::malformed(
                format!("a bext chunk of {} bytes, 602 are the least", bytes.len()),
                0,
            ));
        }
        let mut whole = bytes.to_vec();
        whole.resize(bytes.len().max(BEXT_FIXED_BYTES), 0);
        let low = u32::from_le_bytes(whole[338..342].try_into().expect("four bytes"));
        let high = u32::from_le_bytes(whole[342..346].try_into().expect("four bytes"));
        let version = u16::from_le_bytes([whole[346], whole[347]]);
        let mut loudness = [LOUDNESS_UNUSED; 5];
        if version >= 2 {
            for (field, bytes) in loudness.iter_mut().zip(whole[412..422].chunks_exact(2)) {
                *field = i16::from_le_bytes([bytes[0], bytes[1]]);
            }
        }
        Ok(Self {
            description: text(&whole[..256]),
            originator: text(&whole[256..288]),
            originator_reference: text(&whole[288..320]),
            origination_date: text(&whole[320..330]),
            origination_time: text(&whole[330..338]),
            time_reference: u64::from(high) << 32 | u64::from(low),
            version,
            umid: whole[348..412].try_into().expect("64 bytes"),
            loudness,
            coding_history: text(&whole[BEXT_FIXED_BYTES..]),
        })
    }

    /// The chunk's contents. Texts that are too long for their field are cut.
    pub fn to_bytes(&self) -> Vec<u8> {
        let mut bytes = vec![0; BEXT_FIXED_BYTES];
        let mut put = |at: usize, most: usize, text: &[u8]| {
            let taken = text.len().min(most);
            bytes[at..at + taken].copy_from_slice(&text[..taken]);
        };
        put(0, 256, &self.description);
        put(256, 32, &self.originator);
        put(288, 32, &self.originator_reference);
        put(320, 10, &self.origination_date);
        put(330, 8, &self.origination_time);
        put(338, 8, &self.time_reference.to_le_bytes());
        put(346, 2, &self.version.to_le_bytes());
        put(348, 64, &self.umid);
        if self.version >= 2 {
            for (index, field) in self.loudness.iter().enumerate() {
                put(412 + 2 * index, 2, &field.to_le_bytes());
            }
        }
        bytes.extend_from_slice(&self.coding_history);
        bytes
    }

    /// Sets the loudness fields to "not used".
    pub fn clear_loudness(&mut self) {
        self.loudness = [LOUDNESS_UNUSED; 5];
    }
}

/// A loudness in LU or dB as a field of version 2: hundredths, halves away from zero. What is not finite, or lies
/// outside of ±327 dB, cannot be stated and is [`LOUDNESS_UNUSED`].
pub fn loudness_field(value: f64) -> i16 {
    // Values such as -22.645 have no exact binary form; a billionth more makes them the ties that they are on paper.
    let hundredths = (value.abs() * 100.0 + 0.5 + 1e-9).floor();
    if hundredths <= 32_700.0 { hundredths.copysign(value) as i16 } else { LOUDNESS_UNUSED }
}

/// A row of coding history for linear PCM, in the form of EBU R 98: `A=PCM,F=48000,W=24,M=stereo,T=text`.
pub fn coding_history_row(rate_hz: u32, kind: SampleKind, channels: u16, tool: &str) -> Vec<u8> {
    let mode = match channels {
        1 => "mono".to_owned(),
        2 => "stereo".to_owned(),
        n => format!("{n} channels"),
    };
    // Commas separate the fields, so the free text must hold none.
    let tool: String =
        tool.chars().map(|c| if c == ',' || c.is_control() || !c.is_ascii() { ';' } else { c }).collect();
    format!("A=PCM,F={rate_hz},W={},M={mode},T={tool}\r\n", kind.bits()).into_bytes()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chunk_survives_the_round_trip() {
        let mut bext = Bext::new("Lead voice", "loadin");
        bext.time_reference = 8_294_400_000;
        bext.loudness[0] = -2300;
        bext.coding_history = coding_history_row(48_000, SampleKind::I24, 2, "loadin, 1");
        assert_eq!(Bext::parse(&bext.to_bytes()).unwrap(), bext);
        assert!(bext.coding_history.ends_with(b"T=loadin; 1\r\n"));
    }

    #[test]
    fn a_short_chunk_is_refused() {
        assert!(Bext::parse(&[0; 300]).is_err());
        assert_eq!(Bext::parse(&[0; 346]).unwrap().version, 0);
    }
}
