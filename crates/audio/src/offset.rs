//! Offsets (DC): how steady one is, and how it is taken away without touching silence. Knows nothing of whether it is
//! worth taking away.

use crate::silence::{Piece, SILENCE, SilentRuns};
use crate::{Block, EnvelopeOf};

/// How the mean of a channel behaves along the stream.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steadiness {
    /// Median of the smoothed means.
    pub median: f64,
    /// From the 10th to the 90th percentile of the smoothed means.
    pub spread: f64,
    /// Whether there was enough sound to judge: three smoothed means or more.
    pub certain: bool,
}

/// Length of the Hann window over which means are smoothed. Its side lobes keep the bass out of the means: a
/// plain mean over one second still holds −34 dB of a 50 Hz tone that does not fit.
const SMOOTH_SECONDS: f64 = 2.0;

/// Judges the means along an envelope, without its silent windows.
pub fn steadiness(envelope: &EnvelopeOf, window_frames: u64, rate_hz: u32) -> Steadiness {
    let window_seconds = window_frames as f64 / f64::from(rate_hz.max(1));
    let reach = (SMOOTH_SECONDS / 2.0 / window_seconds).round().max(1.0) as usize;
    let hann: Vec<f64> = (0..=2 * reach)
        .map(|i| 0.5 - 0.5 * (std::f64::consts::PI * (i as f64 + 0.5) / (reach as f64 + 0.5)).cos())
        .collect();
    let whole: f64 = hann.iter().sum();
    let windows = envelope.sum.len();
    let mut means: Vec<f64> = (reach..windows.saturating_sub(reach))
        .step_by((reach / 2).max(1))
        .filter_map(|centre| {
            let (mut sum, mut weight) = (0.0, 0.0);
            for (index, factor) in (centre - reach..=centre + reach).zip(&hann) {
                if envelope.min[index] != 0.0 || envelope.max[index] != 0.0 {
                    sum += factor * f64::from(envelope.sum[index]);
                    weight += factor;
                }
            }
            // A mean over mostly silence says little.
            (weight >= whole / 2.0).then(|| sum / (weight * window_frames as f64))
        })
        .collect();
    means.sort_by(f64::total_cmp);
    let at =
        |part: f64| means.get(((means.len() as f64 - 1.0) * part).round() as usize).copied().unwrap_or(0.0);
    Steadiness { median: at(0.5), spread: at(0.9) - at(0.1), certain: means.len() >= 3 }
}

/// Subtracts one constant a channel from everything but digital silence (10 ms or more of it stay exactly 0).
#[derive(Debug, Clone)]
pub struct DcRemover {
    constants: Vec<f64>,
    runs: SilentRuns,
    waiting: u64,
}

/// Silence is given in pieces of this size, so that hours of it need no memory.
const PIECE_FRAMES: u64 = 65_536;

impl DcRemover {
    /// A remover for a stream at `rate_hz` with one constant a channel.
    pub fn new(constants: Vec<f64>, rate_hz: u32) -> Self {
        Self { constants, runs: SilentRuns::new(SILENCE, u64::from(rate_hz / 100)), waiting: 0 }
    }

    /// Takes the frames of `block` and leaves in it those that are ready.
    pub fn process(&mut self, block: &mut Block) {
        let mut result = Block::new(block.channels());
        let constants = &self.constants;
        self.runs.split(block, |piece| apply(constants, block, &piece, &mut result));
        *block = result;
    }

    /// Leaves in the empty `block` a piece of what remains; empty when all has been given.
    pub fn finish(&mut self, block: &mut Block) {
        let mut short = 0;
        self.runs.finish(|piece| {
            if let Piece::Short(frames) = piece {
                short = frames;
            }
        });
        self.waiting += short;
        let piece = self.waiting.min(PIECE_FRAMES);
        apply(&self.constants, &Block::new(block.channels()), &Piece::Short(piece), block);
        self.waiting -= piece;
    }
}

fn apply(constants: &[f64], block: &Block, piece: &Piece, result: &mut Block) {
    let start = result.frames();
    match piece {
        Piece::Silent(frames) => return result.append_silence(*frames as usize),
        Piece::Short(frames) => result.append_silence(*frames as usize),
        Piece::Active(range) => result.append(block, range.start, range.end),
    }
    for (channel, constant) in result.iter_mut().zip(constants) {
        for sample in &mut channel[start..] {
            *sample -= constant;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Envelope;

    fn judged(samples: &[f64]) -> Steadiness {
        let mut meter = Envelope::new(1, 8000);
        meter.push(&Block::from_channels(vec![samples.to_vec()]));
        let (window, channels) = meter.finish();
        steadiness(&channels[0], window, 8000)
    }

    fn tone(frames: usize, offset: impl Fn(f64) -> f64) -> Vec<f64> {
        (0..frames)
            .map(|n| {
                0.3 * (n as f64 * 55.0 * std::f64::consts::TAU / 8000.0).sin() + offset(n as f64 / 8000.0)
            })
            .collect()
    }

    #[test]
    fn a_constant_is_steady_and_a_drift_is_not() {
        let steady = judged(&tone(80_000, |_| 0.01));
        assert!(steady.certain && steady.spread < 1e-4 && (steady.median - 0.01).abs() < 1e-4, "{steady:?}");
        let drifting = judged(&tone(80_000, |seconds| 0.004 * seconds));
        assert!(drifting.spread > 0.01, "{drifting:?}");
        assert!(!judged(&tone(8_000, |_| 0.01)).certain);
    }

    #[test]
    fn silence_stays_silent_and_the_rest_moves_by_the_constant() {
        let mut samples = vec![0.0; 1000];
        samples.extend(tone(3000, |_| 0.01));
        samples.extend([0.0; 40]);
        samples.extend(tone(500, |_| 0.01));
        samples.extend([0.0; 500]);
        for piece in [17, 80, 5040] {
            let mut remover = DcRemover::new(vec![0.01], 8000);
            let mut result = Block::new(1);
            for part in samples.chunks(piece) {
                let mut block = Block::from_channels(vec![part.to_vec()]);
                remover.process(&mut block);
                result.append(&block, 0, block.frames());
            }
            let mut rest = Block::new(1);
            remover.finish(&mut rest);
            result.append(&rest, 0, rest.frames());
            let found = result.channel(0);
            assert_eq!(found.len(), samples.len());
            for (index, (before, after)) in samples.iter().zip(found).enumerate() {
                let silent = !(1000..4540).contains(&index);
                let wanted = if silent { 0.0 } else { before - 0.01 };
                // The tone starts at exactly its offset, which is no silence.
                assert_eq!(*after, wanted, "frame {index}, pieces of {piece}");
            }
        }
    }
}
