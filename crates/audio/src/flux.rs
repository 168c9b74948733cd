//! Onset strength: how much louder the bands of a sound become from one moment to the next.
//!
//! Spectral flux on log-compressed bands, as the literature of onset detection has it: half-wave rectified differences
//! (Dixon, "Onset detection revisited", Digital Audio Effects 2006), a logarithm so that soft onsets count beside loud ones (Klapuri,
//! "Sound onset detection by applying psychoacoustic knowledge", ICASSP 1999). Both from memory.
//!
//! It picks no onsets and knows no tempo.

use std::ops::Range;
use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

/// Values a second.
pub const FLUX_HZ: f64 = 200.0;

/// Samples of a window: 43 ms of a sketch. A shorter one sees the single swings of a low note.
const SIZE: usize = 256;

/// Edges of the bands in Hz; a sketch has nothing above.
const EDGES_HZ: &[f64] = &[25.0, 95.0, 190.0, 290.0, 400.0, 550.0, 750.0, 1000.0, 1350.0, 1800.0, 2500.0];

/// Bands that a kick drum has most of its strength in.
const LOW_BANDS: usize = 2;

/// How much the logarithm lifts what is soft, relative to the root mean square of the sound.
const LIFT: f32 = 30.0;

/// Values that a difference reaches back: 10 ms.
const BACK: usize = 2;

/// The logarithm sees an onset as soon as the window's edge does: so many values early beside the difference's later end,
/// measured on beeps.
const EARLY: f64 = 2.0;

/// Onset strength along a sound. Value `k` stands at `k / FLUX_HZ` seconds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Flux {
    /// Of all bands, 0 and above, in nepers a band.
    pub all: Vec<f32>,
    /// Of the bands below 190 Hz.
    pub low: Vec<f32>,
}

impl Flux {
    /// Appends what comes behind it.
    pub fn append(&mut self, mut behind: Self) {
        self.all.append(&mut behind.all);
        self.low.append(&mut behind.low);
    }
}

/// Measures the onset strength of a sound, in as many pieces as there are threads for.
pub struct FluxMeter<'a> {
    samples: &'a [f32],
    sample_hz: f64,
    /// `None` for silence.
    loudness: Option<f32>,
}

impl<'a> FluxMeter<'a> {
    /// A meter of samples at `sample_hz`.
    pub fn new(samples: &'a [f32], sample_hz: f64) -> Self {
        Self { samples, sample_hz, loudness: loudness(samples) }
    }

    /// How many values there are.
    pub fn values(&self) -> usize {
        (self.samples.len() as f64 * FLUX_HZ / self.sample_hz).ceil() as usize
    }

    /// These of the values, from 0 to below [`Self::values`]; zeros for silence. Pieces one behind the other are the same as
    /// all at once.
    pub fn measure(&self, values: Range<usize>) -> Flux {
        let Some(loudness) = self.loudness else {
            return Flux { all: vec![0.0; values.len()], low: vec![0.0; values.len()] };
        };
        let mut spectrum = Bands::new(self.sample_hz, LIFT / loudness);
        let bands = EDGES_HZ.len() - 1;
        let mut past = vec![vec![0.0f32; bands]; BACK + 1];
        let mut flux = Flux { all: Vec::with_capacity(values.len()), low: Vec::with_capacity(values.len()) };
        for index in values.start.saturating_sub(BACK)..values.end {
            let middle = ((index as f64 - EARLY) * self.sample_hz / FLUX_HZ).round() as i64;
            past.rotate_right(1);
            spectrum.at(self.samples, middle, &mut past[0]);
            if index >= values.start {
                let rise = |band: usize| (past[0][band] - past[BACK][band]).max(0.0);
                flux.low.push((0..LOW_BANDS).map(rise).sum());
                flux.all.push((0..bands).map(rise).sum());
            }
        }
        flux
    }
}

/// Root mean square of what is not silent; `None` of silence.
fn loudness(samples: &[f32]) -> Option<f32> {
    let (mut sum, mut count) = (0.0f64, 0u64);
    for sample in samples.iter().filter(|sample| **sample != 0.0) {
        sum += f64::from(*sample) * f64::from(*sample);
        count += 1;
    }
    (count > 0).then(|| (sum / count as f64).sqrt() as f32)
}

/// Log-compressed amplitudes of bands.
struct Bands {
    forward: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    framed: Vec<f32>,
    bins: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    edges: Vec<usize>,
    lift: f32,
}

impl Bands {
    fn new(sample_hz: f64, lift: f32) -> Self {
        let forward = RealFftPlanner::new().plan_fft_forward(SIZE);
        // A Hann window with a sum of 1, so that a sine has half its amplitude.
        let turn = |n: usize| std::f64::consts::TAU * (n as f64 + 0.5) / SIZE as f64;
        let window = (0..SIZE).map(|n| ((1.0 - libm::cos(turn(n))) / SIZE as f64) as f32).collect();
        let bin = |hz: &f64| ((hz * SIZE as f64 / sample_hz).round() as usize).clamp(1, SIZE / 2);
        Self {
            window,
            framed: forward.make_input_vec(),
            bins: forward.make_output_vec(),
            scratch: forward.make_scratch_vec(),
            edges: EDGES_HZ.iter().map(bin).collect(),
            forward,
            lift,
        }
    }

