//! Samples to bytes, little-endian and interleaved: the counterpart of what reading unpacks. Knows no container, and
//! counts nothing.

use loadin_audio::{Block, with_simd};

/// Packs samples of `N` bytes each, one behind the other.
pub(crate) fn pack<const N: usize>(samples: &[i32], packed: &mut Vec<u8>, bytes_of: impl Fn(i32) -> [u8; N]) {
    packed.resize(samples.len() * N, 0);
    let (cells, _) = packed.as_chunks_mut::<N>();
    for (cell, sample) in cells.iter_mut().zip(samples) {
        *cell = bytes_of(*sample);
    }
}

/// Packs 24-bit samples, four at a time.
pub(crate) fn pack_24(samples: &[i32], packed: &mut Vec<u8>) {
    packed.resize(samples.len() * 3, 0);
    with_simd(
        #[inline(always)]
        || {
            let ((fours, rest), (cells, rest_bytes)) =
                (samples.as_chunks::<4>(), packed.as_chunks_mut::<12>());
            for (cell, four) in cells.iter_mut().zip(fours) {
                let [a, b, c, d] = four.map(i32::cast_unsigned);
                let words =
                    [(a & 0x00ff_ffff) | b << 24, (b >> 8 & 0xffff) | c << 16, (c >> 16 & 0xff) | d << 8];
                for (bytes, word) in cell.as_chunks_mut::<4>().0.iter_mut().zip(words) {
                    *bytes = word.to_le_bytes();
                }
            }
            for (bytes, sample) in rest_bytes.as_chunks_mut::<3>().0.iter_mut().zip(rest) {
                let [a, b, c, _] = sample.to_le_bytes();
                *bytes = [a, b, c];
            }
        },
    );
}

/// Packs planar samples of `N` bytes each, frame by frame.
pub(crate) fn interleave<const N: usize>(
    block: &Block,
    packed: &mut Vec<u8>,
    bytes_of: impl Fn(f64) -> [u8; N],
) {
    packed.resize(block.frames() * block.channels() * N, 0);
    let (cells, _) = packed.as_chunks_mut::<N>();
    for (index, channel) in block.iter().enumerate() {
        for (cell, sample) in cells[index..].iter_mut().step_by(block.channels()).zip(channel) {
            *cell = bytes_of(*sample);
        }
    }
}
