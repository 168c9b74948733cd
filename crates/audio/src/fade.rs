//! Short fades at the edges of a cut that is not silent. Knows nothing of where to cut.

use std::f64::consts::PI;

use dasp::Sample;

use crate::Block;

/// Fades the first and the last frames of a stream of known length along a raised cosine.
#[derive(Debug, Clone, Copy)]
pub struct Fade {
    rise: u64,
    fall: u64,
    total: u64,
    frame: u64,
}

impl Fade {
    /// A fade of `rise` frames at the start and `fall` frames at the end of `total` frames; 0 is no fade.
    pub fn new(rise: u64, fall: u64, total: u64) -> Self {
        Self { rise, fall, total, frame: 0 }
    }

    /// Fades the next frames in place.
    pub fn process(&mut self, block: &mut Block) {
        let (start, end) = (self.frame, self.frame + block.frames() as u64);
        self.frame = end;
        let out_from = self.total.saturating_sub(self.fall);
        if start >= self.rise && end <= out_from {
            return;
        }
        for channel in block.iter_mut() {
            for (frame, sample) in (start..).zip(channel) {
                if frame < self.rise {
                    *sample = sample.mul_amp(gain(frame, self.rise));
                }
                if frame >= out_from {
                    *sample = sample.mul_amp(gain(self.total.saturating_sub(frame + 1), self.fall));
                }
            }
        }
    }
}

/// The rising half of a Hann window of twice `length`, at its frame centres.
fn gain(frame: u64, length: u64) -> f64 {
    0.5 - 0.5 * libm::cos(PI * ((frame as f64 + 0.5) / length as f64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edges_rise_and_fall_and_the_middle_stays() {
        let mut fade = Fade::new(10, 20, 100);
        let mut found = Vec::new();
        for _ in 0..4 {
            let mut block = Block::from_channels(vec![vec![1.0; 25]]);
            fade.process(&mut block);
            found.extend_from_slice(block.channel(0));
        }
        assert!(found[0] < 0.01 && found[99] < 0.01);
        assert!(found[..10].is_sorted() && found[80..].iter().rev().is_sorted());
        assert!(found[10..80].iter().all(|gain| *gain == 1.0));
        // Halfway the raised cosine is at one half (arithmetic).
        assert!((gain(9, 19) - 0.5).abs() < 1e-12);
    }
}
