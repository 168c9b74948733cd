//! True peak: the extremes of the oversampled signal (ITU-R BS.1770, Annex 2).
//!
//! The interpolator is our own Kaiser-windowed sinc, longer than the published one, and is judged by the test
//! signals of EBU Tech 3341 (cases 15 to 23).
//!
//! Most places need no interpolation. An interpolated value differs from the straight line between its two
//! neighbours by a sum over second differences: `|y − line| ≤ S · max |x[k] − 2 x[k+1] + x[k+2]|`, where `S` follows
//! from the taps. Where line plus bound cannot pass the extremes found so far, nothing is computed. The bound holds
//! for every signal, so the result is the same as without it.
//!
//! It knows nothing of limits and targets.

use crate::Block;
use crate::simd::with_simd;
use crate::simd_meters::{largest_bend, range};
use crate::units::unsigned_zero;

/// Taps of each phase.
pub(crate) const TAPS: usize = 32;

/// Frames that are judged at once.
const STRETCH: usize = 64;

/// Places that are judged at once within a stretch that could matter.
const SHORT_STRETCH: usize = 8;

/// The two neighbours of an interpolated value within a window of `TAPS` samples.
pub(crate) const BEFORE: usize = TAPS / 2 - 1;

/// Kaiser window parameter: about 80 dB of stop-band attenuation, far below what a peak reading shows.
const KAISER_BETA: f64 = 8.0;

/// Oversampling at a rate: four times below 96 kHz, twice from there on (BS.1770 asks for at least 192 kHz).
pub fn oversampling(rate_hz: u32) -> usize {
    if rate_hz < 96_000 { 4 } else { 2 }
}

/// Measures the least and the greatest value between the samples, for every channel.
///
/// ```
/// use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};
///
/// use loadin_audio::{Block, TruePeak};
///
/// // A sine at a quarter of the rate whose samples all miss its crests: they stand at 0.707 of it.
/// let sine: Vec<f64> = (0..4800).map(|n| (FRAC_PI_2 * f64::from(n) + FRAC_PI_4).sin()).collect();
/// let mut meter = TruePeak::new(1, 48_000);
/// meter.push(&Block::from_channels(vec![sine]));
/// let found = meter.finish()[0];
/// assert!(found.sample.1 < 0.71);
/// assert!(found.between.0 < -0.99 && found.between.1 > 0.99);
/// ```
#[derive(Debug, Clone)]
pub struct TruePeak {
    between: Between,
    channels: Vec<Channel>,
}

/// The extremes of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extremes {
    /// Least and greatest sample.
    pub sample: (f64, f64),
    /// Least and greatest value of the oversampled signal, its samples included.
    pub between: (f64, f64),
}

/// Interpolation at some places between every two samples.
#[derive(Debug, Clone)]
pub(crate) struct Between {
    phases: Vec<[f64; TAPS]>,
    /// The most by which interpolation can leave the straight line, per unit of second difference.
    bend: f64,
}

#[derive(Debug, Clone)]
struct Channel {
    /// The last `TAPS - 1` samples, and the stretch that is being collected.
    window: Vec<f64>,
    /// Least and greatest sample and largest second difference of the stretch before.
    before: (f64, f64, f64),
    found: Extremes,
}

fn bessel_i0(x: f64) -> f64 {
    let half = x / 2.0;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..64 {
        term *= (half / f64::from(k)) * (half / f64::from(k));
        sum += term;
    }
    sum
}

/// The taps that give the value `fraction` of a frame after the centre of the window, scaled to pass DC untouched.
fn phase(fraction: f64) -> [f64; TAPS] {
    let half = TAPS as f64 / 2.0;
    let mut taps = [0.0; TAPS];
    for (index, tap) in taps.iter_mut().enumerate() {
        let distance = index as f64 - (half - 1.0) - fraction;
        let edge = (distance / half).clamp(-1.0, 1.0);
        let window = bessel_i0(KAISER_BETA * (1.0 - edge * edge).sqrt()) / bessel_i0(KAISER_BETA);
        let angle = std::f64::consts::PI * distance;
        *tap = window * if distance == 0.0 { 1.0 } else { libm::sin(angle) / angle };
    }
    let sum: f64 = taps.iter().sum();
    straighten(taps.map(|tap| tap / sum), fraction)
}

