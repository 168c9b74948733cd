//! How little is left of a mix where least is left: what tells noise that follows a sound everywhere, as a codec's, from another
//! sound, which has pauses and holes between its partials.
//!
//! It knows two signals, and nothing of stems.

use realfft::RealFftPlanner;

/// Samples of a window; windows overlap by half.
const WINDOW: usize = 8192;

/// Neighbouring bins that are one part.
const BINS: usize = 8;

/// A sound reaches into the parts beside its own.
const REACH: [f64; 5] = [0.25, 0.5, 1.0, 0.5, 0.25];

/// Parts below this, relative to the mean part, say nothing: −40 dB.
const LEAST: f64 = 1e-4;

/// This part of all lies below the answer.
const SHARE: f64 = 0.1;

/// The power of `rest` relative to that of `explained`, below which a tenth of all small parts of time and band lie; both
/// signals of one length, between two frequencies. `None` where nothing is explained.
pub fn emptiest(explained: &[f32], rest: &[f32], band_hz: (f64, f64), sample_hz: f64) -> Option<f64> {
    let forward = RealFftPlanner::<f32>::new().plan_fft_forward(WINDOW);
    let bin = |hz: f64| ((hz / sample_hz * WINDOW as f64).round() as usize).min(WINDOW / 2);
    let bins = bin(band_hz.0)..bin(band_hz.1);
    let turn = |n: usize| std::f64::consts::TAU * n as f64 / WINDOW as f64;
    let taper: Vec<f32> = (0..WINDOW).map(|n| (0.5 - 0.5 * libm::cos(turn(n))) as f32).collect();
    let powers = |samples: &[f32]| -> Vec<f64> {
        let mut input: Vec<f32> = samples.iter().zip(&taper).map(|(a, b)| a * b).collect();
        let mut spectrum = forward.make_output_vec();
        forward.process(&mut input, &mut spectrum).expect("buffers of the size of the plan");
        let parts = spectrum[bins.clone()].chunks_exact(BINS);
        parts.map(|part| part.iter().map(|bin| f64::from(bin.norm_sqr())).sum()).collect()
    };
    let starts = (0..=explained.len().checked_sub(WINDOW)?).step_by(WINDOW / 2);
    let mut parts: Vec<(f64, f64)> = Vec::new();
    let (mut all, mut count) = (0.0, 0usize);
    for start in starts {
        let (own, left) = (powers(&explained[start..start + WINDOW]), powers(&rest[start..start + WINDOW]));
        all += own.iter().sum::<f64>();
        count += own.len();
        parts.extend(left.into_iter().enumerate().map(|(at, left)| {
            let near = REACH
                .iter()
                .enumerate()
                .filter_map(|(n, weight)| Some(weight * own.get((at + n).checked_sub(REACH.len() / 2)?)?));
            (near.sum::<f64>(), left)
        }));
    }
    let least = LEAST * all / count.max(1) as f64;
    let mut ratios: Vec<f64> =
        parts.into_iter().filter(|(own, _)| *own > least).map(|(own, left)| left / own).collect();
    let at = (ratios.len() as f64 * SHARE) as usize;
    (all > 0.0 && at < ratios.len()).then(|| *ratios.select_nth_unstable_by(at, f64::total_cmp).1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};

    #[test]
    fn noise_fills_every_part_and_a_tone_leaves_most_of_them_empty() {
        let single = |samples: Vec<f64>| samples.iter().map(|x| *x as f32).collect::<Vec<_>>();
        let sound = single(noise(1, 0.3, 60_000));
        let found = |rest: &[f32]| 10.0 * emptiest(&sound, rest, (40.0, 2500.0), 6000.0).unwrap().log10();
        // Both have the same power; the parts beside count for 1.5 (arithmetic), and a tenth lies 3 dB lower.
        let hiss = found(&single(noise(9_000_000, 0.03, 60_000)));
        let tone = found(&single(sine(1000.0, 0.0245, 6000, 60_000)));
        assert!((-28.0..-22.0).contains(&hiss) && tone < hiss - 20.0, "{hiss} {tone}");
        assert_eq!(emptiest(&vec![0.0; 9000], &sound[..9000], (40.0, 2500.0), 6000.0), None);
        assert_eq!(emptiest(&sound[..100], &sound[..100], (40.0, 2500.0), 6000.0), None);
    }
}
