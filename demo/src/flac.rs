//! A small FLAC encoder (RFC 9639): fixed and linear predictors, Rice codes, stereo decorrelation.
//!
//! It exists because the pure-Rust encoder at hand writes files that some readers refuse, and because a delivery
//! of 24-bit sound at 96 kHz shall be small. Only what the demo needs: 1 or 2 channels, 16 or 24 bits, 44.1, 48 and
//! 96 kHz, whole files in memory.

use md5::{Digest, Md5};

use crate::bits::{BitWriter, crc8, crc16};
use crate::predict::{self, Subframe};

/// Frames in a block.
const BLOCK: usize = 4096;

/// Codes of RFC 9639 §9.1.2 for the rates that the demo has.
fn rate_code(rate_hz: u32) -> u64 {
    match rate_hz {
        44_100 => 0b1001,
        48_000 => 0b1010,
        96_000 => 0b1011,
        other => unreachable!("the demo has no stem at {other} Hz"),
    }
}

/// Codes of RFC 9639 §9.1.4.
fn depth_code(bits: u32) -> u64 {
    match bits {
        16 => 0b100,
        24 => 0b110,
        other => unreachable!("the demo has no FLAC stem of {other} bits"),
    }
}

/// Encodes one or two channels of right-justified integers.
pub(crate) fn encode(channels: &[Vec<i32>], rate_hz: u32, bits: u32) -> Vec<u8> {
    let frames = channels[0].len();
    let mut blocks = Vec::new();
    let (mut least, mut most) = (usize::MAX, 0);
    for (number, start) in (0..frames).step_by(BLOCK).enumerate() {
        let end = (start + BLOCK).min(frames);
        let parts: Vec<&[i32]> = channels.iter().map(|channel| &channel[start..end]).collect();
        let block = encode_block(&parts, number as u64, rate_hz, bits);
        (least, most) = (least.min(block.len()), most.max(block.len()));
        blocks.extend(block);
    }
    let mut file = b"fLaC".to_vec();
    file.extend(stream_info(channels, rate_hz, bits, (least, most)));
    file.extend(blocks);
    file
}

/// The only metadata block, §8.2. Smallest and greatest block size are equal: the last block does not count.
fn stream_info(channels: &[Vec<i32>], rate_hz: u32, bits: u32, (least, most): (usize, usize)) -> Vec<u8> {
    let mut out = BitWriter::default();
    out.put(0x80, 8);
    out.put(34, 24);
    out.put(BLOCK as u64, 16);
    out.put(BLOCK as u64, 16);
    out.put(least as u64, 24);
    out.put(most as u64, 24);
    out.put(u64::from(rate_hz), 20);
    out.put(channels.len() as u64 - 1, 3);
    out.put(u64::from(bits) - 1, 5);
    out.put(channels[0].len() as u64, 36);
    let mut bytes = out.into_bytes();
    let mut md5 = Md5::new();
    for frame in 0..channels[0].len() {
        for channel in channels {
            md5.update(&channel[frame].to_le_bytes()[..bits as usize / 8]);
        }
    }
    bytes.extend(md5.finalize());
    bytes
}

fn encode_block(channels: &[&[i32]], number: u64, rate_hz: u32, bits: u32) -> Vec<u8> {
    let (assignment, subframes) = decorrelate(channels, bits);
    let frames = channels[0].len();
    let mut out = BitWriter::default();
    out.put(0b11_1111_1111_1110, 14);
    out.put(0b00, 2);
    out.put(if frames == BLOCK { 0b1100 } else { 0b0111 }, 4);
    out.put(rate_code(rate_hz), 4);
    out.put(assignment, 4);
    out.put(depth_code(bits), 3);
    out.put(0, 1);
    out.put_utf8(number);
    if frames != BLOCK {
        out.put(frames as u64 - 1, 16);
    }
    let check = crc8(out.bytes());
    out.put(u64::from(check), 8);
    for subframe in &subframes {
        subframe.write(&mut out);
    }
    out.align();
    let check = crc16(out.bytes());
    out.put(u64::from(check), 16);
    out.into_bytes()
}

/// The smaller of left and right, left and side, mid and side (§4.2), with its code of §9.1.3.
fn decorrelate(channels: &[&[i32]], bits: u32) -> (u64, Vec<Subframe>) {
    let [left, right] = channels else { return (0, vec![predict::best(channels[0], bits)]) };
    let side: Vec<i32> = left.iter().zip(*right).map(|(l, r)| l - r).collect();
    let mid: Vec<i32> = left.iter().zip(*right).map(|(l, r)| (l + r) >> 1).collect();
    let whole = |channel: &[i32]| predict::best(channel, bits);
    let side = || predict::best(&side, bits + 1);
    let choices = [
        (1, vec![whole(left), whole(right)]),
        (8, vec![whole(left), side()]),
        (10, vec![whole(&mid), side()]),
    ];
    choices
        .into_iter()
        .min_by_key(|(_, subframes)| subframes.iter().map(Subframe::bits).sum::<u64>())
        .expect("three choices")
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use loadin_audio::Block;

    use super::*;
    use crate::noise::white;

    /// Decodes with the library's reader, which compares the sound with the file's MD5.
    fn decoded(file: Vec<u8>, bits: u32) -> Vec<Vec<i32>> {
        let mut decoder = loadin_codec::open(Cursor::new(file), true).unwrap();
        let mut block = Block::new(decoder.format().channels as usize);
        let mut channels = vec![Vec::new(); block.channels()];
        while decoder.next_block(&mut block).unwrap() {
            for (channel, samples) in channels.iter_mut().zip(block.iter()) {
                channel.extend(samples.iter().map(|x| (x * f64::from(1u32 << (bits - 1))) as i32));
            }
        }
        assert!(decoder.damage().is_empty(), "{:?}", decoder.damage());
        channels
    }

    #[test]
    fn what_goes_in_comes_out() {
        let tone = |frames: usize, size: f64, hz: f64| -> Vec<i32> {
            (0..frames).map(|n| (size * libm::sin(n as f64 * hz / 7000.0)) as i32).collect()
        };
        let noise = |frames: usize, size: f64| -> Vec<i32> {
            (0..frames).map(|n| (size * white(7, n as u64)) as i32).collect()
        };
        let extremes = |frames: usize| -> Vec<i32> {
            (0..frames).map(|n| if n % 3 == 0 { -8_388_608 } else { 8_388_607 }).collect()
        };
        let cases = [
            (vec![tone(10_000, 30_000.0, 300.0)], 48_000, 16),
            (vec![tone(9_001, 8e6, 900.0), tone(9_001, 7.9e6, 900.0)], 96_000, 24),
            (vec![noise(5_000, 32_767.0), vec![0; 5_000]], 44_100, 16),
            (vec![tone(5_000, 9_000.0, 50.0), tone(5_000, 9_000.0, 50.0)], 44_100, 16),
            (vec![extremes(4_097), extremes(4_097).into_iter().map(|x| -x - 1).collect()], 48_000, 24),
            (vec![vec![5; 3]], 48_000, 24),
        ];
        for (channels, rate_hz, bits) in cases {
            assert_eq!(
                decoded(encode(&channels, rate_hz, bits), bits),
                channels,
                "{rate_hz} Hz, {bits} bits"
            );
        }
    }
}