/// Corrects the taps, by far less than their stop-band, so that straight lines pass exactly: the bound rests on it.
fn straighten(mut taps: [f64; TAPS], fraction: f64) -> [f64; TAPS] {
    let place = |index: usize| index as f64 - BEFORE as f64;
    let miss = fraction - taps.iter().enumerate().map(|(index, tap)| tap * place(index)).sum::<f64>();
    taps[BEFORE] -= miss;
    taps[BEFORE + 1] += miss;
    taps
}

/// A sum with these weights, the first of which belongs to frame `first`, less the straight line between frames 0 and 1 at
/// `fraction`: what is left of the weights, summed up once and twice. The second sum is the factor of the second difference
/// around the next frame.
pub(crate) fn beside_line(
    weights: &[f64],
    first: i64,
    fraction: f64,
) -> impl Iterator<Item = (f64, f64)> + '_ {
    (first..).zip(weights).scan((0.0, 0.0), move |(once, twice), (frame, weight)| {
        let line = match frame {
            0 => 1.0 - fraction,
            1 => fraction,
            _ => 0.0,
        };
        *once += weight - line;
        *twice += *once;
        Some((*once, *twice))
    })
}

/// The sum `S` of the bound.
fn bend(taps: &[f64; TAPS], fraction: f64) -> f64 {
    beside_line(taps, -(BEFORE as i64), fraction).map(|(_, twice)| f64::abs(twice)).sum()
}

/// The taps for `steps` places a sample, but for the sample's own.
pub(crate) fn phases(steps: usize) -> impl Iterator<Item = [f64; TAPS]> {
    (1..steps).map(move |step| phase(step as f64 / steps as f64))
}

impl Extremes {
    /// Those of nothing.
    pub(crate) const NONE: Self =
        Self { sample: (f64::INFINITY, f64::NEG_INFINITY), between: (f64::INFINITY, f64::NEG_INFINITY) };

    /// Takes samples.
    pub(crate) fn take(&mut self, samples: &[f64]) {
        let (low, high) = range(samples);
        self.take_range(low, high);
    }

    /// Takes samples of this range.
    fn take_range(&mut self, low: f64, high: f64) {
        self.sample = (low.min(self.sample.0), high.max(self.sample.1));
        self.between = (low.min(self.between.0), high.max(self.between.1));
    }

    /// Whether samples, and what lies between them, could grow these, when they leave the values from `low` to `high` by so
    /// much at the most.
    pub(crate) fn can_grow(&self, (low, high): (f64, f64), (samples, between): (f64, f64)) -> (bool, bool) {
        let grows =
            |(least, greatest): (f64, f64), reach: f64| high + reach > greatest || low - reach < least;
        (grows(self.sample, samples), grows(self.between, between))
    }

    /// All zero for nothing.
    pub(crate) fn finished(self) -> Self {
        if self.sample.0 > self.sample.1 {
            return Self { sample: (0.0, 0.0), between: (0.0, 0.0) };
        }
        let both = |(least, greatest)| (unsigned_zero(least), unsigned_zero(greatest));
        Self { sample: both(self.sample), between: both(self.between) }
    }
}

impl Between {
    /// At `steps` places a sample.
    pub(crate) fn new(steps: usize) -> Self {
        let fraction = |step: usize| step as f64 / steps as f64;
        let phases: Vec<[f64; TAPS]> = phases(steps).collect();
        let bend = (1..steps).zip(&phases).map(|(step, taps)| bend(taps, fraction(step))).fold(0.0, f64::max);
        Self { phases, bend }
    }

