//! AIFF 1.3 (Apple, 1989) and AIFF-C: rates as published, and the uncompressed forms.

use loadin_codec::{Container, extended_rate};

use super::fixture::{codes, decode};

/// Rates as 80-bit extended floats, as they stand in the headers of six independent AIFF writers.
#[test]
fn published_rates() {
    for (bytes, rate_hz) in [
        ([0x40, 0x0B, 0xFA, 0x00], 8000),
        ([0x40, 0x0C, 0xAC, 0x44], 11_025),
        ([0x40, 0x0D, 0xAC, 0x44], 22_050),
        ([0x40, 0x0D, 0xFA, 0x00], 32_000),
        ([0x40, 0x0E, 0xAC, 0x44], 44_100),
        ([0x40, 0x0E, 0xBB, 0x80], 48_000),
        ([0x40, 0x0F, 0xAC, 0x44], 88_200),
        ([0x40, 0x0F, 0xBB, 0x80], 96_000),
        ([0x40, 0x10, 0xAC, 0x44], 176_400),
        ([0x40, 0x10, 0xBB, 0x80], 192_000),
    ] {
        let mut whole = [0; 10];
        whole[..4].copy_from_slice(&bytes);
        assert_eq!(extended_rate(whole), Some(rate_hz), "{bytes:02x?}");
    }
    // 44 100 / 1.001 Hz, to the nearest Hz.
    assert_eq!(extended_rate([0x40, 0x0E, 0xAC, 0x17, 0xF1, 0xAD, 0xA6, 0x7D, 0x50, 0x00]), Some(44_056));
    for bad in [[0; 10], [0xFF; 10], [0x7F, 0xFF, 0x80, 0, 0, 0, 0, 0, 0, 0]] {
        assert_eq!(extended_rate(bad), None, "{bad:02x?}");
    }
}

fn chunk(id: [u8; 4], contents: &[u8]) -> Vec<u8> {
    let mut bytes = id.to_vec();
    bytes.extend((contents.len() as u32).to_be_bytes());
    bytes.extend(contents);
    bytes.extend(std::iter::repeat_n(0, contents.len() % 2));
    bytes
}

/// A file of 48 kHz; `compression` makes it AIFF-C.
fn file(channels: u16, frames: u32, bits: u16, compression: Option<&[u8; 4]>, samples: &[u8]) -> Vec<u8> {
    let mut common = channels.to_be_bytes().to_vec();
    common.extend(frames.to_be_bytes());
    common.extend(bits.to_be_bytes());
    common.extend([0x40, 0x0E, 0xBB, 0x80, 0, 0, 0, 0, 0, 0]);
    if let Some(compression) = compression {
        common.extend(compression);
        common.extend([0, 0]);
    }
    let mut sound = vec![0; 8];
    sound.extend(samples);
    let kind: &[u8; 4] = if compression.is_some() { b"AIFC" } else { b"AIFF" };
    let contents =
        [kind.to_vec(), chunk(*b"COMM", &common), chunk(*b"NAME", b"odd"), chunk(*b"SSND", &sound)].concat();
    chunk(*b"FORM", &contents)
}

#[test]
fn every_uncompressed_form_gives_the_same_sound() {
    let wanted: Vec<i32> = codes(2 * 301);
    let big = |size: usize| -> Vec<u8> {
        wanted.iter().flat_map(|code| (code << 8).to_be_bytes()[..size].to_vec()).collect()
    };
    let little = |size: usize| -> Vec<u8> {
        wanted.iter().flat_map(|code| (code << 8).to_le_bytes()[4 - size..].to_vec()).collect()
    };
    for (name, bits, compression, bytes) in [
        ("plain", 24, None, big(3)),
        ("NONE", 24, Some(b"NONE"), big(3)),
        ("in24", 24, Some(b"in24"), big(3)),
        ("in32", 32, Some(b"in32"), big(4)),
        ("twos", 24, Some(b"twos"), big(3)),
        ("sowt", 24, Some(b"sowt"), little(3)),
        ("42ni", 24, Some(b"42ni"), little(3)),
        ("23ni", 32, Some(b"23ni"), little(4)),
    ] {
        let decoded = decode(&file(2, 301, bits, compression, &bytes)).unwrap();
        let container = if compression.is_some() { Container::Aifc } else { Container::Aiff };
        assert_eq!((decoded.format.container, decoded.format.rate_hz), (container, 48_000), "{name}");
        assert_eq!(decoded.damage, [], "{name}");
        for channel in 0..2 {
            let expected: Vec<i64> =
                wanted.iter().skip(channel).step_by(2).map(|code| i64::from(*code)).collect();
            assert_eq!(decoded.codes(channel, 24), expected, "{name} channel {channel}");
        }
    }
}

#[test]
fn floats_and_bytes() {
    let floats = [0.25f32, -0.5, 1.5, -0.0];
    let bytes: Vec<u8> = floats.iter().flat_map(|sample| sample.to_be_bytes()).collect();
    let decoded = decode(&file(1, 4, 32, Some(b"fl32"), &bytes)).unwrap();
    assert!(decoded.format.float && decoded.format.lsb() == 0.0);
    assert_eq!(decoded.sound.channel(0), [0.25, -0.5, 1.5, 0.0]);
    // AIFF bytes are signed, unlike those of WAV.
    assert_eq!(decode(&file(1, 3, 8, None, &[0x80, 0x00, 0x7F])).unwrap().codes(0, 8), [-128, 0, 127]);
}

/// A writer that stopped early has counted less than it wrote, as in a WAV file (common practice, no source); where the
/// samples stand in blocks (AIFF 1.3: `blockSize`), the last one is padded, and the count of `COMM` is the length.
#[test]
fn a_count_that_is_too_small_loses_no_sound_and_padding_is_none() {
    let mut stated_less = file(1, 3, 16, None, &[0, 1, 0, 2, 0, 3, 0, 4]);
    let decoded = decode(&stated_less).unwrap();
    assert_eq!((decoded.codes(0, 16), decoded.format.frames), (vec![1, 2, 3, 4], Some(4)));
    assert!(decoded.repairs[0].contains("holds 4 frames"), "{:?}", decoded.repairs);
    let block_size = stated_less.windows(4).position(|window| window == b"SSND").unwrap() + 12;
    stated_less[block_size + 3] = 8;
    let decoded = decode(&stated_less).unwrap();
    assert_eq!((decoded.codes(0, 16), decoded.format.frames), (vec![1, 2, 3], Some(3)));
    assert!(decoded.repairs[0].contains("3 of them are read"), "{:?}", decoded.repairs);
    assert_eq!(decode(&file(1, 3, 16, None, &[0, 1, 0, 2, 0, 3])).unwrap().repairs, [] as [String; 0]);
}

#[test]
fn a_short_file_says_what_is_lost() {
    let decoded = decode(&file(1, 10, 16, None, &[0, 1, 0, 2, 0])).unwrap();
    assert_eq!(decoded.codes(0, 16), [1, 2]);
    assert_eq!((decoded.damage[0].start_frame, decoded.damage[0].frames), (2, 8));
    assert!(decode(&file(1, 10, 16, None, &[])).is_err(), "a header alone is no audio");
}
