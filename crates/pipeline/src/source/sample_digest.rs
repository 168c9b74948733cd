//! A digest of decoded samples: equal for equal audio at one rate, whatever container and depth carried it.
//!
//! It is compared within one run only and stands in no record, so a fast digest without a byte order will do.

use loadin_audio::Block;
use twox_hash::XxHash3_128;

/// Digests one stream of blocks; how the stream is cut into blocks does not matter.
pub(crate) struct SampleDigest {
    rate_hz: u32,
    channels: Vec<XxHash3_128>,
}

impl SampleDigest {
    /// A digest of nothing yet.
    pub(crate) fn new(channels: usize, rate_hz: u32) -> Self {
        Self { rate_hz, channels: vec![XxHash3_128::new(); channels] }
    }

    /// Takes the next frames.
    pub(crate) fn push(&mut self, block: &Block) {
        for (hash, samples) in self.channels.iter_mut().zip(block.iter()) {
            hash.write(bytemuck::cast_slice(samples));
        }
    }

    /// The digest in hex.
    pub(crate) fn finish(&self) -> String {
        let mut all = XxHash3_128::new();
        all.write(&self.rate_hz.to_le_bytes());
        for channel in &self.channels {
            all.write(&channel.finish_128().to_le_bytes());
        }
        format!("{:032x}", all.finish_128())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn digest(pieces: &[&[f64]]) -> String {
        let mut content = SampleDigest::new(1, 48_000);
        for piece in pieces {
            content.push(&Block::from_channels(vec![piece.to_vec()]));
        }
        content.finish()
    }

    #[test]
    fn cutting_does_not_matter_but_every_sample_does() {
        let whole = digest(&[&[0.1, 0.2, 0.3, 0.0]]);
        assert_eq!(whole, digest(&[&[0.1], &[0.2, 0.3, 0.0]]));
        assert_ne!(whole, digest(&[&[0.1, 0.2, 0.300_000_1, 0.0]]));
        assert_ne!(whole, digest(&[&[0.1, 0.2, 0.3]]));
    }
}
