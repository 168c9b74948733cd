//! Headers of which one field is wrong: what the others agree on is read, or both readings are said; no sample is
//! dropped, folded or made up. Which fields a writer gets wrong is common practice, no source; what the fields mean is
//! in Microsoft's "New Multimedia Data Types" (1994), and for ADPCM in the same document.

use super::fixture::{Decoded, chunk, codes, decode, fmt, pack_24, put_u32, riff, size_field};

const FRAMES: usize = 500;

/// Where the fields of `fmt ` stand in a file that begins with it.
const CHANNELS: usize = 22;
const ALIGN: usize = 32;
const BITS: usize = 34;

fn put_u16(bytes: &mut [u8], at: usize, value: u16) {
    bytes[at..at + 2].copy_from_slice(&value.to_le_bytes());
}

/// Stereo, 16 bits.
fn stereo_16() -> Vec<u8> {
    let samples: Vec<u8> =
        codes(2 * FRAMES).iter().flat_map(|code| ((code >> 8) as i16).to_le_bytes()).collect();
    riff(&[chunk(*b"fmt ", &fmt(1, 2, 48_000, 16)), chunk(*b"data", &samples)])
}

fn causes(decoded: &Decoded) -> String {
    decoded.damage.iter().map(|damage| damage.cause.clone()).collect()
}

#[test]
fn one_wrong_field_of_the_format_loses_no_sample() {
    let whole = decode(&stereo_16()).unwrap();
    assert!(whole.damage.is_empty());
    for (at, value) in [(CHANNELS, 3), (ALIGN, 5), (ALIGN, 2), (BITS, 24), (BITS, 20)] {
        let mut file = stereo_16();
        put_u16(&mut file, at, value);
        let decoded = decode(&file).unwrap();
        assert_eq!(decoded.sound, whole.sound, "{value} at {at}");
        assert!(causes(&decoded).contains("contradicts itself"), "{value} at {at}: {:?}", decoded.damage);
    }
}

#[test]
fn a_container_that_is_too_wide_is_said_with_both_readings_unless_it_is_empty_below() {
    // Two channels of 16 bits, or one of 32: the size of a frame is the same.
    let mut file = stereo_16();
    put_u16(&mut file, CHANNELS, 1);
    let decoded = decode(&file).unwrap();
    assert_eq!((decoded.format.channels, decoded.sound.frames()), (1, FRAMES));
    let said = causes(&decoded);
    assert!(said.contains("1 channel of 16 bits") && said.contains("2 channels of 16 bits"), "{said}");
    // Left-justified, as the standard wants it, there is no doubt.
    let samples: Vec<u8> = codes(FRAMES).iter().flat_map(|code| (code >> 8 << 16).to_le_bytes()).collect();
    let mut file = riff(&[chunk(*b"fmt ", &fmt(1, 1, 48_000, 16)), chunk(*b"data", &samples)]);
    put_u16(&mut file, ALIGN, 4);
    let decoded = decode(&file).unwrap();
    assert_eq!((decoded.sound.frames(), decoded.damage.len()), (FRAMES, 0), "{:?}", decoded.damage);
}

/// As samples the name, the size and the text of such a chunk would be a click.
#[test]
fn a_chunk_that_is_cut_off_behind_the_samples_is_no_sound() {
    let samples = codes(2 * FRAMES);
    let list = chunk(*b"LIST", b"INFOINAM\x0c\0\0\0Invented one");
    let own = chunk(*b"abcd", &[0x55; 31]);
    for behind in [vec![list.clone()], vec![own.clone()], vec![own, list]] {
        let chunks =
            [vec![chunk(*b"fmt ", &fmt(1, 2, 48_000, 24)), chunk(*b"data", &pack_24(&samples))], behind];
        let whole = riff(&chunks.concat());
        let last = whole.len() - chunks.concat().last().unwrap().len();
        for length in last + 8..whole.len() {
            let decoded = decode(&whole[..length]).unwrap();
            assert_eq!(decoded.sound.frames(), FRAMES, "{} bytes of {}", length, whole.len());
            assert!(decoded.damage.is_empty(), "{:?}", decoded.damage);
        }
    }
}

/// IMA ADPCM: blocks of 256 bytes, 505 frames each.
fn adpcm(blocks: usize) -> Vec<u8> {
    let mut format = fmt(0x11, 1, 22_050, 4);
    put_u16(&mut format, 12, 256);
    format.extend([2, 0, 0xF9, 0x01]);
    let data: Vec<u8> = (0..blocks * 256).map(|at| if at % 256 < 4 { 0 } else { (at % 251) as u8 }).collect();
    riff(&[chunk(*b"fmt ", &format), chunk(*b"data", &data)])
}

#[test]
fn a_size_one_byte_short_loses_no_block_of_adpcm() {
    let whole = decode(&adpcm(6)).unwrap();
    assert_eq!((whole.sound.frames(), whole.damage.len()), (6 * 505, 0));
    let mut file = adpcm(6);
    let size = size_field(&file, *b"data");
    put_u32(&mut file, size, 6 * 256 - 1);
    let decoded = decode(&file).unwrap();
    assert_eq!((decoded.sound, decoded.damage.len()), (whole.sound, 0));
}

#[test]
fn a_block_of_adpcm_that_is_cut_is_said_to_be_lost() {
    let (file, whole) = (adpcm(6), decode(&adpcm(6)).unwrap());
    for (cut, blocks) in [(1, 5), (255, 5), (257, 4)] {
        let decoded = decode(&file[..file.len() - cut]).unwrap();
        assert_eq!(decoded.sound.frames(), blocks * 505, "{cut} bytes less");
        assert_eq!(decoded.sound.channel(0), &whole.sound.channel(0)[..blocks * 505]);
        let lost: Vec<_> = decoded.damage.iter().map(|damage| (damage.start_frame, damage.frames)).collect();
        assert_eq!(lost, [(blocks as u64 * 505, (6 - blocks as u64) * 505)], "{cut} bytes less");
        assert_eq!(decoded.format.frames, Some(6 * 505));
    }
}
