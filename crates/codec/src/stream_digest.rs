//! The digest that a FLAC stream carries: MD5 of all samples, little-endian and interleaved (RFC 9639, 8.2).

use loadin_audio::Block;
use md5::{Digest, Md5};

use crate::pack::interleave;

/// Bytes of the block that begins every stream, and where in it the digest stands.
const STREAM_INFO: usize = 34;
const DIGEST_AT: usize = 18;

/// Compares the samples of a stream with the digest that it states.
pub struct StreamDigest {
    stated: [u8; 16],
    bits: u32,
    found: Md5,
    bytes: Vec<u8>,
}

impl StreamDigest {
    /// The digest of a stream with this STREAMINFO; `None` where it states none.
    pub(crate) fn stated(stream_info: &[u8]) -> Option<Self> {
        let info: &[u8; STREAM_INFO] = stream_info.try_into().ok()?;
        let stated: [u8; 16] = info[DIGEST_AT..].try_into().ok()?;
        // 20 bits of rate, 3 of channels, then 5 of the sample's width less one.
        let bits = (u32::from(info[12] & 1) << 4 | u32::from(info[13] >> 4)) + 1;
        (stated != [0; 16]).then(|| Self { stated, bits, found: Md5::new(), bytes: Vec::new() })
    }

    /// Takes the next frames, as the decoder gave them.
    pub fn push(&mut self, block: &Block) {
        match self.bits.div_ceil(8) {
            1 => self.take::<1>(block),
            2 => self.take::<2>(block),
            3 => self.take::<3>(block),
            _ => self.take::<4>(block),
        }
    }

    /// Takes frames of samples that have `N` bytes each.
    fn take<const N: usize>(&mut self, block: &Block) {
        let scale = 2f64.powi(self.bits as i32 - 1);
        interleave(block, &mut self.bytes, |sample| {
            let bytes = ((sample * scale) as i32).to_le_bytes();
            std::array::from_fn::<u8, N, _>(|index| bytes[index])
        });
        self.found.update(&self.bytes);
    }

    /// Whether the samples were those that the digest was made of.
    pub(crate) fn agrees(self) -> bool {
        self.found.finalize()[..] == self.stated
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;
    use crate::{SampleKind, SoundWriter, Target, WavSpec};

    fn flac(kind: SampleKind) -> Vec<u8> {
        let spec = WavSpec {
            rate_hz: 48_000,
            channels: 2,
            kind,
            frames: 5000,
            channel_mask: None,
            bext: None,
            chunks_before: Vec::new(),
            chunks_after: Vec::new(),
        };
        let mut file = Vec::new();
        let mut writer = SoundWriter::new(&mut file, Target::Flac, spec).unwrap();
        let codes: Vec<i32> = (0..10_000).map(|n| (n * 7919 % 65_536) - 32_768).collect();
        writer.write_ints(&codes).unwrap();
        writer.finish().unwrap();
        file
    }

    /// Damage that is found when the digest is checked within the decoder, and beside it.
    fn damage(file: &[u8]) -> [usize; 2] {
        [false, true].map(|beside| {
            let mut decoder = crate::open(Cursor::new(file.to_vec()), true).unwrap();
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
        for kind in [SampleKind::I16, SampleKind::I24] {
            let mut file = flac(kind);
            assert_eq!(damage(&file), [0, 0]);
            // Behind the mark of the stream and the head of its first block.
            file[8 + DIGEST_AT] ^= 1;
            assert_eq!(damage(&file), [1, 1]);
        }
    }
}
