//! No input makes the decoder panic, loop or take memory for frames that are not there.

use std::io::Cursor;

use loadin_audio::Block;
use loadin_codec::{Bext, Chunk, SampleKind, WavSpec, WavWriter};
use proptest::prelude::*;

use super::fixture::{chunk, codes, extensible, fmt, pack_24, riff};

/// Reads to the end, or to the error; says how many frames came.
fn survive(bytes: Vec<u8>) -> u64 {
    let length = bytes.len() as u64;
    let Ok(mut decoder) = loadin_codec::open(Cursor::new(bytes), true) else { return 0 };
    let mut block = Block::default();
    while let Ok(true) = decoder.next_block(&mut block) {
        assert!((1..=65_536).contains(&block.frames()), "{} frames", block.frames());
        assert!(decoder.frames_read() < length * 1000 + 2_000_000_000, "an end");
    }
    decoder.frames_read()
}

fn wav() -> Vec<u8> {
    let spec = WavSpec {
        rate_hz: 48_000,
        channels: 2,
        kind: SampleKind::I24,
        frames: 50,
        channel_mask: None,
        bext: Some(Bext::new("x", "y")),
        chunks_before: vec![Chunk { id: *b"iXML", bytes: b"<BWFXML/>".to_vec() }],
        chunks_after: vec![Chunk { id: *b"cue ", bytes: vec![0; 28] }],
    };
    let mut writer = WavWriter::new(Vec::new(), spec).unwrap();
    writer.write_ints(&codes(100)).unwrap();
    writer.finish().unwrap()
}

fn surround() -> Vec<u8> {
    riff(&[
        chunk(*b"fmt ", &extensible(3, 6, 32, 32, 0x3F)),
        chunk(*b"fact", &[9; 4]),
        chunk(*b"data", &[0; 240]),
    ])
}

fn adpcm() -> Vec<u8> {
    let mut format = fmt(0x11, 1, 22_050, 4);
    format[12..14].copy_from_slice(&256u16.to_le_bytes());
    format.extend([2, 0, 0xF9, 0x01]);
    riff(&[chunk(*b"fmt ", &format), chunk(*b"fact", &505u32.to_le_bytes()), chunk(*b"data", &[0x21; 512])])
}

fn aiff() -> Vec<u8> {
    let mut file =
        b"FORM\0\0\0\x4CAIFFCOMM\0\0\0\x12\0\x01\0\0\0\x0A\0\x18\x40\x0E\xBB\x80\0\0\0\0\0\0".to_vec();
    file.extend(b"SSND\0\0\0\x26\0\0\0\0\0\0\0\0");
    file.extend(pack_24(&codes(10)));
    file
}

fn long() -> Vec<u8> {
    let mut file = b"RF64\xFF\xFF\xFF\xFFWAVE".to_vec();
    let sizes: Vec<u8> = [112u64, 40, 10].iter().flat_map(|size| size.to_le_bytes()).collect();
    file.extend(chunk(*b"ds64", &[sizes, vec![0; 4]].concat()));
    file.extend(chunk(*b"fmt ", &fmt(1, 2, 48_000, 16)));
    file.extend(chunk(*b"data", &[7; 40]));
    file
}

fn whole_files() -> [Vec<u8>; 9] {
    let [w64, caf, mp3, ogg] = [
        &include_bytes!("data/saw.w64")[..],
        include_bytes!("data/saw-alac.caf"),
        include_bytes!("data/tones.mp3"),
        include_bytes!("data/tones.ogg"),
    ]
    .map(<[u8]>::to_vec);
    [wav(), surround(), adpcm(), aiff(), long(), w64, caf, mp3, ogg]
}

#[test]
fn the_files_are_sound_before_they_are_broken() {
    let frames = whole_files().map(survive);
    assert_eq!(frames, [50, 10, 1010, 10, 10, 300, 4500, 12_001, 12_001], "two ADPCM blocks of 505 frames");
}

