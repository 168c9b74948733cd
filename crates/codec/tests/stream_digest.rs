//! The digest of a FLAC stream, checked within the decoder and beside it, on files of our own writer.

#![expect(clippy::unwrap_used, reason = "a test fails by it")]

use std::io::Cursor;

use loadin_audio::Block;
use loadin_codec::{SampleKind, SoundWriter, Target, WavSpec};

/// Where the digest stands in a file: behind the mark of the stream, the head of its first block, and 18 bytes of it.
const DIGEST_AT: usize = 8 + 18;

fn flac(kind: SampleKind, channels: u16) -> Vec<u8> {
    let spec = WavSpec {
        rate_hz: 48_000,
        channels,
        kind,
        frames: 9000 / u64::from(channels),
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut file = Vec::new();
    let mut writer = SoundWriter::new(&mut file, Target::Flac, spec).unwrap();
    let codes: Vec<i32> = (0..9000).map(|n| (n * 7919 % 65_536) - 32_768).collect();
    writer.write_ints(&codes).unwrap();
    writer.finish().unwrap();
    file
}

/// Damage that is found when the digest is checked within the decoder, and beside it.
fn damage(file: &[u8]) -> [usize; 2] {
    [false, true].map(|beside| {
        let mut decoder = loadin_codec::open(Cursor::new(file.to_vec()), true).unwrap();
        let mut digest = if beside { decoder.take_digest() } else { None };
        assert_eq!(digest.is_some(), beside);
        let mut block = Block::default();
        while decoder.next_block(&mut block).unwrap() {
            if let Some(digest) = &mut digest {
                digest.push(&block);
            }
        }
        if let Some(digest) = digest {
            decoder.judge(digest);
        }
        decoder.damage().len()
    })
}

#[test]
fn a_digest_of_other_sound_is_damage_wherever_it_is_checked() {
    for (kind, channels) in
        [(SampleKind::I16, 2), (SampleKind::I24, 2), (SampleKind::I24, 1), (SampleKind::I16, 3)]
    {
        let mut file = flac(kind, channels);
        assert_eq!(damage(&file), [0, 0]);
        file[DIGEST_AT] ^= 1;
        assert_eq!(damage(&file), [1, 1]);
    }
}