    /// The most by which a value leaves the line between its neighbours. A hair more than the bound covers the rounding of
    /// the taps themselves.
    fn reach(&self, largest_bend: f64, largest: f64) -> f64 {
        self.bend * largest_bend + 1e-9 * largest
    }

    /// Takes what lies between the samples of a window, as far as that has `TAPS` samples around it.
    pub(crate) fn take(&self, window: &[f64], found: &mut Extremes) {
        let (low, high) = range(window);
        self.take_within(window, self.reach(largest_bend(window), high.max(-low)), found);
    }

    /// The same, when that leaves the lines between neighbours by `reach` at the most.
    fn take_within(&self, window: &[f64], reach: f64, found: &mut Extremes) {
        let places = window.len() + 1 - TAPS;
        for first in (0..places).step_by(SHORT_STRETCH) {
            let after = places.min(first + SHORT_STRETCH);
            let ends = range(&window[first + BEFORE..=after + BEFORE]);
            if found.can_grow(ends, (0.0, reach)).1 {
                with_simd(
                    #[inline(always)]
                    || self.interpolate(&window[first..after + TAPS - 1], reach, found),
                );
            }
        }
    }

    #[inline(always)]
    fn interpolate(&self, window: &[f64], reach: f64, found: &mut Extremes) {
        let (mut least, mut greatest) = found.between;
        for window in window.windows(TAPS) {
            let (a, b) = (window[BEFORE], window[BEFORE + 1]);
            if a.max(b) + reach > greatest || a.min(b) - reach < least {
                for taps in &self.phases {
                    let value = dot(window, taps);
                    greatest = if value > greatest { value } else { greatest };
                    least = if value < least { value } else { least };
                }
            }
        }
        found.between = (least, greatest);
    }
}

impl TruePeak {
    /// A meter for a stream of `channels` channels at `rate_hz`.
    pub fn new(channels: usize, rate_hz: u32) -> Self {
        let channel = Channel { window: vec![0.0; TAPS - 1], before: (0.0, 0.0, 0.0), found: Extremes::NONE };
        Self { between: Between::new(oversampling(rate_hz)), channels: vec![channel; channels] }
    }

    /// Takes the next frames.
    pub fn push(&mut self, block: &Block) {
        for (channel, samples) in self.channels.iter_mut().zip(block.iter()) {
            channel.push(samples, &self.between);
        }
    }

    /// Ends the stream: what lies after the last sample is silence. The extremes of every channel, all zero when there was no
    /// frame.
    pub fn finish(mut self) -> Vec<Extremes> {
        for channel in &mut self.channels {
            channel.finish(&self.between);
        }
        self.channels.iter().map(|channel| channel.found.finished()).collect()
    }
}

impl Channel {
    fn push(&mut self, mut samples: &[f64], between: &Between) {
        while !samples.is_empty() {
            let room = TAPS - 1 + STRETCH - self.window.len();
            let (taken, rest) = samples.split_at(room.min(samples.len()));
            self.window.extend_from_slice(taken);
            samples = rest;
            if self.window.len() == TAPS - 1 + STRETCH {
                self.judge(between);
            }
        }
    }

    /// Judges what is left, and what rings on after it; the silence that follows is no sample of the stream.
    fn finish(&mut self, between: &Between) {
        let mut found = self.found;
        found.take(&self.window[TAPS - 1..]);
        if found.sample.0 > found.sample.1 {
            return;
        }
        self.window.extend([0.0; TAPS]);
        self.judge(between);
        // The silence was judged like samples: where it is the extreme, the stream's own sample is.
        let (low, high) = found.between;
        let (least, greatest) = self.found.between;
        found.between.0 = if least == 0.0 { low.max(0.0) } else { least };
        found.between.1 = if greatest == 0.0 { high.min(0.0) } else { greatest };
        self.found = found;
    }

    /// Interpolates the collected stretch, where it could matter.
    fn judge(&mut self, between: &Between) {
        self.interpolate(between);
        let kept = self.window.len() - (TAPS - 1);
        self.window.copy_within(kept.., 0);
        self.window.truncate(TAPS - 1);
    }

