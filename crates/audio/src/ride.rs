//! How the level of a mix rides against the sum of its stems: what a limiter, a compressor or a saturating stage has done, as a
//! curve of gain that can be taken back.
//!
//! In every 10 ms the remainder is projected on the sum. What is missing from the sum gives such a projection too, by chance;
//! how much, is told by the same projection on the sum turned by a quarter (its Hilbert transform), which a gain never gives.
//! The curve is shrunk by what chance explains (Wiener's filter), so a missing stem makes none.
//!
//! It knows two signals, and nothing of stems.

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

/// Samples from one point of the curve to the next, at the rate of a sketch.
const HOP: usize = 32;

/// Chance is measured over so many points either way: about half a second.
const AROUND: usize = 94;

/// Projections that are stronger than those by chance by less than this are chance.
const CHANCE: f64 = 1.3;

/// No stage turns a sound down or up by more than this: 20 dB and 10 dB.
const LEAST: f64 = 0.1;
const MOST: f64 = 3.0;

/// A gain over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Ride {
    /// The gain of every sample, as a factor.
    pub gains: Vec<f32>,
    /// Power of what the moves of the gain add and take, relative to the power of the sum.
    pub depth: f64,
}

/// The gain by which `mix` rides against `sum`, both of one length; `None` where it keeps still, as far as can be told.
pub fn ride(sum: &[f32], mix: &[f32]) -> Option<Ride> {
    let turned = turned(sum);
    let product = |a: &[f32], b: &[f32]| tapered(a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)));
    let rest: Vec<f32> = mix.iter().zip(sum).map(|(mix, sum)| mix - sum).collect();
    let (power, along) = (product(sum, sum), product(sum, &rest));
    let (turned_power, across) = (product(&turned, &turned), product(&turned, &rest));
    let all: f64 = power.iter().sum();
    // Silence is divided by nothing.
    let least = 1e-4 * all / power.len().max(1) as f64;
    if all <= 0.0 {
        return None;
    }
    let signal: f64 = along.iter().zip(&power).map(|(along, power)| along * along / (power + least)).sum();
    let chance: Vec<f64> =
        across.iter().zip(&turned_power).map(|(across, power)| across * across / (power + least)).collect();
    let depth = (signal - CHANCE * chance.iter().sum::<f64>()) / all;
    if depth <= 0.0 {
        return None;
    }
    let curve: Vec<f64> = smooth(&chance)
        .iter()
        .zip(along.iter().zip(&power))
        .map(|(chance, (along, power))| {
            let sure = depth * power / (depth * power + chance + f64::MIN_POSITIVE);
            (1.0 + sure * along / (power + least)).clamp(LEAST, MOST)
        })
        .collect();
    Some(Ride { gains: drawn(&curve, sum.len()), depth })
}

/// Sums of every two hops under a Hann window.
fn tapered(samples: impl Iterator<Item = f64>) -> Vec<f64> {
    let samples: Vec<f64> = samples.collect();
    let taper = |n: usize| 0.5 - 0.5 * libm::cos(std::f64::consts::TAU * (n as f64 + 0.5) / (2 * HOP) as f64);
    let taper: Vec<f64> = (0..2 * HOP).map(taper).collect();
    let points = (samples.len() / HOP).saturating_sub(1);
    (0..points)
        .map(|point| samples[point * HOP..][..2 * HOP].iter().zip(&taper).map(|(x, taper)| x * taper).sum())
        .collect()
}

/// The mean of each point's surroundings.
fn smooth(points: &[f64]) -> Vec<f64> {
    let mut sums = vec![0.0];
    for point in points {
        sums.push(sums[sums.len() - 1] + point);
    }
    let mean = |at: usize| {
        let (from, to) = (at.saturating_sub(AROUND), (at + AROUND + 1).min(points.len()));
        (sums[to] - sums[from]) / (to - from) as f64
    };
    (0..points.len()).map(mean).collect()
}

/// A curve between its points, for so many samples.
fn drawn(curve: &[f64], length: usize) -> Vec<f32> {
    let at = |point: isize| curve[point.clamp(0, curve.len() as isize - 1) as usize];
    (0..length)
        .map(|n| {
            let place = n as f64 / HOP as f64 - 1.0;
            let (point, part) = (place.floor() as isize, place - place.floor());
            (at(point) * (1.0 - part) + at(point + 1) * part) as f32
        })
        .collect()
}

/// A signal turned by a quarter.
fn turned(samples: &[f32]) -> Vec<f32> {
    let size = (samples.len() + 2 * HOP).next_power_of_two();
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, back) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
    let mut padded = forward.make_input_vec();
    padded[..samples.len()].copy_from_slice(samples);
    let mut bins = forward.make_output_vec();
    forward.process(&mut padded, &mut bins).expect("buffers of the size of the plan");
    for bin in &mut bins {
        *bin = Complex::new(bin.im, -bin.re) / size as f32;
    }
    bins[0] = Complex::default();
    bins[size / 2] = Complex::default();
    back.process(&mut bins, &mut padded).expect("buffers of the size of the plan");
    padded.truncate(samples.len());
    padded
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::noise;

    fn single(samples: &[f64]) -> Vec<f32> {
        samples.iter().map(|x| *x as f32).collect()
    }

    /// A gain that falls by 6 dB and comes back, four times a second.
    #[test]
    fn a_gain_is_followed() {
        let sum = single(&noise(1, 0.3, 60_000));
        let gain = |n: usize| if (n / 750).is_multiple_of(2) { 1.0 } else { 0.5f32 };
        let mix: Vec<f32> = sum.iter().enumerate().map(|(n, x)| gain(n) * x).collect();
        let found = ride(&sum, &mix).unwrap();
        for n in (375..60_000).step_by(750) {
            assert!((found.gains[n] - gain(n)).abs() < 0.05, "{n}: {}", found.gains[n]);
        }
        // Half the time a quarter of the power (arithmetic).
        assert!((found.depth - 0.125).abs() < 0.01, "{}", found.depth);
    }

    /// Something that is missing from the sum, however loud, is no gain.
    #[test]
    fn what_is_missing_is_no_gain() {
        let (sum, other) = (single(&noise(1, 0.3, 60_000)), noise(9_000_000, 0.3, 60_000));
        for level in [1.0, 0.3, 0.01] {
            let mix: Vec<f32> = sum.iter().zip(&other).map(|(x, y)| x + (level * y) as f32).collect();
            let found = ride(&sum, &mix);
            assert!(
                found.as_ref().is_none_or(|ride| ride.depth < 0.01 * level * level),
                "{level}: {:?}",
                found.map(|r| r.depth)
            );
        }
        assert_eq!(ride(&[0.0; 1000], &[0.1; 1000]), None);
        assert_eq!(ride(&sum, &sum), None);
    }
}
