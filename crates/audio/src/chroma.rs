//! Which pitches sound in a sketch: the peaks of its short-time spectra on a circle of one octave, fine enough to see
//! how far the tuning lies from 440 Hz.
//!
//! Peaks of a spectrum in place of all of it, interpolated in frequency: Gómez, "Tonal description of polyphonic audio
//! for music content processing", INFORMS Journal on Computing 18(3), 2006.
//!
//! Knows no keys and no chords.

use std::f64::consts::TAU;
use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::Sketch;
use crate::with_simd;

/// Places on the circle: ten cents each.
pub const FINE: usize = 120;

/// Samples of a spectrum: 0.68 s at 6 kHz, so that the semitones of a bass can be told apart from its second partial on.
const SIZE: usize = 4096;

const STEP: usize = SIZE / 2;

/// Peaks are looked for from C2 to above B6: lower fundamentals have partials in there, and the sketch ends above.
const LOW_HZ: f64 = 64.0;
const HIGH_HZ: f64 = 2000.0;

/// A peak is no peak this far below the loudest of its spectrum: −50 dB.
const LEAST: f64 = 0.003;

/// Peaks that are kept of a spectrum; more are noise.
const MOST_PEAKS: usize = 24;

/// Bins on either side of a peak that belong to it: the main lobe of the window.
const LOBE: usize = 2;

/// The pitches of one sketch.
#[derive(Debug, Clone, PartialEq)]
pub struct Chroma {
    /// How much sounds at each place of the circle; place 0 is C of A = 440 Hz.
    pub circle: [f64; FINE],
    /// How much of the power stands in peaks, 0 to 1: near 1 for notes, low for noise.
    pub tonality: f64,
    /// How many spectra something sounds in.
    pub spectra: usize,
    /// Power below 120 Hz, to 250 Hz, to 700 Hz and above, as shares of all.
    pub bands: [f64; BANDS],
}

/// Bands of the power.
pub const BANDS: usize = 4;

/// Their upper edges in Hz.
const EDGES: [f64; BANDS] = [120.0, 250.0, 700.0, f64::INFINITY];

/// Measures sketches; it keeps its tables.
pub struct ChromaMeter {
    forward: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
}

impl Default for ChromaMeter {
    fn default() -> Self {
        let forward = RealFftPlanner::new().plan_fft_forward(SIZE);
        let hann = |n: usize| (0.5 - 0.5 * libm::cos(TAU * n as f64 / SIZE as f64)) as f32;
        Self { forward, window: (0..SIZE).map(hann).collect() }
    }
}

impl ChromaMeter {
    /// The pitches of a sketch; all zero for silence.
    pub fn measure(&self, sketch: &Sketch) -> Chroma {
        let mut chroma = Chroma { circle: [0.0; FINE], tonality: 0.0, spectra: 0, bands: [0.0; BANDS] };
        let mut frame = vec![0.0f32; SIZE];
        let mut spectrum = self.forward.make_output_vec();
        let mut scratch = self.forward.make_scratch_vec();
        let (mut in_peaks, mut all) = (0.0, 0.0);
        let hz = sketch.sample_hz() / SIZE as f64;
        let bins = band_bins(hz);
        for start in (0..sketch.samples()).step_by(STEP) {
            if !sketch.read(start as i64, &mut frame) {
                continue;
            }
            frame.iter_mut().zip(&self.window).for_each(|(sample, weight)| *sample *= weight);
            // The buffers were made for this transform, so it cannot fail.
            let _ = self.forward.process_with_scratch(&mut frame, &mut spectrum, &mut scratch);
            let peaks = Peaks::of(&spectrum, hz);
            if peaks.all > 0.0 {
                chroma.spectra += 1;
                in_peaks += peaks.power;
                all += peaks.all;
                peaks.put(&mut chroma.circle);
            }
            for (band, bins) in chroma.bands.iter_mut().zip(&bins) {
                for value in &spectrum[bins.clone()] {
                    *band += f64::from(value.norm_sqr());
                }
            }
        }
        let power: f64 = chroma.bands.iter().sum();
        if power > 0.0 {
            chroma.bands.iter_mut().for_each(|band| *band /= power);
        }
        chroma.tonality = if all > 0.0 { in_peaks / all } else { 0.0 };
        chroma
    }
}

/// The bins of each band, where a bin is `hz` wide.
fn band_bins(hz: f64) -> [Range<usize>; BANDS] {
    let end = |edge: f64| ((edge / hz).ceil() as usize).min(SIZE / 2 + 1);
    let mut begin = 0;
    EDGES.map(|edge| std::mem::replace(&mut begin, end(edge))..end(edge))
}

/// The peaks of one spectrum.
struct Peaks {
    /// Frequency in Hz and amplitude, the loudest first.
    found: Vec<(f64, f64)>,
    /// Power in the peaks, and in all of the range.
    power: f64,
    all: f64,
}

