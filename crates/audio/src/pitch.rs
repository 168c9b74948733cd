//! The pitch of a single voice along a sketch, and whether there is one: the normalised square difference of `McLeod` and
//! Wyvill, "A smarter way to find pitch", ICMC 2005. Knows no notes and no instruments.

use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::Sketch;
use crate::chroma::amplitudes;

/// Samples that are looked at for one pitch: 170 ms at 6 kHz, four periods of 24 Hz.
const FRAME: usize = 1024;

/// Pitches follow each other by half of that, 85 ms.
const STEP: usize = FRAME / 2;

/// With as much silence behind, products do not wrap around.
const SIZE: usize = 2 * FRAME;

/// Lags between samples: at 6 kHz a high note has few samples a period.
const FINER: usize = 4;

/// Pitches that are looked for, in Hz: from the low B of a bass to above the range of voices.
const LOW_HZ: f64 = 28.0;
const HIGH_HZ: f64 = 1100.0;

/// The first peak that comes so near to the highest is the period, not twice or three times of it (section 5 there).
const NEAR_HIGHEST: f64 = 0.9;

/// A part of the spectrum that counts as one, against the loudest.
const STRONG: f64 = 0.2;

/// Frames that sound and are looked at: about two minutes.
const MOST: usize = 1500;

/// What one frame says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pitch {
    /// Its place, counted in steps of 512 samples from the start of the sketch.
    pub at: usize,
    /// Frequency in Hz; 0 where no period was found.
    pub hz: f64,
    /// How like itself the sound is one period later, up to 1.
    pub clarity: f64,
    /// Frequency in Hz of the lowest strong part of the spectrum. Several notes at once have a common period far below it.
    pub lowest_hz: f64,
    /// Mean power.
    pub power: f64,
}

/// Follows pitches; it keeps its tables.
pub struct PitchTracker {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
}

impl Default for PitchTracker {
    fn default() -> Self {
        let mut planner = RealFftPlanner::new();
        let (forward, back) = (planner.plan_fft_forward(SIZE), planner.plan_fft_inverse(FINER * SIZE));
        let hann = |n: usize| (0.5 - 0.5 * libm::cos(TAU * n as f64 / FRAME as f64)) as f32;
        Self { forward, back, window: (0..FRAME).map(hann).collect() }
    }
}

impl PitchTracker {
    /// The pitches of the first two minutes in which a sketch sounds.
    pub fn follow(&self, sketch: &Sketch) -> Vec<Pitch> {
        let mut frame = vec![0.0f32; FRAME];
        let mut found = Vec::new();
        for (at, start) in (0..sketch.samples()).step_by(STEP).enumerate() {
            if found.len() < MOST && sketch.read(start as i64, &mut frame) {
                found.extend(self.one(at, &frame, sketch.sample_hz()));
            }
        }
        found
    }

    fn one(&self, at: usize, frame: &[f32], rate_hz: f64) -> Option<Pitch> {
        let energy: f64 = frame.iter().map(|x| f64::from(*x).powi(2)).sum();
        if energy <= 0.0 {
            return None;
        }
        let finer_hz = rate_hz * FINER as f64;
        let from = ((finer_hz / HIGH_HZ) as usize).max(2);
        let to = ((finer_hz / LOW_HZ) as usize).min(FINER * FRAME / 2 - 1);
        let likeness = self.likeness(frame, energy, to / FINER + 1);
        let peaks: Vec<usize> = (from..to)
            .filter(|&lag| likeness[lag] > 0.0)
            .filter(|&lag| likeness[lag] >= likeness[lag - 1] && likeness[lag] > likeness[lag + 1])
            .collect();
        let highest = peaks.iter().map(|&lag| likeness[lag]).fold(0.0, f64::max);
        let first = peaks.into_iter().find(|&lag| likeness[lag] >= NEAR_HIGHEST * highest);
        let (hz, clarity) = first.map_or((0.0, 0.0), |lag| {
            let (period, height) = vertex(&likeness, lag);
            (finer_hz / period, height)
        });
        Some(Pitch { at, hz, clarity, lowest_hz: self.lowest(frame, rate_hz), power: energy / FRAME as f64 })
    }

