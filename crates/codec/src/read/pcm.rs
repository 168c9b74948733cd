//! Uncompressed samples to planar floats: exact for every width, and the hot path of reading. Knows no file: bytes go
//! in, a block comes out.

use loadin_audio::{Block, with_simd};

use crate::Error;

/// How one uncompressed sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Coding {
    /// Unsigned bytes with the middle at 128.
    U8,
    /// Signed integers of 1 to 8 bytes, left-justified where fewer bits are valid.
    Int(usize),
    /// Signed integers of 24 bits in the lower three of four bytes, against the standard.
    LowInt24,
    /// 32-bit floats.
    F32,
    /// 64-bit floats.
    F64,
    /// ITU-T G.711 A-law.
    ALaw,
    /// ITU-T G.711 mu-law.
    MuLaw,
}

impl Coding {
    /// Bytes a sample.
    pub(crate) fn bytes(self) -> usize {
        match self {
            Self::U8 | Self::ALaw | Self::MuLaw => 1,
            Self::Int(bytes) => bytes,
            Self::F32 | Self::LowInt24 => 4,
            Self::F64 => 8,
        }
    }
}

/// Unpacks whole interleaved frames into `block`; `first_frame` is their place in the file.
///
/// # Errors
/// When a float is not finite.
pub(crate) fn unpack(
    bytes: &[u8],
    coding: Coding,
    big_endian: bool,
    channels: usize,
    first_frame: u64,
    block: &mut Block,
) -> Result<(), Error> {
    let size = coding.bytes();
    block.set_channels(channels);
    let frames = bytes.len() / (size * channels);
    if frames == 0 {
        block.clear();
        return Ok(());
    }
    if let (Coding::Int(3), false, 2) = (coding, big_endian, channels) {
        block.resize(frames);
        unpack_stereo_24(bytes, block);
        return Ok(());
    }
    block.fill_with(frames, |channel, out| {
        let samples = Strided { bytes: &bytes[channel * size..], size, stride: size * channels };
        unpack_channel(&samples, coding, big_endian, out);
    });
    if matches!(coding, Coding::F32 | Coding::F64) { check_finite(block, first_frame) } else { Ok(()) }
}

/// The samples of one channel among interleaved ones.
struct Strided<'a> {
    bytes: &'a [u8],
    size: usize,
    stride: usize,
}

impl Strided<'_> {
    /// Converts every sample, given as its own bytes.
    fn convert<const N: usize>(&self, out: &mut [f64], convert: impl Fn([u8; N]) -> f64) {
        debug_assert_eq!(N, self.size, "the bytes of one sample");
        for (bytes, out) in self.bytes.chunks(self.stride).zip(out) {
            if let Some(sample) = bytes.first_chunk::<N>() {
                *out = convert(*sample);
            }
        }
    }
}

/// What most deliveries consist of, and so worth a way of its own: 24-bit little-endian stereo, two frames at a time.
fn unpack_stereo_24(bytes: &[u8], block: &mut Block) {
    let [left, right] = block.pair_mut();
    with_simd(
        #[inline(always)]
        || {
            let (twos, rest) = bytes.as_chunks::<12>();
            let (left_twos, left_rest) = left.as_chunks_mut::<2>();
            let (right_twos, right_rest) = right.as_chunks_mut::<2>();
            for ((bytes, left), right) in twos.iter().zip(left_twos).zip(right_twos) {
                let word =
                    |at: usize| u32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
                let (first, second, third) = (word(0), word(4), word(8));
                let sample = |high_bytes: u32| f64::from(high_bytes.cast_signed()) * STEP_32;
                *left = [sample(first << 8), sample((second >> 8 & 0x00ff_ff00) | third << 24)];
                *right = [sample((first >> 16 & 0xff00) | second << 16), sample(third & 0xffff_ff00)];
            }
            if let (&[a, b, c, d, e, f], [left], [right]) = (rest, left_rest, right_rest) {
                *left = f64::from(i32::from_le_bytes([0, a, b, c])) * STEP_32;
                *right = f64::from(i32::from_le_bytes([0, d, e, f])) * STEP_32;
            }
        },
    );
}

