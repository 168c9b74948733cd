//! Where a stream stands in a mix, asked again with what it leaves there: what is left once it is taken out says how much noise
//! every frequency has beside it, and so a held chord, whose tones fill what they are compared with, has a sharp place too.
//!
//! The place is that of the greatest likelihood under Gaussian noise with the spectrum of the remainder, found in turns with this
//! spectrum; its uncertainty is the bound of Cramér and Rao for it (Kay, "Fundamentals of Statistical Signal Processing:
//! Estimation Theory", 1993, 3.11 and 7.9; from memory).
//!
//! It knows two streams, and nothing of files.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::locate::{easy_size, height_at, smoothed};

/// A stream in a mix, beside what is left there without it. Places are in samples from the start of the mix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settled {
    /// Where its first sample stands.
    pub at: f64,
    /// What it explains of the mix where it sounds, each frequency as far as it is clear, 0 to 1.
    pub explained: f64,
    /// The next best place.
    pub second: f64,
    /// What is left there, relative to what is left here.
    pub left: f64,
    /// Height of the best peak relative to the next best.
    pub ratio: f64,
    /// Standard deviation of `at`.
    pub uncertainty: f64,
}

/// How often place and noise are found in turns.
const TURNS: usize = 5;

/// The mix is looked at so many samples around the stream.
const AROUND: i64 = 1024;

/// Less noise than this beside a stream is not believed: −40 dB of what is there.
const LEAST_NOISE: f64 = 1e-4;

/// Less than this of the mean is no sound: −80 dB.
const SILENCE: f64 = 1e-8;

/// Finds the place of `stream` in `mix`, both with `sample_hz`, from a place near which it may be, to `1 / fine` of a sample, by
/// the frequencies of `band_hz`. `None` where place and noise do not agree on each other.
pub fn settle(
    stream: &[f32],
    mix: &[f32],
    near: f64,
    band_hz: (f64, f64),
    (sample_hz, fine): (f64, u32),
) -> Option<Settled> {
    let size = easy_size(stream.len() + mix.len());
    let bin = |hz: f64| ((hz / sample_hz * size as f64) as usize).min(size / 2);
    let spectra = Spectra::new(size, bin(band_hz.0)..bin(band_hz.1));
    let own = spectra.forward(stream, 0..stream.len() as i64);
    let whole = spectra.forward(mix, 0..mix.len() as i64);
    let mut at = near;
    let mut before: Option<Noise> = None;
    for turn in 0..TURNS {
        let first = at.round() as i64;
        let there = spectra.forward(mix, first - AROUND..first + stream.len() as i64 + AROUND);
        let noise = spectra.noise(&own, &there, at, before.as_ref());
        let peak =
            spectra.peak(&own, &whole, &noise.weights, -(stream.len() as i64)..mix.len() as i64, fine)?;
        let is_same = (peak.at - at).abs() * f64::from(fine) < 0.5;
        at = peak.at;
        if is_same && turn > 0 {
            return Some(spectra.settled(&own, &there, &noise, &peak));
        }
        before = Some(noise);
    }
    None
}

/// Transforms of one size, and the bins that count.
struct Spectra {
    size: usize,
    ahead: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    bins: Range<usize>,
}

/// The noise beside a stream.
struct Noise {
    /// One over its power at every bin, relative to the least of them, so that single precision holds it.
    weights: Vec<f32>,
    /// That least power.
    least: f64,
}

/// The highest place of a correlation, and the next that is not on its slopes.
struct Peak {
    at: f64,
    height: f64,
    second: i64,
    second_height: f64,
}

impl Spectra {
    fn new(size: usize, bins: Range<usize>) -> Self {
        let mut planner = RealFftPlanner::new();
        Self { size, ahead: planner.plan_fft_forward(size), back: planner.plan_fft_inverse(size), bins }
    }

    /// The spectrum of a part of a signal, where it stands; nothing outside the band.
    fn forward(&self, samples: &[f32], part: Range<i64>) -> Vec<Complex<f32>> {
        let mut padded = self.ahead.make_input_vec();
        let inside = |at: i64| at.clamp(0, samples.len() as i64) as usize;
        let part = inside(part.start)..inside(part.end);
        padded[part.clone()].copy_from_slice(&samples[part]);
        let mut bins = self.ahead.make_output_vec();
        self.ahead.process(&mut padded, &mut bins).expect("buffers of the size of the plan");
        bins[..self.bins.start].fill(Complex::default());
        bins[self.bins.end..].fill(Complex::default());
        bins
    }