    /// 2 r(τ) / m(τ) for every quarter of the first `lags`.
    fn likeness(&self, frame: &[f32], energy: f64, lags: usize) -> Vec<f64> {
        let mut spectrum = self.back.make_input_vec();
        for (bin, found) in spectrum.iter_mut().zip(self.spectrum(frame.iter().copied())) {
            *bin = Complex::new(found.norm_sqr(), 0.0);
        }
        let mut products = self.back.make_output_vec();
        // The buffers were made for this transform; the bins of zero and of half the rate are real.
        let _ = self.back.process(&mut spectrum, &mut products);
        let mut both = 2.0 * energy;
        let mut likeness = Vec::with_capacity(FINER * lags);
        for lag in 0..lags {
            let lost = f64::from(frame[lag]).powi(2) + f64::from(frame[FRAME - 1 - lag]).powi(2);
            for part in 0..FINER {
                let left = both - lost * part as f64 / FINER as f64;
                let product = f64::from(products[FINER * lag + part]) / SIZE as f64;
                likeness.push(if left > 0.0 { 2.0 * product / left } else { 0.0 });
            }
            both -= lost;
        }
        likeness
    }

    fn spectrum(&self, samples: impl Iterator<Item = f32>) -> Vec<Complex<f32>> {
        let mut padded = self.forward.make_input_vec();
        padded.iter_mut().zip(samples).for_each(|(slot, sample)| *slot = sample);
        let mut spectrum = self.forward.make_output_vec();
        let _ = self.forward.process(&mut padded, &mut spectrum);
        spectrum
    }

    fn lowest(&self, frame: &[f32], rate_hz: f64) -> f64 {
        let windowed = frame.iter().zip(&self.window).map(|(sample, weight)| sample * weight);
        let spectrum = self.spectrum(windowed);
        let amplitudes = amplitudes(&spectrum);
        let loudest = amplitudes.iter().copied().fold(0.0, f64::max);
        let peak = |&bin: &usize| {
            amplitudes[bin] > STRONG * loudest
                && amplitudes[bin] >= amplitudes[bin - 1]
                && amplitudes[bin] >= amplitudes[bin + 1]
        };
        let from = (20.0 * SIZE as f64 / rate_hz) as usize;
        let bin = (from.max(1)..amplitudes.len() - 1).find(peak).unwrap_or(0);
        bin as f64 * rate_hz / SIZE as f64
    }
}

/// Where the top of a peak lies, and how high it is: a parabola through three values.
fn vertex(values: &[f64], at: usize) -> (f64, f64) {
    let (before, top, behind) = (values[at - 1], values[at], values[at + 1]);
    let bend = before - 2.0 * top + behind;
    let shift = if bend < 0.0 { (0.5 * (before - behind) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    (at as f64 + shift, (top - 0.25 * (before - behind) * shift).min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};
    use crate::{Block, Sketcher};

    fn follow(samples: Vec<f64>) -> Vec<Pitch> {
        let mut sketcher = Sketcher::new(6000, 6000);
        sketcher.push(&Block::from_channels(vec![samples]));
        PitchTracker::default().follow(&sketcher.finish())
    }

    fn tones(all: &[f64]) -> Vec<f64> {
        let parts: Vec<Vec<f64>> = all.iter().map(|&hz| sine(hz, 0.1, 6000, 12_000)).collect();
        (0..12_000).map(|n| parts.iter().map(|part| part[n]).sum()).collect()
    }

    #[test]
    fn a_tone_has_its_frequency() {
        for hz in [41.2, 82.4, 220.0, 440.0, 700.0] {
            // With partials, so that the period is more than one of them.
            let track = follow(tones(&[hz, 2.0 * hz, 3.0 * hz]));
            let inner = &track[2..track.len() - 3];
            for pitch in inner {
                assert!((1200.0 * (pitch.hz / hz).log2()).abs() < 8.0, "{hz}: {pitch:?}");
                assert!(pitch.clarity > 0.97, "{hz}: {pitch:?}");
                assert!(pitch.lowest_hz < 1.3 * hz, "{hz}: {pitch:?}");
            }
        }
    }

    /// A major triad of 4 : 5 : 6 repeats itself two octaves below its root, where nothing sounds.
    #[test]
    fn a_chord_has_a_period_far_below_its_notes() {
        let pitch = follow(tones(&[262.0, 327.5, 393.0]))[4];
        assert!(pitch.lowest_hz > 3.0 * pitch.hz, "{pitch:?}");
    }

    #[test]
    fn noise_has_no_pitch_and_silence_no_frame() {
        let track = follow(noise(5, 0.3, 12_000));
        let clear = track.iter().filter(|pitch| pitch.clarity > 0.8).count();
        assert!(clear * 10 < track.len(), "{clear} of {}", track.len());
        assert_eq!(follow(vec![0.0; 12_000]), []);
    }
}
