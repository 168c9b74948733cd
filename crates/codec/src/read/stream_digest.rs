//! The digest that a FLAC stream carries: MD5 of all samples, little-endian and interleaved (RFC 9639, 8.2). Knows
//! nothing of how the samples were decoded, so that it can be made on another thread.

use loadin_audio::{Block, with_simd};
use md5::{Digest, Md5};

use crate::pack::{pack, pack_24};

/// Bytes of the block that begins every stream, and where in it the digest stands.
const STREAM_INFO: usize = 34;
const DIGEST_AT: usize = 18;

/// Compares the samples of a stream with the digest that it states.
pub struct StreamDigest {
    stated: [u8; 16],
    bits: u32,
    found: Md5,
    codes: Vec<i32>,
    bytes: Vec<u8>,
}

impl StreamDigest {
    /// The digest of a stream with this STREAMINFO; `None` where it states none.
    pub(crate) fn stated(stream_info: &[u8]) -> Option<Self> {
        let info: &[u8; STREAM_INFO] = stream_info.try_into().ok()?;
        let stated: [u8; 16] = info[DIGEST_AT..].try_into().ok()?;
        // 20 bits of rate, 3 of channels, then 5 of the sample's width less one.
        let bits = (u32::from(info[12] & 1) << 4 | u32::from(info[13] >> 4)) + 1;
        (stated != [0; 16]).then(|| Self {
            stated,
            bits,
            found: Md5::new(),
            codes: Vec::new(),
            bytes: Vec::new(),
        })
    }

    /// Takes the next frames, as the decoder gave them.
    pub fn push(&mut self, block: &Block) {
        self.codes.resize(block.frames() * block.channels(), 0);
        codes(block, 2f64.powi(self.bits as i32 - 1), &mut self.codes);
        match self.bits.div_ceil(8) {
            1 => self.pack::<1>(),
            2 => self.pack::<2>(),
            3 => pack_24(&self.codes, &mut self.bytes),
            _ => self.pack::<4>(),
        }
        self.found.update(&self.bytes);
    }

    /// Packs samples that have `N` bytes each.
    fn pack<const N: usize>(&mut self) {
        pack(&self.codes, &mut self.bytes, |code| {
            let bytes = code.to_le_bytes();
            std::array::from_fn::<u8, N, _>(|index| bytes[index])
        });
    }

    /// Whether the samples were those that the digest was made of.
    pub(crate) fn agrees(self) -> bool {
        self.found.finalize()[..] == self.stated
    }
}

/// Integer samples, frame by frame; full scale is `scale`.
fn codes(block: &Block, scale: f64, codes: &mut [i32]) {
    with_simd(
        #[inline(always)]
        || {
            if block.channels() == 2 {
                let (left, right) = (block.channel(0), block.channel(1));
                for ((frame, left), right) in codes.as_chunks_mut::<2>().0.iter_mut().zip(left).zip(right) {
                    *frame = [(left * scale) as i32, (right * scale) as i32];
                }
                return;
            }
            for (index, channel) in block.iter().enumerate() {
                for (frame, sample) in codes.chunks_exact_mut(block.channels()).zip(channel) {
                    frame[index] = (sample * scale) as i32;
                }
            }
        },
    );
}
