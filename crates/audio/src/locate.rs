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

use crate::between::values;

/// A place in a mix, in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Located {
    /// Where the stream's first sample stands, in samples from the start of the mix.
    pub at: f64,
    /// Whether the stream is upside down in the mix.
    pub inverted: bool,
    /// Height of the peak relative to the root mean square of all places at which half of the shorter one lies in the other.
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

/// A mix in which streams are looked for.
pub struct HeardMix {
    samples: usize,
    size: usize,
    spectrum: Vec<Complex<f32>>,
    weights: Vec<f32>,
}

impl Locator {
    /// For streams of so many samples a second; 1 or more places are told apart between two samples.
    pub fn new(sample_hz: f64, fine: u32) -> Self {
        Self { planner: RefCell::new(RealFftPlanner::new()), sample_hz, fine: fine.max(1) }
    }

    /// Listens to a mix, for streams of at most so many samples; `None` for silence.
    pub fn hear(&self, mix: &[f32], longest: usize) -> Option<HeardMix> {
        let size = easy_size(longest + mix.len());
        let spectrum = self.spectrum(mix, size);
        let weights = weights(&spectrum)?;
        Some(HeardMix { samples: mix.len(), size, spectrum, weights })
    }

    fn spectrum(&self, samples: &[f32], size: usize) -> Vec<Complex<f32>> {
        let forward = self.planner.borrow_mut().plan_fft_forward(size);
        let mut padded = forward.make_input_vec();
        padded[..samples.len()].copy_from_slice(samples);
        let mut bins = forward.make_output_vec();
        forward.process(&mut padded, &mut bins).expect("buffers of the size of the plan");
        bins
    }

    /// Finds `stream` in `mix` with its first sample at one of the places `among`; `None` where there is nothing to be found.
    ///
    /// # Panics
    /// When the stream is longer than the mix was listened to for.
    pub fn locate(&self, stream: &[f32], mix: &HeardMix, among: RangeInclusive<i64>) -> Option<Located> {
        let shoulder = (SHOULDER_SECONDS * self.sample_hz).ceil() as i64;
        let (own, whole) = (stream.len() as i64, mix.samples as i64);
        // Further away the two have nothing in common.
        let (first, last) = (*among.start().max(&(1 - own)), *among.end().min(&(whole - 1)));
        if last - first <= 4 * shoulder || stream.is_empty() {
            return None;
        }
        let size = mix.size;
        let mut cross = self.spectrum(stream, size);
        for ((bin, mix), weight) in cross.iter_mut().zip(&mix.spectrum).zip(&mix.weights) {
            *bin = mix * bin.conj() * *weight;
        }
        let mut lags = vec![0.0; size];
        let back = self.planner.borrow_mut().plan_fft_inverse(size);
        let mut bins = cross.clone();
        bins[0].im = 0.0;
        bins[size / 2].im = 0.0;
        back.process(&mut bins, &mut lags).expect("buffers of the size of the plan");
        // What stands before the begin lies at the end.
        let height = |at: i64| f64::from(lags[(if at < 0 { at + size as i64 } else { at }) as usize]);
        let highest = |among: &[RangeInclusive<i64>]| {
            let mut top: Option<(i64, f64)> = None;
            among.iter().cloned().flatten().for_each(|at| {
                if top.is_none_or(|(_, highest)| height(at).abs() > highest) {
                    top = Some((at, height(at).abs()));
                }
            });
            top.map(|(at, _)| at)
        };
        let best = highest(&[first..=last])?;
        let beside = |first: i64, last: i64| [first..=best - shoulder - 1, best + shoulder + 1..=last];
        let second = highest(&beside(first, last))?;
        // What is usual is asked of all places, also where few are looked at: beside its own place a held tone is like itself.
        let half = own.min(whole) / 2;
        let (mut square, mut count) = (0.0, 0.0f64);
        beside(half - own, whole - half).into_iter().flatten().for_each(|at| {
            square += height(at) * height(at);
            count += 1.0;
        });
        let rms = (square / count.max(1.0)).sqrt();
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

struct Peak {
    at: f64,
    height: f64,
    /// Root of minus the second derivative relative to the height, a sample.
    sharpness: f64,
}

/// The peak between samples, near the sample `best`.
fn refine(cross: &[Complex<f32>], size: usize, best: i64, sign: f64, fine: u32) -> Peak {
    let steps = i64::from(fine);
    let part = |step: i64| step as f64 / steps as f64;
    // As large as an inverse transform that is not scaled.
    let heights = |offsets: &[f64]| -> Vec<f64> {
        let places: Vec<f64> = offsets.iter().map(|offset| best as f64 + offset).collect();
        values(cross, size, &places).into_iter().map(|value| sign * size as f64 * value).collect()
    };
    let offsets: Vec<f64> = (-steps..=steps).map(part).collect();
    let top = offsets.iter().zip(heights(&offsets)).max_by(|(_, a), (_, b)| a.total_cmp(b));
    let (at, height) = top.map_or((0.0, 0.0), |(at, height)| (*at, height));
    let around = heights(&[at - 0.5, at + 0.5, at - part(1), at + part(1)]);
    let bend = (2.0 * height - around[0] - around[1]) / 0.25;
    // The top of the parabola through three neighbouring steps.
    let slope = (around[2] - around[3]) / (2.0 * (around[3] - 2.0 * height + around[2]));
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

    fn found(stream: &[f32], mix: &[f32]) -> Option<Located> {
        let locator = Locator::new(6000.0, 8);
        locator.locate(stream, &locator.hear(mix, stream.len())?, 0..=90_000)
    }

    /// A stream 20 dB below everything else, upside down.
    #[test]
    fn a_quiet_stream_is_found_to_the_sample() {
        let stream = noise(1, 0.1, 20_000);
        let mut mix = noise(5_000_000, 1.0, 90_000);
        for (n, sample) in stream.iter().enumerate() {
            mix[31_234 + n] -= sample;
        }
        let place = found(&single(&stream), &single(&mix)).unwrap();
        assert!((place.at - 31_234.0).abs() < 0.5 && place.inverted, "{place:?}");
        assert!(place.ratio > 1.5 && place.rise > 10.0 && place.uncertainty < 0.1, "{place:?}");
    }

    #[test]
    fn what_is_not_there_stands_nowhere() {
        let place = found(&single(&noise(1, 0.1, 20_000)), &single(&noise(5_000_000, 1.0, 90_000)));
        assert!(place.is_none_or(|place| place.ratio < 1.3), "{place:?}");
        assert_eq!(found(&[0.0; 100], &vec![0.0; 90_000]), None);
    }
}