/// One step of a 32-bit sample.
const STEP_32: f64 = 1.0 / 2_147_483_648.0;

fn unpack_channel(samples: &Strided<'_>, coding: Coding, big_endian: bool, out: &mut [f64]) {
    let int = |value: i32| f64::from(value) * STEP_32;
    match (coding, big_endian) {
        (Coding::U8, _) => samples.convert(out, |[byte]: [u8; 1]| (f64::from(byte) - 128.0) / 128.0),
        (Coding::ALaw, _) => samples.convert(out, |[byte]: [u8; 1]| f64::from(a_law(byte)) / 32768.0),
        (Coding::MuLaw, _) => samples.convert(out, |[byte]: [u8; 1]| f64::from(mu_law(byte)) / 32768.0),
        (Coding::Int(1), _) => samples.convert(out, |[a]: [u8; 1]| int(i32::from_le_bytes([0, 0, 0, a]))),
        (Coding::Int(2), false) => {
            samples.convert(out, |[a, b]: [u8; 2]| int(i32::from_le_bytes([0, 0, a, b])));
        }
        (Coding::Int(2), true) => {
            samples.convert(out, |[a, b]: [u8; 2]| int(i32::from_be_bytes([a, b, 0, 0])));
        }
        (Coding::Int(3), false) => {
            samples.convert(out, |[a, b, c]: [u8; 3]| int(i32::from_le_bytes([0, a, b, c])));
        }
        (Coding::Int(3), true) => {
            samples.convert(out, |[a, b, c]: [u8; 3]| int(i32::from_be_bytes([a, b, c, 0])));
        }
        (Coding::Int(4), false) => samples.convert(out, |bytes: [u8; 4]| int(i32::from_le_bytes(bytes))),
        (Coding::Int(4), true) => samples.convert(out, |bytes: [u8; 4]| int(i32::from_be_bytes(bytes))),
        (Coding::LowInt24, false) => {
            samples.convert(out, |[a, b, c, _]: [u8; 4]| int(i32::from_le_bytes([0, a, b, c])));
        }
        (Coding::LowInt24, true) => {
            samples.convert(out, |[_, a, b, c]: [u8; 4]| int(i32::from_be_bytes([a, b, c, 0])));
        }
        (Coding::F32, false) => samples.convert(out, |bytes: [u8; 4]| f64::from(f32::from_le_bytes(bytes))),
        (Coding::F32, true) => samples.convert(out, |bytes: [u8; 4]| f64::from(f32::from_be_bytes(bytes))),
        (Coding::F64, false) => samples.convert(out, f64::from_le_bytes),
        (Coding::F64, true) => samples.convert(out, f64::from_be_bytes),
        (Coding::Int(_), _) => unpack_long(samples, big_endian, out),
    }
}

/// Integers of five to eight bytes; what 53 bits cannot hold is rounded.
fn unpack_long(samples: &Strided<'_>, big_endian: bool, out: &mut [f64]) {
    for (bytes, out) in samples.bytes.chunks(samples.stride).zip(out) {
        let sample = &bytes[..samples.size];
        let mut whole = [0u8; 8];
        if big_endian {
            whole[..samples.size].copy_from_slice(sample);
        } else {
            whole[..samples.size].iter_mut().zip(sample.iter().rev()).for_each(|(to, from)| *to = *from);
        }
        *out = i64::from_be_bytes(whole) as f64 / 9_223_372_036_854_775_808.0;
    }
}

/// ITU-T G.711, A-law to 16-bit linear.
fn a_law(byte: u8) -> i16 {
    let byte = byte ^ 0x55;
    let (exponent, mantissa) = ((byte >> 4) & 7, i16::from(byte & 15));
    let size = match exponent {
        0 => (mantissa << 4) + 8,
        _ => ((mantissa << 4) + 0x108) << (exponent - 1),
    };
    if byte & 0x80 == 0 { -size } else { size }
}