    /// The noise that is left when the stream is taken out at a place, with its gain by the noise before.
    fn noise(&self, own: &[Complex<f32>], there: &[Complex<f32>], at: f64, before: Option<&Noise>) -> Noise {
        // The stream as it is `at` samples later.
        let round = -std::f64::consts::TAU / self.size as f64;
        let own: Vec<Complex<f64>> =
            own.iter().zip(turns(round * at)).map(|(bin, turn)| double(*bin) * turn).collect();
        let (mut shared, mut all) = (0.0, 0.0);
        for bin in self.bins.clone() {
            let weight = before.map_or(1.0, |before| f64::from(before.weights[bin]));
            shared += weight * (double(there[bin]) * own[bin].conj()).re;
            all += weight * own[bin].norm_sqr();
        }
        let gain = if all > 0.0 { shared / all } else { 0.0 };
        let left = |bin: usize| double(there[bin]) - own[bin] * gain;
        let inside = |bin: &usize| self.bins.contains(bin);
        let powers = |of: &dyn Fn(usize) -> f64| -> Vec<f64> {
            smoothed(
                &(0..there.len()).map(|bin| if inside(&bin) { of(bin) } else { 0.0 }).collect::<Vec<f64>>(),
            )
        };
        let mut noise = powers(&|bin| left(bin).norm_sqr());
        let mix = powers(&|bin| f64::from(there[bin].norm_sqr()));
        let mean = mix.iter().sum::<f64>() / mix.len().max(1) as f64;
        noise.iter_mut().zip(&mix).for_each(|(noise, mix)| *noise += LEAST_NOISE * mix + SILENCE * mean);
        let least =
            noise[self.bins.clone()].iter().copied().filter(|noise| *noise > 0.0).fold(f64::MAX, f64::min);
        let weight = |(bin, noise): (usize, &f64)| {
            if inside(&bin) && *noise > 0.0 { (least / noise) as f32 } else { 0.0 }
        };
        Noise { weights: noise.iter().enumerate().map(weight).collect(), least }
    }

    fn peak(
        &self,
        own: &[Complex<f32>],
        whole: &[Complex<f32>],
        weights: &[f32],
        among: Range<i64>,
        fine: u32,
    ) -> Option<Peak> {
        let cross: Vec<Complex<f32>> = own
            .iter()
            .zip(whole)
            .zip(weights)
            .map(|((own, mix), weight)| mix * own.conj() * *weight)
            .collect();
        let (mut lags, mut bins) = (self.back.make_output_vec(), cross.clone());
        bins[0].im = 0.0;
        bins[self.size / 2].im = 0.0;
        self.back.process(&mut bins, &mut lags).expect("buffers of the size of the plan");
        let size = self.size as i64;
        let height = |at: i64| f64::from(lags[at.rem_euclid(size) as usize]);
        let highest = |among: &mut dyn Iterator<Item = i64>| {
            among.max_by(|&a, &b| height(a).abs().total_cmp(&height(b).abs()).then(b.cmp(&a)))
        };
        let best = highest(&mut among.clone())?;
        let sign = height(best).signum();
        let slope = |step: i64| {
            let mut at = best;
            while among.contains(&(at + step))
                && sign * height(at + step) < sign * height(at)
                && sign * height(at) > 0.0
            {
                at += step;
            }
            at
        };
        let (from, to) = (slope(-1), slope(1));
        let second = highest(&mut among.clone().filter(|at| *at < from || *at > to))?;
        let refined = height_at(&cross, self.size, best, sign, fine);
        (refined.1 > 0.0).then(|| Peak {
            at: refined.0,
            height: refined.1,
            second,
            second_height: height(second).abs(),
        })
    }

