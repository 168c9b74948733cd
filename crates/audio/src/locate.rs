//! Where a short stream stands inside a mix that holds it under everything else.
//!
//! A matched filter for noise with the spectrum of the mix (Turin, "An introduction to matched filters", IRE
//! Transactions on Information Theory 6(3), 1960): the correlation of both, with every frequency weighed by how little
//! else there is. The uncertainty of the place follows from height and sharpness of the peak.
//!
//! It knows two streams, and nothing of files.

use std::cell::RefCell;
use std::ops::RangeInclusive;

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// A place in a mix, in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Located {
    /// Where the stream's first sample stands, in samples from the start of the mix.
    pub at: f64,
    /// Whether the stream is upside down in the mix.
    pub inverted: bool,
    /// Height of the peak relative to the root mean square of all other places.
    pub rise: f64,
    /// Where the next best peak stands, in samples from the start of the mix.
    pub second: f64,
    /// Height of the best peak relative to the next best.
    pub ratio: f64,
    /// Standard deviation of `at`, in samples.
    pub uncertainty: f64,
}

/// Peaks nearer than this to the best are its own shoulders.
const SHOULDER_SECONDS: f64 = 0.03;

/// The spectrum of the mix is smoothed over this part of the whole band.
const SMOOTHING: usize = 256;

/// What is weaker than the mean by more than this is not weighed up further: 30 dB.
const FLOOR: f64 = 0.001;

/// Looks for streams with `sample_hz`, to `1 / fine` of a sample.
pub struct Locator {
    /// Keeps the transforms that it has made, which costs as much as to use them.
    planner: RefCell<RealFftPlanner<f32>>,
    sample_hz: f64,
    fine: u32,
}

impl Locator {
    /// For streams of so many samples a second; 1 or more places are told apart between two samples.
    pub fn new(sample_hz: f64, fine: u32) -> Self {
        Self { planner: RefCell::new(RealFftPlanner::new()), sample_hz, fine: fine.max(1) }
    }

    /// Finds `stream` in `mix` with its first sample at one of the places `among`; `None` where there is nothing to be found.
    pub fn locate(&self, stream: &[f32], mix: &[f32], among: RangeInclusive<i64>) -> Option<Located> {
        let shoulder = (SHOULDER_SECONDS * self.sample_hz).ceil() as i64;
        let (first, last) = among.into_inner();
        if last - first <= 4 * shoulder || stream.is_empty() || mix.is_empty() {
            return None;
        }
        let reach = first.unsigned_abs().max(last.unsigned_abs()) as usize;
        let size = easy_size((stream.len() + mix.len()).max(2 * reach));
        let forward = self.planner.borrow_mut().plan_fft_forward(size);
        let spectrum = |samples: &[f32]| {
            let mut padded = forward.make_input_vec();
            padded[..samples.len()].copy_from_slice(samples);
            let mut bins = forward.make_output_vec();
            forward.process(&mut padded, &mut bins).expect("buffers of the size of the plan");
            bins
        };
        let mut cross = spectrum(mix);
        let weights = weights(&cross)?;
        for ((bin, own), weight) in cross.iter_mut().zip(spectrum(stream)).zip(weights) {
            *bin *= own.conj() * weight;
        }
        let mut lags = vec![0.0; size];
        let back = self.planner.borrow_mut().plan_fft_inverse(size);
        let mut bins = cross.clone();
        bins[0].im = 0.0;
        bins[size / 2].im = 0.0;
        back.process(&mut bins, &mut lags).expect("buffers of the size of the plan");
        let height = |at: i64| f64::from(lags[at.rem_euclid(size as i64) as usize]);
        let highest = |among: &mut dyn Iterator<Item = i64>| {
            among.max_by(|&a, &b| height(a).abs().total_cmp(&height(b).abs()).then(b.cmp(&a)))
        };
        let best = highest(&mut (first..=last))?;
        let others = || (first..=last).filter(|at| (at - best).abs() > shoulder);
        let second = highest(&mut others())?;
        let (square, count) = others().fold((0.0, 0.0), |(sum, n), at| (sum + height(at).powi(2), n + 1.0));
        let rms = (square / f64::max(count, 1.0)).sqrt();
        let sign = height(best).signum();
        if rms <= 0.0 || height(best) == 0.0 {
            return None;
        }
        let peak = refine(&cross, size, best, sign, self.fine);
        let rise = peak.height / rms;
        Some(Located {
            at: peak.at,
            inverted: sign < 0.0,
            rise,
            second: second as f64,
            ratio: height(best).abs() / height(second).abs().max(f64::MIN_POSITIVE),
            uncertainty: 1.0 / (rise * peak.sharpness),
        })
    }
}

/// A size that is fast to transform: a power of two, or three quarters of one.
pub(crate) fn easy_size(least: usize) -> usize {
    let power = least.next_power_of_two().max(16);
    if power / 4 * 3 >= least { power / 4 * 3 } else { power }
}