/// ITU-T G.711, mu-law to 16-bit linear.
fn mu_law(byte: u8) -> i16 {
    let byte = !byte;
    let (exponent, mantissa) = ((byte >> 4) & 7, i16::from(byte & 15));
    let size = (((mantissa << 3) + 0x84) << exponent) - 0x84;
    if byte & 0x80 == 0 { size } else { -size }
}

/// Finds the first sample that is not a number or infinite.
pub(crate) fn check_finite(block: &Block, first_frame: u64) -> Result<(), Error> {
    for (channel, samples) in block.iter().enumerate() {
        // No early end: without a branch a sample, the compiler judges several at once.
        if samples.iter().fold(false, |bad, sample| bad | !sample.is_finite()) {
            let at = samples.iter().position(|sample| !sample.is_finite()).unwrap_or(0);
            return Err(Error::NotFinite { channel, frame: first_frame + at as u64 });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn one(bytes: &[u8], coding: Coding, big_endian: bool) -> f64 {
        let mut block = Block::new(1);
        unpack(bytes, coding, big_endian, 1, 0, &mut block).unwrap();
        block.channel(0)[0]
    }

    #[test]
    fn extremes_of_every_width() {
        assert_eq!(one(&[0], Coding::U8, false), -1.0);
        assert_eq!(one(&[255], Coding::U8, false), 127.0 / 128.0);
        assert_eq!(one(&[0x80], Coding::Int(1), false), -1.0);
        for size in 2..=8 {
            let mut least = vec![0; size];
            least[size - 1] = 0x80;
            assert_eq!(one(&least, Coding::Int(size), false), -1.0, "{size}");
            least.reverse();
            assert_eq!(one(&least, Coding::Int(size), true), -1.0, "{size}");
        }
    }

    /// ITU-T G.711: the loudest codes are 32 256 (A-law) and 32 124 (mu-law) in 16-bit terms (from memory).
    #[test]
    fn companded_codes() {
        assert_eq!((a_law(0xAA), a_law(0x2A), a_law(0xD5)), (32256, -32256, 8));
        assert_eq!((mu_law(0x80), mu_law(0x00), mu_law(0xFF), mu_law(0x7F)), (32124, -32124, 0, 0));
    }

    #[test]
    fn a_float_that_is_no_number_is_named() {
        for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
            let samples = [0.0, 1.0, 0.5, bad, 0.0, 0.0];
            let bytes: Vec<u8> = samples.iter().flat_map(|s: &f32| s.to_le_bytes()).collect();
            let error = unpack(&bytes, Coding::F32, false, 2, 100, &mut Block::new(2)).unwrap_err();
            assert!(matches!(error, Error::NotFinite { channel: 1, frame: 101 }), "{error}");
        }
    }

    proptest! {
        #[test]
        fn stereo_24_is_what_one_channel_at_a_time_gives(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let whole = bytes.len() / 6 * 6;
            let mut block = Block::new(2);
            unpack(&bytes[..whole], Coding::Int(3), false, 2, 0, &mut block).unwrap();
            for (frame, bytes) in bytes[..whole].chunks(6).enumerate() {
                prop_assert_eq!(block.channel(0)[frame], one(&bytes[..3], Coding::Int(3), false));
                prop_assert_eq!(block.channel(1)[frame], one(&bytes[3..], Coding::Int(3), false));
            }
        }

        #[test]
        fn integers_are_exact(value in any::<i32>(), shift in 0u32..3) {
            let code = value >> (8 * shift);
            let size = 4 - shift as usize;
            let wanted = f64::from(code) / 2f64.powi(31 - 8 * shift as i32);
            prop_assert_eq!(one(&code.to_le_bytes()[..size], Coding::Int(size), false), wanted);
            let mut big = code.to_le_bytes()[..size].to_vec();
            big.reverse();
            prop_assert_eq!(one(&big, Coding::Int(size), true), wanted);
        }
    }
}
