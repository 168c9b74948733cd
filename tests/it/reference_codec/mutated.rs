//! Faults that structure-aware mutants have shown: a chunk that stands twice or at another place, a size that leads to no chunk,
//! a field against all others. Each was read as another sound, or refused, without a word.

use loadin_tests::mutants::{Seed, seeds};

use super::fixture::{Decoded, decode};

fn seed(name: &str) -> Seed {
    seeds().into_iter().find(|seed| seed.name == name).unwrap()
}

/// Where the name of a chunk stands.
fn place(file: &[u8], id: [u8; 4]) -> usize {
    file.windows(4).position(|bytes| bytes == id).unwrap()
}

fn put(file: &mut [u8], id: [u8; 4], offset: usize, bytes: &[u8]) {
    let at = place(file, id) + offset;
    file[at..at + bytes.len()].copy_from_slice(bytes);
}

/// Everything that is said of a file.
fn said(decoded: &Decoded) -> String {
    let repairs = decoded.repairs.iter().map(ToString::to_string);
    repairs.chain(decoded.damage.iter().map(|damage| damage.cause.clone())).collect::<Vec<_>>().join("; ")
}

/// The changed seed gives the same samples, and this is said.
fn same_and_said(name: &str, change: impl FnOnce(&mut Vec<u8>), wanted: &str) {
    let Seed { mut bytes, .. } = seed(name);
    let whole = decode(&bytes).unwrap();
    assert_eq!(said(&whole), "", "{name}");
    change(&mut bytes);
    let decoded = decode(&bytes).unwrap();
    assert_eq!(decoded.sound, whole.sound, "{name}: {}", said(&decoded));
    assert!(said(&decoded).contains(wanted), "{name}: {:?}", said(&decoded));
}

/// A sound that lacks frames says so.
fn shorter_and_said(name: &str, change: impl FnOnce(&mut Vec<u8>), wanted: &str) {
    let Seed { mut bytes, .. } = seed(name);
    let frames = decode(&bytes).unwrap().sound.frames();
    change(&mut bytes);
    let decoded = decode(&bytes).unwrap();
    assert!(decoded.sound.frames() < frames, "{name}");
    assert!(said(&decoded).contains(wanted), "{name}: {:?}", said(&decoded));
}

/// A copy of a chunk, with one byte of its contents changed, at the end of the file.
fn double(file: &mut Vec<u8>, id: [u8; 4], head: usize, bytes: usize) {
    let at = place(file, id);
    let mut copy = file[at..at + head + bytes].to_vec();
    copy[head + bytes / 2] ^= 1;
    file.extend(copy);
}

#[test]
fn a_size_that_leads_to_no_chunk_says_that_sound_may_be_missing() {
    let half = |file: &mut Vec<u8>| put(file, *b"data", 4, &752u64.to_be_bytes());
    shorter_and_said("CAF of 24 bits", half, "behind the 748 bytes of its data chunk stands no chunk");
    let less = |file: &mut Vec<u8>| {
        let at = file.windows(5).rposition(|bytes| bytes == b"data\xF3").unwrap();
        file[at + 16..at + 24].copy_from_slice(&1_024u64.to_le_bytes());
    };
    shorter_and_said("Wave64", less, "behind the 1000 bytes of its data chunk stands no chunk");
}

#[test]
fn of_chunks_that_stand_twice_the_first_counts_and_it_is_said() {
    let sound = 501 * 4;
    same_and_said("AIFF-C of floats", |file| double(file, *b"SSND", 8, sound + 8), "several SSND chunks");
    same_and_said("CAF of floats", |file| double(file, *b"data", 12, 2 * sound + 4), "several data chunks");
    same_and_said("CAF of floats", |file| double(file, *b"desc", 12, 32), "several desc chunks");
    same_and_said("WAV of floats", |file| double(file, *b"data", 8, sound), "several data chunks");
}

#[test]
fn samples_before_their_format_are_read() {
    let move_format = |file: &mut Vec<u8>| {
        let at = place(file, *b"fmt ");
        let bytes = 8 + u32::from_le_bytes(file[at + 4..at + 8].try_into().unwrap()) as usize;
        let format: Vec<u8> = file.drain(at..at + bytes).collect();
        file.extend(format);
    };
    same_and_said("WAV of 16 bits", move_format, "come before their fmt chunk");
}

#[test]
fn a_size_that_lacks_the_last_byte_loses_no_frame() {
    let less = |file: &mut Vec<u8>| put(file, *b"data", 4, &(501u32 * 2 - 1).to_le_bytes());
    same_and_said("WAV of 16 bits", less, "lacks the last one of a frame");
}

