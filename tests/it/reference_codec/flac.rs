//! FLAC: the worked files of RFC 9639 (2024), Appendix D, and streams with damage.

use loadin_codec::{Codec, Container};

use super::fixture::{codes, decode};

pub(crate) const D1: &str = "664c6143 80000022 10001000 00000f00 000f0ac4 42f00000 00013e84 b41807dc
69030758 6a3dad1a 2e0ffff8 69180000 bf0358fd 03128baa 9a";

pub(crate) const D2: &str = "664c6143 00000022 00100010 00001700 00440ac4 42f00000 0013d5b0 564975e9
8b8d8b93 0422757b 81030300 00120000 00000000 00000000 00000000 00000010
0400003a 20000000 72656665 72656e63 65206c69 62464c41 4320312e 332e3320
32303139 30383034 01000000 0e000000 5449544c 453dd7a9 d79cd795 d79d8100
00060000 00000000 fff86998 000f9912 08670162 3d144299 8f5df70d 6fe00c17
caeb2100 0ee7a77a 24a1590c 1217b603 097b784f aa9a33d2 85e070ad 5b1b4851
b4010d99 d2cd1a68 f1e6b810 fff86918 0102a402 c382c40b c14a03ee 48dd03b6
7c1330";

pub(crate) const D3: &str = "664c6143 80000022 10001000 00001f00 001f07d0 00700000 0018f8f9 e396f5cb
cfc6dc80 7f997790 6b32fff8 68020017 e944004f 6f313d10 47d227cb 6d090831
452bdc28 22228057 a3";

const D2_LEFT: [i64; 19] = [
    10372, 18041, 14942, 17876, 15627, 17899, 16242, 18077, 16824, 18263, 17295, -14418, -15201, -14508,
    -15195, -14818, -15486, -15349, -16054,
];

const D2_RIGHT: [i64; 19] = [
    6070, 10545, 8743, 10449, 9143, 10463, 9502, 10569, 9840, 10680, 10113, -8428, -8895, -8476, -8896,
    -8653, -9072, -8958, -9410,
];

pub(crate) fn bytes(hex: &str) -> Vec<u8> {
    let digits: String = hex.split_whitespace().collect();
    (0..digits.len()).step_by(2).map(|at| u8::from_str_radix(&digits[at..at + 2], 16).unwrap()).collect()
}

/// RFC 9639, D.1: one frame, verbatim with wasted bits.
#[test]
fn worked_file_1() {
    let decoded = decode(&bytes(D1)).unwrap();
    let format = &decoded.format;
    assert_eq!((format.container, format.codec, format.rate_hz), (Container::Flac, Codec::Flac, 44_100));
    assert_eq!((format.channels, format.bits, format.frames), (2, 16, Some(1)));
    assert!(!format.is_lossy());
    assert_eq!((decoded.codes(0, 16), decoded.codes(1, 16)), (vec![25588], vec![10416]));
    assert_eq!(decoded.damage, []);
}

/// RFC 9639, D.2: two blocks, fixed predictor, stereo decorrelation, metadata.
#[test]
fn worked_file_2() {
    let decoded = decode(&bytes(D2)).unwrap();
    assert_eq!((decoded.codes(0, 16), decoded.codes(1, 16)), (D2_LEFT.to_vec(), D2_RIGHT.to_vec()));
    assert_eq!(decoded.damage, []);
}

/// A cue sheet (RFC 9639, 8.7) of one byte, and a picture whose lengths lead beyond it: the samples need neither.
#[test]
fn malformed_blocks_beside_the_samples_cost_no_sample() {
    let whole = bytes(D2);
    let broken = [&[5, 0, 0, 1, 0xFF][..], &[6, 0, 0, 8, 0, 0, 0, 3, 0xFF, 0xFF, 0xFF, 0xFF]].concat();
    let file = [&whole[..42], &broken, &whole[42..]].concat();
    let decoded = decode(&file).unwrap();
    assert_eq!((decoded.codes(0, 16), decoded.codes(1, 16)), (D2_LEFT.to_vec(), D2_RIGHT.to_vec()));
    assert_eq!(decoded.damage, []);
}

/// The worked file D.2 with 18 frames stated instead of 19: the last one is not left out in silence.
#[test]
fn a_last_block_that_goes_on_says_so() {
    let mut file = bytes(D2);
    assert_eq!(file[25], 19);
    file[25] = 18;
    let decoded = decode(&file).unwrap();
    assert_eq!(decoded.sound.frames(), 18);
    assert!(decoded.damage[0].cause.contains("goes on"), "{:?}", decoded.damage);
}

/// RFC 9639, D.3: 8 bits, 32 kHz, linear prediction, an escaped partition.
#[test]
fn worked_file_3() {
    let decoded = decode(&bytes(D3)).unwrap();
    assert_eq!((decoded.format.rate_hz, decoded.format.channels, decoded.format.bits), (32_000, 1, 8));
    let printed =
        [0, 79, 111, 78, 8, -61, -90, -68, -13, 42, 67, 53, 13, -27, -46, -38, -12, 14, 24, 19, 6, -4, -5, 0];
    assert_eq!(decoded.codes(0, 8), printed);
}

/// The MD5 of STREAMINFO (RFC 9639, section 8.2) is checked against the sound.
#[test]
fn a_wrong_digest_is_damage() {
    let mut file = bytes(D1);
    let digest = file.windows(2).position(|pair| pair == [0x3E, 0x84]).unwrap();
    file[digest] ^= 1;
    let decoded = decode(&file).unwrap();
    assert_eq!(decoded.damage.len(), 1);
    assert!(decoded.damage[0].cause.contains("digest"), "{:?}", decoded.damage);
}