/// One over the smoothed power of the mix at every bin; `None` for silence.
fn weights(mix: &[Complex<f32>]) -> Option<Vec<f32>> {
    let powers: Vec<f64> = mix.iter().map(|bin| f64::from(bin.norm_sqr())).collect();
    let mean = powers.iter().sum::<f64>() / powers.len() as f64;
    let weight = |power: f64| (1.0 / (power + FLOOR * mean)) as f32;
    (mean > 0.0).then(|| smoothed(&powers).into_iter().map(weight).collect())
}

/// A spectrum of powers, each the mean of its surroundings.
pub(crate) fn smoothed(powers: &[f64]) -> Vec<f64> {
    let half = (powers.len() / SMOOTHING / 2).max(1);
    let mut sums = Vec::with_capacity(powers.len() + 1);
    sums.push(0.0);
    for power in powers {
        sums.push(sums[sums.len() - 1] + power);
    }
    let mean = |index: usize| {
        let (from, to) = (index.saturating_sub(half), (index + half + 1).min(powers.len()));
        (sums[to] - sums[from]) / (to - from) as f64
    };
    (0..powers.len()).map(mean).collect()
}

/// The peak between samples near the sample `best`, and its height.
pub(crate) fn height_at(cross: &[Complex<f32>], size: usize, best: i64, sign: f64, fine: u32) -> (f64, f64) {
    let peak = refine(cross, size, best, sign, fine.max(1));
    (peak.at, peak.height)
}

/// The turns of the bins 0, 1, 2 … of a spectrum, where each is turned by `angle` more than the one before.
pub(crate) fn turns(angle: f64) -> impl Iterator<Item = Complex<f64>> {
    let (sin, cos) = libm::sincos(angle);
    std::iter::successors(Some(Complex::new(1.0, 0.0)), move |turn| Some(turn * Complex::new(cos, sin)))
}

pub(crate) fn double(bin: Complex<f32>) -> Complex<f64> {
    Complex::new(f64::from(bin.re), f64::from(bin.im))
}

struct Peak {
    at: f64,
    height: f64,
    /// Root of minus the second derivative relative to the height, a sample.
    sharpness: f64,
}

/// The peak between samples, near the sample `best`.
fn refine(cross: &[Complex<f32>], size: usize, best: i64, sign: f64, fine: u32) -> Peak {
    // A lag of whole samples is taken out first, so that what is left turns slowly.
    let round = std::f64::consts::TAU / size as f64;
    let lag = best.rem_euclid(size as i64) as f64;
    let turned: Vec<Complex<f64>> =
        cross.iter().zip(turns(round * lag)).map(|(bin, turn)| double(*bin) * turn * sign).collect();
    // The height between two samples, from the whole spectrum: it is asked for at a few places only.
    let value = |lag: f64| {
        let terms = turned.iter().zip(turns(round * lag));
        let sum: f64 = terms.map(|(bin, turn)| bin.re * turn.re - bin.im * turn.im).sum();
        // As large as an inverse transform that is not scaled.
        2.0 * sum
    };
    let steps = i64::from(fine);
    let part = |step: i64| step as f64 / steps as f64;
    let mut top = (0i64, value(0.0));
    for direction in [1i64, -1] {
        let mut step = top.0 + direction;
        while step.abs() <= steps {
            let height = value(part(step));
            if height <= top.1 {
                break;
            }
            top = (step, height);
            step += direction;
        }
    }
    let (at, height) = (part(top.0), top.1);
    let around = (value(at - 0.5), value(at + 0.5));
    let bend = (2.0 * height - around.0 - around.1) / 0.25;
    // The top of the parabola through three neighbouring steps.
    let (before, after) = (value(at - part(1)), value(at + part(1)));
    let slope = (before - after) / (2.0 * (before - 2.0 * height + after));
    let within = if slope.is_finite() { slope.clamp(-0.5, 0.5) * part(1) } else { 0.0 };
    Peak { at: best as f64 + at + within, height, sharpness: (bend / height).max(f64::MIN_POSITIVE).sqrt() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::noise;

    fn single(samples: &[f64]) -> Vec<f32> {
        samples.iter().map(|x| *x as f32).collect()
    }

    /// A stream 20 dB below everything else, upside down.
    #[test]
    fn a_quiet_stream_is_found_to_the_sample() {
        let stream = noise(1, 0.1, 20_000);
        let mut mix = noise(5_000_000, 1.0, 90_000);
        for (n, sample) in stream.iter().enumerate() {
            mix[31_234 + n] -= sample;
        }
        let found = Locator::new(6000.0, 8).locate(&single(&stream), &single(&mix), 0..=90_000).unwrap();
        assert!((found.at - 31_234.0).abs() < 0.5 && found.inverted, "{found:?}");
        assert!(found.ratio > 1.5 && found.rise > 10.0 && found.uncertainty < 0.1, "{found:?}");
    }

    #[test]
    fn what_is_not_there_stands_nowhere() {
        let locator = Locator::new(6000.0, 8);
        let found = locator.locate(
            &single(&noise(1, 0.1, 20_000)),
            &single(&noise(5_000_000, 1.0, 90_000)),
            0..=90_000,
        );
        assert!(found.is_none_or(|found| found.ratio < 1.3), "{found:?}");
        assert_eq!(locator.locate(&[0.0; 100], &[0.0; 1000], 0..=1000), None);
    }
}