    /// The bands of the window around a sample.
    fn at(&mut self, samples: &[f32], middle: i64, bands: &mut [f32]) {
        let from = middle - SIZE as i64 / 2;
        let within = |at: i64| at.clamp(0, samples.len() as i64) as usize;
        let there = &samples[within(from)..within(from + SIZE as i64)];
        if there.iter().all(|sample| *sample == 0.0) {
            bands.fill(0.0);
            return;
        }
        // Before the first sample and behind the last one there is silence.
        let first = (within(from) as i64 - from) as usize;
        self.framed.fill(0.0);
        self.framed[first..first + there.len()].copy_from_slice(there);
        self.framed.iter_mut().zip(&self.window).for_each(|(sample, weight)| *sample *= weight);
        self.forward
            .process_with_scratch(&mut self.framed, &mut self.bins, &mut self.scratch)
            .expect("buffers of the size of the plan");
        for (band, edges) in bands.iter_mut().zip(self.edges.windows(2)) {
            let power: f32 = self.bins[edges[0]..edges[1]].iter().map(Complex::norm_sqr).sum();
            *band = libm::logf(1.0 + self.lift * power.sqrt());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flux(samples: &[f32], sample_hz: f64) -> Flux {
        let meter = FluxMeter::new(samples, sample_hz);
        meter.measure(0..meter.values())
    }

    /// A tone of 60 ms from each of `starts` on.
    fn beeps(hz: f64, starts: &[f64], sample_hz: f64, seconds: f64) -> Vec<f32> {
        let mut samples = vec![0.0; (seconds * sample_hz) as usize];
        for start in starts {
            let from = (start * sample_hz).round() as usize;
            for n in 0..(0.06 * sample_hz) as usize {
                let t = n as f64 / sample_hz;
                samples[from + n] +=
                    (0.3 * (std::f64::consts::TAU * hz * t).sin() * (-40.0 * t).exp()) as f32;
            }
        }
        samples
    }

    fn greatest(list: &[f32]) -> usize {
        (0..list.len()).max_by(|a, b| list[*a].total_cmp(&list[*b])).unwrap()
    }

    /// Wherever an onset lies and whatever its level is, it is found within 8 ms, and nothing else is as strong.
    #[test]
    fn an_onset_is_found_where_it_is() {
        for sample_hz in [6000.0, 6300.0, 8000.0] {
            for start in [0.5, 0.5017, 0.5033] {
                let flux = flux(&beeps(700.0, &[start], sample_hz, 1.0), sample_hz);
                assert_eq!(flux.all.len(), 200);
                let found = greatest(&flux.all) as f64 / FLUX_HZ;
                assert!((found - start).abs() < 0.008, "{found} {start}");
                let later = &flux.all[120..];
                assert!(later.iter().all(|rise| *rise < 0.2 * flux.all[greatest(&flux.all)]));
            }
        }
    }

    #[test]
    fn low_sounds_are_told_from_high_ones() {
        let low = flux(&beeps(60.0, &[0.3], 6000.0, 1.0), 6000.0);
        let high = flux(&beeps(1500.0, &[0.3], 6000.0, 1.0), 6000.0);
        let share = |flux: &Flux| flux.low[greatest(&flux.all)] / flux.all[greatest(&flux.all)];
        assert!(share(&low) > 0.3 && share(&high) < 0.15, "{} {}", share(&low), share(&high));
    }

    /// Silence in front moves all onsets and changes none, though the first windows begin before the first sample; 30
    /// samples at 6 kHz are one value.
    #[test]
    fn silence_in_front_changes_nothing() {
        let samples = beeps(700.0, &[0.0, 0.01, 0.3], 6000.0, 0.5);
        let mut later = vec![0.0; 20 * 30];
        later.extend(&samples);
        let (found, later) = (flux(&samples, 6000.0), flux(&later, 6000.0));
        assert_eq!(found.all[BACK..], later.all[20 + BACK..]);
        assert_eq!(found.low[BACK..], later.low[20 + BACK..]);
    }

    #[test]
    fn pieces_are_what_all_of_it_is() {
        let samples = beeps(300.0, &[0.0, 0.1, 0.3, 0.305], 6000.0, 0.5);
        let meter = FluxMeter::new(&samples, 6000.0);
        let whole = meter.measure(0..meter.values());
        for cut in [0, 1, 2, 3, 20, 62, 100] {
            let (mut front, back) = (meter.measure(0..cut), meter.measure(cut..meter.values()));
            front.append(back);
            assert_eq!(front, whole, "{cut}");
        }
    }

    #[test]
    fn silence_has_no_onsets() {
        assert!(flux(&[0.0; 600], 6000.0).all.iter().all(|rise| *rise == 0.0));
        assert_eq!(flux(&[], 6000.0), Flux::default());
    }
}
