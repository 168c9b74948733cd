//! How the two channels of a stream relate: proofs over every block, and figures over the whole. Knows nothing of what
//! should follow from them.

use crate::Block;
use crate::simd_meters::{Comparison, compare};

/// Measures L − R and L + R of a two-channel stream.
///
/// "Identical" and "inverted" must hold in every block of 100 ms, not on average, so the worst block counts.
#[derive(Debug, Clone)]
pub struct Relation {
    lsb: f64,
    block_frames: usize,
    pending: Block,
    facts: RelationMeasures,
    sums: [f64; 3],
}

/// What `Relation` has found. Amplitudes are relative to full scale.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct RelationMeasures {
    /// Greatest |L − R|.
    pub max_difference: f64,
    /// Worst |L − R| of a block over the block's peak, of those above one step of the source; else 0.
    pub worst_difference_ratio: f64,
    /// Greatest |L + R|.
    pub max_sum: f64,
    /// Worst |L + R| of a block over the block's peak, of those above one step of the source; else 0.
    pub worst_sum_ratio: f64,
    /// Σ L·R / √(Σ L² · Σ R²), about zero; `None` where a channel is silent.
    pub correlation: Option<f64>,
    /// RMS of (L − R) over RMS of (L + R); `None` where L + R is silent.
    pub side_to_mid: Option<f64>,
}

impl Relation {
    /// A meter for a stereo stream at `rate_hz` whose samples lie `lsb` apart (0 for floats).
    pub fn new(rate_hz: u32, lsb: f64) -> Self {
        Self {
            lsb: lsb * 1.000_001,
            block_frames: (rate_hz as usize / 10).max(1),
            pending: Block::new(2),
            facts: RelationMeasures::default(),
            sums: [0.0; 3],
        }
    }

    /// Takes the next frames of two channels.
    pub fn push(&mut self, block: &Block) {
        let mut at = 0;
        while at < block.frames() {
            let room = self.block_frames - self.pending.frames();
            let end = (at + room).min(block.frames());
            if self.pending.is_empty() && end - at == self.block_frames {
                self.judge(&block.channel(0)[at..end], &block.channel(1)[at..end]);
            } else {
                self.pending.append(block, at, end);
                if self.pending.frames() == self.block_frames {
                    self.judge_pending();
                }
            }
            at = end;
        }
    }

    fn judge_pending(&mut self) {
        let pending = std::mem::take(&mut self.pending);
        self.judge(pending.channel(0), pending.channel(1));
        self.pending = pending;
        self.pending.clear();
    }

    fn judge(&mut self, left: &[f64], right: &[f64]) {
        let Comparison { difference, sum, peak, products } = compare(left, right);
        for (total, product) in self.sums.iter_mut().zip(products) {
            *total += product;
        }
        let facts = &mut self.facts;
        facts.max_difference = facts.max_difference.max(difference);
        facts.max_sum = facts.max_sum.max(sum);
        if difference > self.lsb {
            facts.worst_difference_ratio = facts.worst_difference_ratio.max(difference / peak);
        }
        if sum > self.lsb {
            facts.worst_sum_ratio = facts.worst_sum_ratio.max(sum / peak);
        }
    }

    /// Ends the stream.
    pub fn finish(mut self) -> RelationMeasures {
        if !self.pending.is_empty() {
            self.judge_pending();
        }
        let [left, right, cross] = self.sums;
        let (mid, side) = (left + right + 2.0 * cross, left + right - 2.0 * cross);
        RelationMeasures {
            correlation: (left > 0.0 && right > 0.0).then(|| cross / (left * right).sqrt()),
            side_to_mid: (mid > 0.0).then(|| (side.max(0.0) / mid).sqrt()),
            ..self.facts
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn relate(left: Vec<f64>, right: Vec<f64>, lsb: f64) -> RelationMeasures {
        let mut relation = Relation::new(1000, lsb);
        let whole = Block::from_channels(vec![left, right]);
        for start in (0..whole.frames()).step_by(37) {
            let mut part = Block::new(2);
            part.append(&whole, start, (start + 37).min(whole.frames()));
            relation.push(&part);
        }
        relation.finish()
    }

    fn sine(frames: usize, phase: f64) -> Vec<f64> {
        (0..frames).map(|n| 0.5 * (n as f64 * 0.3 + phase).sin()).collect()
    }

    /// Correlation of equal, opposite and quadrature sines: +1, −1, 0 (arithmetic).
    #[test]
    fn correlation_is_as_the_textbook_says() {
        let close =
            |found: Option<f64>, wanted: f64| assert!((found.unwrap() - wanted).abs() < 0.01, "{found:?}");
        close(relate(sine(5000, 0.0), sine(5000, 0.0), 0.0).correlation, 1.0);
        close(relate(sine(5000, 0.0), sine(5000, 0.0).iter().map(|x| -x).collect(), 0.0).correlation, -1.0);
        close(relate(sine(5000, 0.0), sine(5000, std::f64::consts::FRAC_PI_2), 0.0).correlation, 0.0);
    }

    #[test]
    fn one_different_block_spoils_the_proof() {
        let mut right = sine(5000, 0.0);
        assert_eq!(relate(sine(5000, 0.0), right.clone(), 0.0).worst_difference_ratio, 0.0);
        right[4321] += 0.01;
        let found = relate(sine(5000, 0.0), right, 0.0);
        assert!(found.worst_difference_ratio > 0.015 && (found.max_difference - 0.01).abs() < 1e-12);
    }

    #[test]
    fn one_step_of_the_source_is_no_difference() {
        let lsb = 1.0 / 32768.0;
        let right = sine(5000, 0.0).iter().map(|x| x + lsb).collect();
        assert_eq!(relate(sine(5000, 0.0), right, lsb).worst_difference_ratio, 0.0);
    }
}