    fn settled(&self, own: &[Complex<f32>], there: &[Complex<f32>], noise: &Noise, peak: &Peak) -> Settled {
        let (mut stream, mut mix, mut slope) = (0.0, 0.0, 0.0);
        for bin in self.bins.clone() {
            let turn = std::f64::consts::TAU * bin as f64 / self.size as f64;
            let (weight, power) = (2.0 * f64::from(noise.weights[bin]), f64::from(own[bin].norm_sqr()));
            stream += weight * power;
            slope += weight * power * turn * turn;
            mix += weight * f64::from(there[bin].norm_sqr());
        }
        let share = |height: f64| (height * height / (stream * mix).max(f64::MIN_POSITIVE)).min(1.0);
        let gain = peak.height / stream.max(f64::MIN_POSITIVE);
        let (explained, second) = (share(peak.height), share(peak.second_height));
        Settled {
            at: peak.at,
            explained,
            second: peak.second as f64,
            left: (1.0 - second) / (1.0 - explained).max(f64::MIN_POSITIVE),
            ratio: peak.height / peak.second_height.max(f64::MIN_POSITIVE),
            uncertainty: (noise.least / (gain * gain * slope).max(f64::MIN_POSITIVE)).sqrt(),
        }
    }
}

/// The turns of the bins 0, 1, 2 … of a spectrum, where each is turned by `angle` more than the one before.
fn turns(angle: f64) -> impl Iterator<Item = Complex<f64>> {
    let (sin, cos) = libm::sincos(angle);
    std::iter::successors(Some(Complex::new(1.0, 0.0)), move |turn| Some(turn * Complex::new(cos, sin)))
}

fn double(bin: Complex<f32>) -> Complex<f64> {
    Complex::new(f64::from(bin.re), f64::from(bin.im))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::noise;

    /// Chords of a second and a half with phases of their own, from `begin` on.
    fn chords(seed: u64, samples: usize) -> Vec<f32> {
        let dice = noise(seed, 1.0, 400);
        (0..samples)
            .map(|n| {
                let (bar, t) = (n / 9000, (n % 9000) as f64 / 6000.0);
                let shape = (t / 0.3).min(1.0) * ((1.5 - t) / 0.1).min(1.0);
                let root = 150.0 * 2f64.powf((dice[bar] * 6.0).round() / 12.0);
                let tone = |n: usize| {
                    let phase = 3.0 * dice[40 + 3 * bar + n];
                    (std::f64::consts::TAU * root * [1.0, 1.26, 1.498][n] * t + phase).sin()
                };
                (0.1 * shape * (0..3).map(tone).sum::<f64>()) as f32
            })
            .collect()
    }

    fn under(stream: &[f32], at: usize, hiss: f64) -> Vec<f32> {
        let mut mix: Vec<f32> = noise(9_000_000, hiss, 120_000).iter().map(|x| *x as f32).collect();
        mix[at..at + stream.len()].iter_mut().zip(stream).for_each(|(mix, x)| *mix += x);
        mix
    }

    #[test]
    fn held_chords_have_a_place_to_a_fraction_of_a_sample() {
        let stream = chords(1, 50_000);
        let mix = under(&stream, 31_234, 0.001);
        let found = settle(&stream, &mix, 31_234.0 + 40.0, (40.0, 2500.0), (6000.0, 8)).unwrap();
        assert!((found.at - 31_234.0).abs() < 0.1, "{found:?}");
        assert!(found.explained > 0.9 && found.left > 2.0 && found.uncertainty < 0.05, "{found:?}");
    }

    #[test]
    fn what_is_not_there_explains_nothing() {
        let mix = under(&chords(7_000_000, 50_000), 31_234, 0.001);
        let found = settle(&chords(1, 50_000), &mix, 31_234.0, (40.0, 2500.0), (6000.0, 8));
        assert!(found.is_none_or(|found| found.explained < 0.5), "{found:?}");
    }

    /// Of a sound that repeats itself all along, no place is the only one.
    #[test]
    fn what_stands_in_many_places_has_none() {
        let one = chords(1, 9000);
        let mix = under(&[one.clone(), one.clone(), one.clone(), one.clone()].concat(), 31_234, 0.001);
        let found = settle(&one, &mix, 40_234.0, (40.0, 2500.0), (6000.0, 8));
        assert!(found.is_none_or(|found| found.left < 2.0), "{found:?}");
    }
}
