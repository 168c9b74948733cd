//! How two streams stand in time to each other: cross-spectra summed up stretch by stretch, and their peak.
//!
//! Every stretch is padded to twice its length, so a lag of up to a stretch does not wrap around. The place of the peak
//! is found in a spectrum whose magnitudes are evened out to their square root, which keeps a low note from smearing it;
//! the coefficient at that place is the plain one.
//!
//! It knows nothing of stems and of what a lag means.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::between::values;

/// Samples of a stretch.
pub const STRETCH: usize = 16_384;

const SIZE: usize = 2 * STRETCH;

/// The spectrum of one stretch, and its energy.
#[derive(Debug, Clone)]
pub struct Spectrum {
    bins: Vec<Complex<f32>>,
    energy: f64,
}

/// Transforms stretches and sums.
pub struct Correlator {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    padded: Vec<f32>,
}

/// The cross-spectrum of two streams so far.
#[derive(Debug, Clone)]
pub struct Cross {
    sum: Vec<Complex<f32>>,
    energy: (f64, f64),
}

/// Where two streams fit best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// By how many samples the second stream is later than the first.
    pub lag: f64,
    /// Correlation coefficient there, −1 to 1; negative where one of them is inverted.
    pub correlation: f64,
    /// How far the evened-out peak rises above the root mean square of all allowed lags.
    pub rise: f64,
}

impl Default for Correlator {
    fn default() -> Self {
        Self::new()
    }
}

impl Correlator {
    /// A correlator for stretches of [`STRETCH`] samples.
    pub fn new() -> Self {
        let mut planner = RealFftPlanner::new();
        let (forward, back) = (planner.plan_fft_forward(SIZE), planner.plan_fft_inverse(SIZE));
        Self { forward, back, padded: vec![0.0; SIZE] }
    }

    /// The spectrum of a stretch.
    ///
    /// # Panics
    /// When it is longer than [`STRETCH`].
    pub fn spectrum(&mut self, stretch: &[f32]) -> Spectrum {
        let energy = stretch.iter().map(|x| f64::from(*x) * f64::from(*x)).sum();
        self.padded.fill(0.0);
        self.padded[..stretch.len()].copy_from_slice(stretch);
        let mut bins = self.forward.make_output_vec();
        self.forward.process(&mut self.padded, &mut bins).expect("buffers of the size of the plan");
        Spectrum { bins, energy }
    }

    fn lags(&self, bins: &mut [Complex<f32>]) -> Vec<f32> {
        let mut lags = self.back.make_output_vec();
        // What rounding left there is no part of a real signal's spectrum.
        bins[0].im = 0.0;
        bins[SIZE / 2].im = 0.0;
        self.back.process(bins, &mut lags).expect("buffers of the size of the plan");
        lags
    }
}

impl Default for Cross {
    fn default() -> Self {
        Self { sum: vec![Complex::default(); SIZE / 2 + 1], energy: (0.0, 0.0) }
    }
}

impl Cross {
    /// Adds a stretch of both streams, from the same place.
    pub fn add(&mut self, first: &Spectrum, second: &Spectrum) {
        self.energy.0 += first.energy;
        self.energy.1 += second.energy;
        for ((sum, a), b) in self.sum.iter_mut().zip(&first.bins).zip(&second.bins) {
            *sum += a.conj() * b;
        }
    }

    /// Adds a stretch in which one of the two is silent.
    pub fn add_alone(&mut self, first: Option<&Spectrum>, second: Option<&Spectrum>) {
        self.energy.0 += first.map_or(0.0, |spectrum| spectrum.energy);
        self.energy.1 += second.map_or(0.0, |spectrum| spectrum.energy);
    }