    fn interpolate(&mut self, between: &Between) {
        let fresh = &self.window[TAPS - 1..];
        let (low, high) = range(fresh);
        self.found.take_range(low, high);
        let now = (low, high, largest_bend(&self.window[TAPS - 3..]));
        // The window reaches back into the stretch before, so its figures count too.
        let before = std::mem::replace(&mut self.before, now);
        let (low, high, largest) = (low.min(before.0), high.max(before.1), now.2.max(before.2));
        let reach = between.reach(largest, high.max(-low));
        if self.found.can_grow((low, high), (0.0, reach)).1 {
            between.take_within(&self.window, reach, &mut self.found);
        }
    }
}

#[inline(always)]
fn dot(window: &[f64], taps: &[f64; TAPS]) -> f64 {
    let mut strands = [0.0; 4];
    for (samples, taps) in window.chunks_exact(4).zip(taps.chunks_exact(4)) {
        for strand in 0..4 {
            strands[strand] += samples[strand] * taps[strand];
        }
    }
    (strands[0] + strands[1]) + (strands[2] + strands[3])
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peak(samples: &[f64], piece: usize) -> (f64, f64) {
        let mut meter = TruePeak::new(1, 48_000);
        for part in samples.chunks(piece) {
            meter.push(&Block::from_channels(vec![part.to_vec()]));
        }
        let found = meter.finish()[0];
        assert_eq!(found.sample, if samples.is_empty() { (0.0, 0.0) } else { range(samples) });
        found.between
    }

    #[test]
    fn a_quarter_rate_sine_between_its_samples_shows_its_amplitude() {
        let sine: Vec<f64> = (0..4800)
            .map(|n| {
                let fade = (f64::from(n) / 480.0).min((4799.0 - f64::from(n)) / 480.0).min(1.0);
                0.5 * fade * (std::f64::consts::FRAC_PI_2 * f64::from(n) + std::f64::consts::FRAC_PI_4).sin()
            })
            .collect();
        let (least, greatest) = peak(&sine, 100);
        assert!((greatest - 0.5).abs() < 0.01 && (least + 0.5).abs() < 0.01, "{least} {greatest}");
        for piece in [1, 7, 255, 256, 257, 4800] {
            assert_eq!(peak(&sine, piece), (least, greatest));
        }
    }

    proptest::proptest! {
        /// The bound must never hide a peak: compared with interpolating everywhere.
        #[test]
        fn nothing_is_skipped_that_matters(samples in proptest::collection::vec(-1.0f64..1.0, 1..400)) {
            let meter = TruePeak::new(1, 48_000);
            let mut padded = vec![0.0; TAPS - 1];
            padded.extend_from_slice(&samples);
            padded.extend([0.0; TAPS]);
            let values = padded.windows(TAPS).flat_map(|window| meter.between.phases.iter().map(|taps| dot(window, taps)));
            let all = values.chain(samples.iter().copied());
            let wanted = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| (low.min(v), high.max(v)));
            let found = peak(&samples, 50);
            // Silence lies around the samples, and is no extreme of theirs.
            proptest::prop_assert!((found.0 - wanted.0).abs() < 1e-12 || wanted.0 > -1e-12);
            proptest::prop_assert!((found.1 - wanted.1).abs() < 1e-12 || wanted.1 < 1e-12);
        }
    }

    #[test]
    fn constants_stay_constants_and_silence_is_zero() {
        assert_eq!(peak(&[0.0; 1000], 64), (0.0, 0.0));
        let found = peak(&[0.0, -0.0, -0.0, 0.0], 4);
        assert!(found.0.is_sign_positive() && found.1.is_sign_positive(), "minus zero is zero");
        let nothing = Extremes { sample: (0.0, 0.0), between: (0.0, 0.0) };
        assert_eq!(TruePeak::new(1, 48_000).finish(), [nothing]);
    }
}