/// A stream of verbatim subframes after RFC 9639, sections 8 and 9, without a digest.
fn verbatim(channels: u8, bits: u8, block: u16, samples: &[i32]) -> Vec<u8> {
    let frames = samples.len() / usize::from(channels);
    let mut file = b"fLaC\x80\x00\x00\x22".to_vec();
    file.extend(block.to_be_bytes());
    file.extend(block.to_be_bytes());
    file.extend([0; 6]);
    let packed = 48_000u64 << 44 | u64::from(channels - 1) << 41 | u64::from(bits - 1) << 36 | frames as u64;
    file.extend(packed.to_be_bytes());
    file.extend([0; 16]);
    let per_block = usize::from(block) * usize::from(channels);
    for (number, samples) in samples.chunks(per_block).enumerate() {
        file.extend(frame(number as u8, channels, bits, samples));
    }
    file
}

fn frame(number: u8, channels: u8, bits: u8, samples: &[i32]) -> Vec<u8> {
    let depth = match bits {
        16 => 0b100,
        24 => 0b110,
        _ => 0b111,
    };
    assert!(number < 0x80, "one byte of coded number");
    let frames = (samples.len() / usize::from(channels)) as u16;
    let mut bytes = vec![0xFF, 0xF8, 0b0111_0000, (channels - 1) << 4 | depth << 1, number];
    bytes.extend((frames - 1).to_be_bytes());
    bytes.push(bytes.iter().fold(0, |crc, byte| crc_step(crc, *byte, 8, 0x07)) as u8);
    for channel in 0..usize::from(channels) {
        bytes.push(0x02);
        for sample in samples.iter().skip(channel).step_by(usize::from(channels)) {
            bytes.extend(&sample.to_be_bytes()[4 - usize::from(bits / 8)..]);
        }
    }
    let crc = bytes.iter().fold(0, |crc, byte| crc_step(crc, *byte, 16, 0x8005));
    bytes.extend((crc as u16).to_be_bytes());
    bytes
}

/// The checksums of RFC 9639, sections 9.1.8 and 9.3.
fn crc_step(crc: u32, byte: u8, width: u32, polynomial: u32) -> u32 {
    let top = 1 << (width - 1);
    (0..8).fold(crc ^ u32::from(byte) << (width - 8), |crc, _| {
        (if crc & top == 0 { crc << 1 } else { crc << 1 ^ polynomial }) & ((top << 1) - 1)
    })
}

#[test]
fn every_depth_is_exact() {
    for bits in [16, 24, 32] {
        let samples: Vec<i32> = codes(2 * 500).iter().map(|code| code << 8 >> (32 - bits)).collect();
        let decoded = decode(&verbatim(2, bits as u8, 192, &samples)).unwrap();
        assert_eq!((decoded.format.bits, decoded.format.frames), (bits as u16, Some(500)));
        for channel in 0..2 {
            let expected: Vec<i64> =
                samples.iter().skip(channel).step_by(2).map(|code| i64::from(*code)).collect();
            assert_eq!(decoded.codes(channel, bits), expected, "{bits} bits, channel {channel}");
        }
        assert_eq!(decoded.damage, []);
    }
}

/// A player skips a broken block, and everything after it slips earlier; here its place is kept.
#[test]
fn a_lost_block_becomes_silence_of_its_length() {
    let samples: Vec<i32> = codes(10 * 4096).iter().map(|code| code >> 8).collect();
    let whole = verbatim(1, 16, 4096, &samples);
    let block_bytes = (whole.len() - 42) / 10;
    for lost in [0, 3, 4, 9] {
        let mut file = whole.clone();
        file[42 + lost * block_bytes + 100] ^= 0x10;
        let decoded = decode(&file).unwrap();
        assert_eq!(decoded.sound.frames(), if lost == 9 { 9 * 4096 } else { 10 * 4096 }, "block {lost}");
        let damage: Vec<_> =
            decoded.damage.iter().map(|damage| (damage.start_frame, damage.frames)).collect();
        assert_eq!(damage, [(lost as u64 * 4096, 4096)], "block {lost}");
        for (at, (found, sample)) in decoded.codes(0, 16).iter().zip(&samples).enumerate() {
            let expected = if at / 4096 == lost { 0 } else { i64::from(*sample) };
            assert_eq!(*found, expected, "block {lost}, frame {at}");
        }
    }
}

#[test]
fn a_cut_stream_says_what_is_lost() {
    let samples: Vec<i32> = codes(10 * 4096).iter().map(|code| code >> 8).collect();
    let whole = verbatim(1, 16, 4096, &samples);
    let block_bytes = (whole.len() - 42) / 10;
    let decoded = decode(&whole[..42 + 6 * block_bytes + 1000]).unwrap();
    assert_eq!(decoded.sound.frames(), 6 * 4096);
    assert_eq!((decoded.damage[0].start_frame, decoded.damage[0].frames), (6 * 4096, 4 * 4096));
    assert_eq!(decoded.damage.len(), 1);
}

/// STREAMINFO states the length; what comes behind it is said, and not played.
#[test]
fn a_stream_that_goes_on_says_so() {
    let samples: Vec<i32> = codes(4 * 4096).iter().map(|code| code >> 8).collect();
    let mut file = verbatim(1, 16, 4096, &samples);
    // The low end of the 36 bits before the digest (RFC 9639, section 8.2).
    file[24..26].copy_from_slice(&(3u16 * 4096).to_be_bytes());
    let decoded = decode(&file).unwrap();
    assert_eq!((decoded.format.frames, decoded.sound.frames()), (Some(3 * 4096), 3 * 4096));
    assert!(decoded.damage[0].cause.contains("goes on"), "{:?}", decoded.damage);
}
