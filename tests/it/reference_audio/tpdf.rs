//! The statistics of TPDF dither: Wannamaker, Lipshitz, Vanderkooy, Wright, "A theory of nonsubtractive dither", IEEE
//! Trans. Signal Processing 48(2), 2000: total error power q²/4, first two moments independent of the signal.

use loadin_audio::{Block, DitherKey, Quantiser, signal};

use super::{db, fit};

const FULL: f64 = 32_768.0;

/// The error of 16-bit quantisation in steps.
fn errors(samples: &[f64], key: u64) -> Vec<f64> {
    let mut quantiser = Quantiser::new(16, 1, Some(DitherKey(key)));
    let mut codes = Vec::new();
    quantiser.process(&Block::from_channels(vec![samples.to_vec()]), &mut codes);
    quantiser.finish(&mut codes);
    codes.iter().zip(samples).map(|(code, sample)| f64::from(*code) - sample * FULL).collect()
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let count = values.len() as f64;
    values.sum::<f64>() / count
}

/// 2 million samples of 997 Hz at 0.3: variance 0.25 LSB² ±2 %, |error| at most 1.5 LSB, no bias.
#[test]
fn total_error_is_a_quarter_of_a_step_squared() {
    let found = errors(&signal::sine(997.0, 0.3, 48_000, 2_000_000), 1);
    let variance = mean(found.iter().map(|e| e * e));
    assert!((variance - 0.25).abs() < 0.005, "{variance}");
    assert!(mean(found.iter().copied()).abs() < 0.002);
    let largest = found.iter().fold(0.0f64, |most, e| most.max(e.abs()));
    assert!(largest <= 1.5, "{largest}");
}

/// The moments do not depend on where between two steps the signal lies.
#[test]
fn moments_are_independent_of_the_signal() {
    for tenth in 0..10 {
        let level = (100.0 + 0.1 * f64::from(tenth)) / FULL;
        let found = errors(&vec![level; 400_000], 7 + tenth as u64);
        let (bias, variance) = (mean(found.iter().copied()), mean(found.iter().map(|e| e * e)));
        assert!(bias.abs() < 0.005 && (variance - 0.25).abs() < 0.005, "{tenth}: {bias} {variance}");
    }
}

/// Errors of neighbouring samples, and of two channels, have nothing to do with each other: flat spectrum.
#[test]
fn errors_are_white_and_channels_independent() {
    let sine = signal::sine(997.0, 0.3, 48_000, 1_000_000);
    let found = errors(&sine, 3);
    for lag in [1, 2, 3, 5, 17, 480] {
        let correlation = mean(found[lag..].iter().zip(&found).map(|(a, b)| a * b)) / 0.25;
        assert!(correlation.abs() < 0.006, "lag {lag}: {correlation}");
    }
    let mut quantiser = Quantiser::new(16, 2, Some(DitherKey(3)));
    let mut codes = Vec::new();
    quantiser.process(&Block::from_channels(vec![sine.clone(), sine.clone()]), &mut codes);
    let error = |index: usize| f64::from(codes[index]) - sine[index / 2] * FULL;
    let correlation = mean((0..sine.len()).map(|n| error(2 * n) * error(2 * n + 1))) / 0.25;
    assert!(correlation.abs() < 0.006, "channels: {correlation}");
}

/// A sine of one step shows no harmonics above the noise: without dither they would stand at −10 to −30 dB of it.
#[test]
fn a_one_step_sine_has_no_harmonics() {
    let frames = 1 << 20;
    let sine = signal::sine(997.0, 1.0 / FULL, 48_000, frames);
    let found = errors(&sine, 11);
    // The noise in one bin of this length has an amplitude of about 0.5 · √(2 / n); six times that is never noise.
    let ceiling = 6.0 * 0.5 * (2.0 / frames as f64).sqrt();
    for harmonic in 1..=9 {
        let (amplitude, ..) = fit(&found, 0, 997.0 * f64::from(harmonic), 48_000.0);
        assert!(amplitude < ceiling, "harmonic {harmonic}: {:.1} dB re one step", db(amplitude));
    }
    let plain: Vec<f64> = sine.iter().map(|s| (s * FULL).round() - s * FULL).collect();
    assert!(fit(&plain, 0, 5.0 * 997.0, 48_000.0).0 > 20.0 * ceiling, "the check must be able to fail");
}