    /// The best fit among lags of at most `most` samples, to `1 / fine` of a sample; `None` where one stream is silent,
    /// the peak rises by less than `least_rise`, or the two readings of it contradict each other.
    pub fn fit(&self, correlator: &Correlator, most: usize, fine: u32, least_rise: f64) -> Option<Fit> {
        let scale = (self.energy.0 * self.energy.1).sqrt();
        if scale <= 0.0 {
            return None;
        }
        let even: Vec<Complex<f32>> = self.sum.iter().map(|bin| even_out(*bin)).collect();
        let lags = correlator.lags(&mut even.clone());
        let at = |lag: i64| lags[lag.rem_euclid(SIZE as i64) as usize];
        let most = most.min(STRETCH - 1) as i64;
        let best = (-most..=most).max_by(|&a, &b| at(a).abs().total_cmp(&at(b).abs()).then(b.cmp(&a)))?;
        let mean_square =
            (-most..=most).map(|lag| f64::from(at(lag)).powi(2)).sum::<f64>() / (2 * most + 1) as f64;
        let rise = f64::from(at(best)).abs() / mean_square.sqrt().max(f64::MIN_POSITIVE);
        if rise < least_rise {
            return None;
        }
        let sign = f64::from(at(best)).signum();
        let fine = i64::from(fine.max(1));
        // The peak of a band-limited function lies within a sample of its greatest one.
        let near = (best * fine - fine)..=(best * fine + fine);
        let near: Vec<f64> = near.map(|step| step as f64 / fine as f64).collect();
        let (&lag, _) = near
            .iter()
            .zip(values(&even, SIZE, &near))
            .max_by(|(_, a), (_, b)| (sign * a).total_cmp(&(sign * b)))?;
        let correlation = (values(&self.sum, SIZE, &[lag])[0] / scale).clamp(-1.0, 1.0);
        (correlation * sign > 0.0).then_some(Fit { lag, correlation, rise })
    }
}

fn even_out(bin: Complex<f32>) -> Complex<f32> {
    let square = |part: f32| f64::from(part) * f64::from(part);
    let size = (square(bin.re) + square(bin.im)).sqrt() as f32;
    if size > 0.0 { bin / size.sqrt() } else { bin }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};

    fn fit(a: &[f64], b: &[f64], most: usize) -> Option<Fit> {
        let mut correlator = Correlator::new();
        let mut cross = Cross::default();
        let single = |part: &[f64]| part.iter().map(|x| *x as f32).collect::<Vec<f32>>();
        for (a, b) in a.chunks(STRETCH).zip(b.chunks(STRETCH)) {
            let (a, b) = (correlator.spectrum(&single(a)), correlator.spectrum(&single(b)));
            cross.add(&a, &b);
        }
        cross.fit(&correlator, most, 8, 0.0)
    }

    /// Noise that is 37 samples late, inverted and 12 dB down, under other noise of the same level: the coefficient of
    /// two equal powers is √½ (arithmetic).
    #[test]
    fn a_late_inverted_copy_under_noise_is_found() {
        let source = noise(1, 0.5, 60_000);
        let other = noise(7_000_000, 0.125, 60_000);
        let late: Vec<f64> = (0..60_000)
            .map(|n| other[n] - 0.25 * n.checked_sub(37).map_or(0.0, |from| source[from]))
            .collect();
        let found = fit(&source, &late, 3000).unwrap();
        assert_eq!(found.lag, 37.0);
        assert!((found.correlation + 0.5f64.sqrt()).abs() < 0.02 && found.rise > 20.0, "{found:?}");
    }

    /// Lags between samples: a band-limited signal (a sum of sines) moved by 2.5 samples.
    #[test]
    fn lags_between_samples_are_found() {
        let moved = |by: f64| -> Vec<f64> {
            (0..40_000)
                .map(|n| {
                    (1..60)
                        .map(|k| ((f64::from(n) - by) * 0.043_7 * f64::from(k) + f64::from(k * k)).sin())
                        .sum()
                })
                .collect()
        };
        let found = fit(&moved(0.0), &moved(2.5), 100).unwrap();
        assert!((found.lag - 2.5).abs() <= 0.125 && found.correlation > 0.99, "{found:?}");
    }

    #[test]
    fn strangers_have_no_peak_and_silence_has_no_fit() {
        let found = fit(&noise(1, 0.5, 60_000), &noise(9_000_000, 0.5, 60_000), 3000);
        assert!(found.is_none_or(|fit| fit.correlation.abs() < 0.05 && fit.rise < 7.0));
        assert_eq!(fit(&vec![0.0; 40_000], &sine(440.0, 0.5, 6000, 40_000), 300), None);
    }
}