impl Peaks {
    fn of(spectrum: &[Complex<f32>], hz: f64) -> Self {
        let (from, to) = ((LOW_HZ / hz) as usize, ((HIGH_HZ / hz) as usize).min(spectrum.len() - LOBE - 1));
        let amplitudes = amplitudes(spectrum);
        // A stream at a very low rate ends below all of this.
        let range = &amplitudes[from.min(to)..to];
        let all: f64 = range.iter().map(|a| a * a).sum();
        let loudest = range.iter().copied().fold(0.0, f64::max);
        let mut found: Vec<(usize, f64)> = (from.max(LOBE)..to)
            .filter(|&bin| amplitudes[bin] > LEAST * loudest)
            .filter(|&bin| {
                let beside = &amplitudes[bin - LOBE..=bin + LOBE];
                beside.iter().all(|&other| other <= amplitudes[bin])
            })
            .map(|bin| (bin, amplitudes[bin]))
            .collect();
        found.sort_by(|a, b| b.1.total_cmp(&a.1));
        found.truncate(MOST_PEAKS);
        let lobe = |bin: usize| amplitudes[bin - LOBE..=bin + LOBE].iter().map(|a| a * a).sum::<f64>();
        let power = found.iter().map(|&(bin, _)| lobe(bin)).sum::<f64>().min(all);
        let placed = found.iter().map(|&(bin, amplitude)| (hz * vertex(&amplitudes, bin), amplitude));
        Self { found: placed.collect(), power, all }
    }

    /// Adds the peaks to the circle. The root of the amplitude, relative to the loudest: how loud a passage is says little
    /// about its key, and partials that are weak say less than fundamentals.
    fn put(&self, circle: &mut [f64; FINE]) {
        let loudest = self.found.first().map_or(1.0, |&(_, amplitude)| amplitude);
        for &(hz, amplitude) in &self.found {
            let octaves = libm::log2(hz / C_HZ);
            let place = (octaves * FINE as f64).round().rem_euclid(FINE as f64) as usize % FINE;
            circle[place] += (amplitude / loudest).sqrt();
        }
    }
}

/// The magnitude of every bin in single precision: the squares are exact in the double one.
pub(crate) fn amplitudes(spectrum: &[Complex<f32>]) -> Vec<f64> {
    let mut amplitudes = vec![0.0; spectrum.len()];
    with_simd(
        #[inline(always)]
        || {
            for (amplitude, bin) in amplitudes.iter_mut().zip(spectrum) {
                let (re, im) = (f64::from(bin.re), f64::from(bin.im));
                *amplitude = f64::from((re * re + im * im).sqrt() as f32);
            }
        },
    );
    amplitudes
}

/// C4 of A = 440 Hz in equal temperament (ISO 16:1975): 440 · 2^(−9/12).
const C_HZ: f64 = 261.625_565_300_598_6;

/// Where the top of a peak lies between bins: a parabola through the logarithms of three of them.
fn vertex(amplitudes: &[f64], bin: usize) -> f64 {
    let log = |bin: usize| libm::log(amplitudes[bin].max(1e-30));
    let (before, at, behind) = (log(bin - 1), log(bin), log(bin + 1));
    let bend = before - 2.0 * at + behind;
    let shift = if bend < 0.0 { 0.5 * (before - behind) / bend } else { 0.0 };
    bin as f64 + shift.clamp(-0.5, 0.5)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};
    use crate::{Block, Sketcher};

    fn measured(samples: Vec<f64>) -> Chroma {
        let mut sketcher = Sketcher::new(6000, 6000);
        sketcher.push(&Block::from_channels(vec![samples]));
        ChromaMeter::default().measure(&sketcher.finish())
    }

    fn loudest(chroma: &Chroma) -> usize {
        (0..FINE).max_by(|&a, &b| chroma.circle[a].total_cmp(&chroma.circle[b])).unwrap()
    }

    /// Frequencies of equal temperament (ISO 16:1975): A2 110, C4 261.625565, F#4 369.994423, A5 880 Hz; a hundredth of
    /// an octave more is 12 cents.
    #[test]
    fn a_tone_stands_at_its_place() {
        for (hz, place) in [
            (110.0, 90),
            (261.625_565, 0),
            (369.994_423, 60),
            (880.0, 90),
            (440.0 * 2f64.powf(30.0 / 1200.0), 93),
            (440.0 * 2f64.powf(-20.0 / 1200.0), 88),
        ] {
            let chroma = measured(sine(hz, 0.3, 6000, 24_000));
            assert_eq!(loudest(&chroma), place, "{hz}");
            assert!(chroma.tonality > 0.98, "{hz}: {}", chroma.tonality);
        }
    }

    #[test]
    fn a_magnitude_is_that_of_pythagoras() {
        let bins = [(3.0, 4.0), (-5.0, 12.0), (0.0, -7.0), (0.0, 0.0), (8e-30, 6e-30)];
        let found = amplitudes(&bins.map(|(re, im)| Complex { re, im }));
        assert_eq!(found, [5.0, 13.0, 7.0, 0.0, 1e-29f32].map(f64::from));
    }

    #[test]
    fn noise_is_not_tonal_and_silence_is_nothing() {
        let chroma = measured(noise(3, 0.3, 24_000));
        assert!(chroma.tonality < 0.4, "{}", chroma.tonality);
        let nothing = Chroma { circle: [0.0; FINE], tonality: 0.0, spectra: 0, bands: [0.0; BANDS] };
        assert_eq!(measured(vec![0.0; 24_000]), nothing);
    }

    #[test]
    fn power_lies_in_its_band() {
        for (hz, band) in [(60.0, 0), (200.0, 1), (500.0, 2), (1500.0, 3)] {
            let bands = measured(sine(hz, 0.3, 6000, 24_000)).bands;
            assert!(bands[band] > 0.99, "{hz}: {bands:?}");
        }
    }
}