#[test]
fn every_truncation_is_survived() {
    for file in whole_files() {
        // Every length of a head, and then some.
        for length in (0..file.len()).filter(|length| *length < 300 || length % 97 == 0) {
            survive(file[..length].to_vec());
        }
    }
}

/// Every byte of a header at its extremes, and every field of four bytes at sizes that overflow.
#[test]
fn every_field_at_its_extremes_is_survived() {
    for file in whole_files() {
        for at in 0..file.len().min(300) {
            for value in [0, 1, 0x7F, 0x80, 0xFF] {
                let mut bytes = file.clone();
                bytes[at] = value;
                survive(bytes);
            }
            for value in [0u32, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF] {
                let mut bytes = file.clone();
                let end = (at + 4).min(bytes.len());
                bytes[at..end].copy_from_slice(&value.to_le_bytes()[..end - at]);
                survive(bytes);
            }
        }
    }
}

/// A header of a few bytes that promises gigabytes gets no memory for them.
#[test]
fn many_tiny_chunks_end() {
    let mut file = b"RIFF\0\0\0\0WAVE".to_vec();
    for _ in 0..100_000 {
        file.extend(b"abcd\0\0\0\0");
    }
    assert_eq!(survive(file.clone()), 0);
    file[..12].copy_from_slice(b"FORM\0\0\0\0AIFF");
    assert_eq!(survive(file), 0);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn mutated_files_are_survived(
        which in 0usize..9,
        changes in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..12),
        cut in any::<prop::sample::Index>(),
    ) {
        let mut file = whole_files()[which].clone();
        for (at, value) in changes {
            let at = at.index(file.len());
            file[at] = value;
        }
        survive(file.clone());
        let length = cut.index(file.len());
        survive(file[..length].to_vec());
    }

    #[test]
    fn noise_behind_a_magic_number_is_survived(
        magic in prop::sample::select(vec![
            &b"fLaC"[..], b"OggS", b"caff\0\x01\0\0", b"\0\0\0\x20ftypM4A ", b"\xFF\xF1", b"ID3\x04", b"\xFF\xFB\x90\x00",
            b"FORM\0\0\0\x20AIFC", b"RIFF\0\0\0\0WAVEfmt ", b"RIFX\0\0\0\0WAVEfmt ",
        ]),
        noise in prop::collection::vec(any::<u8>(), 0..600),
    ) {
        survive([magic, &noise[..]].concat());
    }

    /// What is written is what is read, for every width, channel count and length.
    #[test]
    fn round_trips_are_exact(
        kind in prop::sample::select(vec![SampleKind::I16, SampleKind::I24, SampleKind::I32, SampleKind::F32, SampleKind::F64]),
        channels in 1u16..=8,
        samples in prop::collection::vec(any::<i32>(), 8..400),
    ) {
        let frames = samples.len() / usize::from(channels);
        let bits = kind.bits().min(32);
        let scale = 2f64.powi(bits as i32 - 1);
        let shift = if kind == SampleKind::F32 { 8 } else { 32 - bits };
        let codes: Vec<i32> = samples[..frames * usize::from(channels)].iter().map(|code| code >> shift).collect();
        let planes = (0..usize::from(channels))
            .map(|channel| codes.iter().skip(channel).step_by(usize::from(channels)).map(|code| f64::from(*code) / scale).collect());
        let block = Block::from_channels(planes.collect());
        let spec = WavSpec {
            rate_hz: 96_000,
            channels,
            kind,
            frames: frames as u64,
            channel_mask: None,
            bext: None,
            chunks_before: Vec::new(),
            chunks_after: Vec::new(),
        };
        let mut writer = WavWriter::new(Vec::new(), spec).unwrap();
        if kind.is_float() { writer.write_floats(&block) } else { writer.write_ints(&codes) }.unwrap();
        let decoded = super::fixture::decode(&writer.finish().unwrap()).unwrap();
        prop_assert_eq!(decoded.sound, block);
        prop_assert_eq!(decoded.repairs, Vec::<String>::new());
    }
}