#[test]
fn a_field_against_all_others_is_said() {
    let frames = |file: &mut Vec<u8>| put(file, *b"desc", 12 + 20, &9u32.to_be_bytes());
    same_and_said("CAF of 24 bits", frames, "9 frames a packet");
    let rate = |file: &mut Vec<u8>| put(file, *b"fmt ", 8 + 4, &0u32.to_le_bytes());
    same_and_said("WAV of 24 bits", rate, "which are 48000 Hz");
    for align in [0u16, 65_535] {
        let align = |file: &mut Vec<u8>| put(file, *b"fmt ", 8 + 12, &align.to_le_bytes());
        same_and_said("WAV of 16 bits", align, "contradicts itself");
    }
    // 24 bits in four bytes, where the bytes a second are those of three; and a frame of a byte too many.
    let wide = |file: &mut Vec<u8>| put(file, *b"fmt ", 8 + 12, &8u16.to_le_bytes());
    shorter_and_said("WAV of 24 bits", wide, "contradicts itself");
    let odd = |file: &mut Vec<u8>| put(file, *b"fmt ", 8 + 12, &3u16.to_le_bytes());
    shorter_and_said("WAV of 16 bits", odd, "contradicts itself");
}

/// RFC 9639, section 8.2: bits 0 to 15 the least block, 16 to 31 the most, 100 to 102 the channels, 103 to 107 the bits.
#[test]
fn frames_of_flac_say_themselves_how_they_are_read() {
    for (name, at, bytes, wanted) in [
        ("FLAC of 16 bits", 8, &[0, 8][..], "8 to 4096 frames a block"),
        ("FLAC of 16 bits", 10, &[0xFF, 0xFF], "4096 to 65535 frames a block"),
        ("FLAC of 24 bits", 12, &[0xFF, 0xFF, 0xFF], "bytes a frame, which cannot be"),
        // One frame is the whole sound.
        ("FLAC with markers", 10, &[0x10, 0x40], "4096 to 4160 frames a block"),
        ("FLAC of 24 bits", 18, &[0, 0, 1], "0 Hz"),
    ] {
        same_and_said(name, |file| file[at..at + bytes.len()].copy_from_slice(bytes), wanted);
    }
    let more_bits = |file: &mut Vec<u8>| file[21] = file[21] & 0x0F | 0xB0;
    same_and_said("FLAC of 16 bits", more_bits, "12 bits, its first frame 16");
    let second = |file: &mut Vec<u8>| {
        let info = file[4..42].to_vec();
        file[4] &= 0x7F;
        file.splice(42..42, [&[0][..], &info[1..]].concat());
    };
    same_and_said("FLAC of 16 bits", second, "several blocks about the stream");
}

/// RFC 9639, section 8.1: a block begins with its kind and a size of three bytes.
#[test]
fn sizes_of_blocks_that_lead_past_the_first_frame_are_read_around() {
    let blocks = |file: &[u8]| {
        let (mut all, mut at) = (Vec::new(), 4);
        loop {
            all.push(at);
            let last = file[at] & 0x80 != 0;
            at += 4 + u32::from_be_bytes([0, file[at + 1], file[at + 2], file[at + 3]]) as usize;
            if last {
                return all;
            }
        }
    };
    for name in ["FLAC of 16 bits", "FLAC of 24 bits"] {
        for (index, block) in blocks(&seed(name).bytes).into_iter().enumerate() {
            // What reads as a block there may be the samples of a frame.
            let sound = seed(name).bytes.windows(2).position(|bytes| bytes == [0xFF, 0xF8]).unwrap();
            let inside = (1..200).map(|behind| (sound + behind - block - 4) as u32);
            for size in [0, 1, 3, 0x10_0000, 0xFF_FFFF].into_iter().chain(inside) {
                let Seed { mut bytes, .. } = seed(name);
                let whole = decode(&bytes).unwrap();
                let stated = u32::from_be_bytes([0, bytes[block + 1], bytes[block + 2], bytes[block + 3]]);
                bytes[block + 1..block + 4].copy_from_slice(&u32::to_be_bytes(size)[1..]);
                let decoded =
                    decode(&bytes).unwrap_or_else(|error| panic!("{name}, block {index}, {size}: {error}"));
                assert_eq!(decoded.sound, whole.sound, "{name}, block {index}, {size}: {}", said(&decoded));
                let wanted = if index == 0 { "its first block says" } else { "do not lead there" };
                assert!(size == stated || said(&decoded).contains(wanted), "{name}, block {index}, {size}");
            }
        }
    }
}
