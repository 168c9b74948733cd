//! A stream brought down to one channel and about 6 kHz: enough to compare stems with each other, and little to keep.
//! Knows nothing of how the result is kept.

use pulp::{Arch, Simd, WithSimd};

use crate::Block;
use crate::with_simd;

/// The rate that decimation comes near to, in Hz.
const NEAR_HZ: u32 = 6000;

/// Taps on either side of the middle, for each frame of the target rate that becomes one with others.
const REACH: usize = 8;

/// Cut-off (−6 dB) as a part of the new rate. Above half of it the Blackman window's slope reaches to about 0.6.
const CUT_OFF: f64 = 0.42;

/// Taps that are summed side by side; a multiple of all register widths.
const STRANDS: usize = 16;

/// What is louder is taken for this loud, so that no sum passes what there are numbers for, and what is softer for silence,
/// as are the smallest taps, since the smallest of numbers take processors long.
const LOUDEST: f64 = 1e30;
const SOFTEST: f64 = 1e-30;
const LEAST_TAP: f64 = 1e-8;

/// The middle of all channels, low-passed (linear phase, its delay taken out), at about 6 kHz.
///
/// Sample `k` stands where frame `k · factor` of the same sound at the target rate does, and is what the filter makes of it
/// there: streams at any rate give the same samples of the same sound.
#[derive(Debug, Clone)]
pub struct Decimator {
    /// Source frames from one sample to the next, as a fraction.
    step: (u64, u64),
    /// The filters for every part of a source frame at which a sample can stand, in units of `1 / step.1`.
    filters: Vec<Filter>,
    /// Frames of the middle from `origin` on.
    pending: Vec<f32>,
    origin: i64,
    frames: u64,
    /// Samples that were given, and where the next one stands.
    given: u64,
    next: Place,
}

/// The taps for samples at one part of a frame; as many, and from as early on, for all parts.
#[derive(Debug, Clone)]
struct Filter {
    /// The frame of the first tap, from that at or before the sample.
    first: i64,
    taps: Vec<f32>,
}

/// Where a sample stands: the frame at or before it, and parts of a frame behind that.
#[derive(Debug, Clone, Copy, Default)]
struct Place {
    frame: u64,
    part: u64,
}

impl Decimator {
    /// A decimator for streams at `from_hz` whose samples are those of the same sound at `to_hz`.
    pub fn new(from_hz: u32, to_hz: u32) -> Self {
        let factor = u64::from(Self::factor(to_hz));
        let (frames, parts) = reduced(u64::from(from_hz) * factor, u64::from(to_hz));
        let filters: Vec<Filter> = if from_hz == to_hz && factor == 1 {
            vec![Filter::nothing()]
        } else {
            let ratio = f64::from(to_hz) / f64::from(from_hz);
            (0..parts).map(|part| Filter::new(factor as usize, ratio, part as f64 / parts as f64)).collect()
        };
        // Before the first frame there is silence.
        let origin = filters[0].first;
        let pending = vec![0.0; origin.unsigned_abs() as usize];
        Self { step: (frames, parts), filters, pending, origin, frames: 0, given: 0, next: Place::default() }
    }

    /// How many frames at `rate_hz` become one sample: 8 at 48 kHz, 7 at 44.1 kHz, 1 below 9 kHz.
    pub fn factor(rate_hz: u32) -> u32 {
        ((rate_hz + NEAR_HZ / 2) / NEAR_HZ).max(1)
    }

    /// Takes the next frames and appends the samples that are ready to `out`.
    pub fn push(&mut self, block: &Block, out: &mut Vec<f32>) {
        self.frames += block.frames() as u64;
        let before = self.pending.len();
        self.pending.resize(before + block.frames(), 0.0);
        let share = 1.0 / block.channels().max(1) as f64;
        let middle = &mut self.pending[before..];
        with_simd(
            #[inline(always)]
            || block.iter().for_each(|channel| add_share(middle, channel, share)),
        );
        self.give(out, u64::MAX);
    }

    /// Ends the stream: appends the samples that remain.
    pub fn finish(mut self, out: &mut Vec<f32>) {
        let due = (self.frames * self.step.1).div_ceil(self.step.0);
        let silence = self.filters[0].taps.len() + self.step.0.div_ceil(self.step.1) as usize;
        self.pending.resize(self.pending.len() + silence, 0.0);
        self.give(out, due);
    }

    fn give(&mut self, out: &mut Vec<f32>, most: u64) {
        while self.give_some::<4>(out, most) {}
        while self.give_some::<1>(out, most) {}
        let next = self.next.frame as i64 + self.filters[0].first;
        let old = ((next - self.origin) as usize).min(self.pending.len());
        self.pending.drain(..old);
        self.origin += old as i64;
    }

    /// Appends the next `N` samples; false where their frames are not there yet.
    fn give_some<const N: usize>(&mut self, out: &mut Vec<f32>, most: u64) -> bool {
        let (mut work, mut next): ([Work<'_>; N], Place) = ([(&[], &[]); N], self.next);
        for work in &mut work {
            let filter = &self.filters[next.part as usize];
            let from = (next.frame as i64 + filter.first - self.origin) as usize;
            let Some(frames) = self.pending.get(from..from + filter.taps.len()) else { return false };
            *work = (&filter.taps, frames);
            next.step(self.step);
        }
        if self.given + N as u64 > most {
            return false;
        }
        out.extend(Arch::new().dispatch(Sums(work)));
        (self.next, self.given) = (next, self.given + N as u64);
        true
    }
}

impl Place {
    /// To the next sample, `step.0 / step.1` frames on.
    fn step(&mut self, step: (u64, u64)) {
        self.part += step.0 % step.1;
        self.frame += step.0 / step.1 + u64::from(self.part >= step.1);
        self.part -= if self.part >= step.1 { step.1 } else { 0 };
    }
}

/// Taps and frames of one sum; as many, and whole chunks.
type Work<'a> = (&'a [f32], &'a [f32]);

/// `N` sums of products: together, since a single sum waits for itself. Every sum has its strands, so that the width of the
/// registers does not change it.
struct Sums<'a, const N: usize>([Work<'a>; N]);

impl<const N: usize> WithSimd for Sums<'_, N> {
    type Output = [f32; N];

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> [f32; N] {
        match S::F32_LANES {
            16 => sums::<S, N, 1>(simd, self.0),
            8 => sums::<S, N, 2>(simd, self.0),
            4 => sums::<S, N, 4>(simd, self.0),
            _ => sums::<S, N, 16>(simd, self.0),
        }
    }
}

/// The strands of every chunk.
type Rows<'a, S, const WIDE: usize> = &'a [[<S as Simd>::f32s; WIDE]];

/// The sums, of which each has its strands in `WIDE` registers.
#[inline(always)]
fn sums<S: Simd, const N: usize, const WIDE: usize>(simd: S, work: [Work<'_>; N]) -> [f32; N] {
    let chunks = work[0].0.len() / STRANDS;
    let (mut taps, mut frames): ([Rows<'_, S, WIDE>; N], [Rows<'_, S, WIDE>; N]) = ([&[]; N], [&[]; N]);
    for (nth, work) in work.iter().enumerate() {
        taps[nth] = &S::as_simd_f32s(work.0).0.as_chunks().0[..chunks];
        frames[nth] = &S::as_simd_f32s(work.1).0.as_chunks().0[..chunks];
    }
    let mut totals = [[simd.splat_f32s(0.0); WIDE]; N];
    for chunk in 0..chunks {
        for (nth, totals) in totals.iter_mut().enumerate() {
            for (wide, total) in totals.iter_mut().enumerate() {
                let product = simd.mul_f32s(taps[nth][chunk][wide], frames[nth][chunk][wide]);
                *total = simd.add_f32s(*total, product);
            }
        }
    }
    let mut sums = [0.0; N];
    for (sum, totals) in sums.iter_mut().zip(&totals) {
        let mut strands = [0.0; STRANDS];
        S::as_mut_simd_f32s(&mut strands).0.copy_from_slice(totals);
        *sum = total(strands);
    }
    sums
}

/// All strands together, the halves beside each other.
#[inline(always)]
fn total(mut strands: [f32; STRANDS]) -> f32 {
    for strand in 0..8 {
        strands[strand] += strands[strand + 8];
    }
    for strand in 0..4 {
        strands[strand] += strands[strand + 4];
    }
    (strands[0] + strands[2]) + (strands[1] + strands[3])
}

/// A fraction in its lowest terms.
fn reduced(above: u64, below: u64) -> (u64, u64) {
    let (mut divisor, mut rest) = (above, below);
    while rest > 0 {
        (divisor, rest) = (rest, divisor % rest);
    }
    (above / divisor, below / divisor)
}

/// Adds a channel's share to the middle.
#[inline(always)]
fn add_share(middle: &mut [f32], samples: &[f64], share: f64) {
    for (middle, sample) in middle.iter_mut().zip(samples) {
        let part = share * sample;
        let part = if part.abs() < SOFTEST { 0.0 } else { part };
        *middle += part.clamp(-LOUDEST, LOUDEST) as f32;
    }
}

impl Filter {
    /// Lets everything pass.
    fn nothing() -> Self {
        let mut taps = vec![0.0; STRANDS];
        taps[0] = 1.0;
        Self { first: 0, taps }
    }

    /// A sinc under a Blackman window, with a sum of 1, for a sample at this part of a source frame; `ratio` is the target
    /// rate over the source's.
    fn new(factor: usize, ratio: f64, part: f64) -> Self {
        use std::f64::consts::PI;
        let cut = CUT_OFF / factor as f64;
        let end = (REACH * factor + 1) as f64;
        let tap = |frame: i64| {
            let x = (frame as f64 - part) * ratio;
            let sinc = if x == 0.0 { 2.0 * cut } else { libm::sin(2.0 * PI * cut * x) / (PI * x) };
            let turn = PI * (x / end);
            let window = 0.42 + 0.5 * libm::cos(turn) + 0.08 * libm::cos(2.0 * turn);
            if x.abs() < end { sinc * window } else { 0.0 }
        };
        let reach = (end / ratio).ceil() as i64;
        let mut taps: Vec<f64> = (1 - reach..=reach).map(tap).collect();
        let sum: f64 = taps.iter().sum();
        for tap in &mut taps {
            *tap /= sum;
        }
        taps.resize(taps.len().next_multiple_of(STRANDS), 0.0);
        Self {
            first: 1 - reach,
            taps: taps.into_iter().map(|tap| if tap.abs() < LEAST_TAP { 0.0 } else { tap as f32 }).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::signal::{noise, sine};

    fn decimate(channels: &[Vec<f64>], rate_hz: u32, piece: usize) -> Vec<f32> {
        let mut decimator = Decimator::new(rate_hz, rate_hz);
        let mut out = Vec::new();
        let frames = channels[0].len();
        for from in (0..frames).step_by(piece) {
            let to = (from + piece).min(frames);
            let part = channels.iter().map(|channel| channel[from..to].to_vec()).collect();
            decimator.push(&Block::from_channels(part), &mut out);
        }
        decimator.finish(&mut out);
        out
    }

    #[test]
    fn how_the_stream_is_cut_does_not_matter() {
        let channels = [noise(1, 0.5, 9_001), noise(2, 0.5, 9_001)];
        let whole = decimate(&channels, 48_000, 9_001);
        assert_eq!(whole.len(), 1126);
        for piece in [1, 7, 8, 1000] {
            assert_eq!(whole, decimate(&channels, 48_000, piece), "{piece}");
        }
    }

    /// A sine of 1 kHz keeps amplitude and place; one of 10 kHz is gone (−60 dB and below).
    #[test]
    fn what_is_kept_stands_where_it_stood() {
        let kept = decimate(&[sine(1000.0, 0.5, 48_000, 48_000)], 48_000, 4096);
        let wanted = sine(1000.0, 0.5, 6000, 6000);
        for (found, wanted) in kept.iter().zip(&wanted).skip(100).take(5800) {
            assert!((f64::from(*found) - wanted).abs() < 1e-3, "{found} {wanted}");
        }
        let gone = decimate(&[sine(10_000.0, 0.5, 48_000, 48_000)], 48_000, 4096);
        assert!(gone[100..5900].iter().all(|x| x.abs() < 0.0005));
    }

    /// A sweep that was sampled at any rate gives the samples that it gives at the target rate, up to what the window lets
    /// through of images and folds.
    #[test]
    fn rates_of_the_stream_give_the_same_samples() {
        let sweep = |rate_hz: u32| -> Vec<f64> {
            let phase = |t: f64| 2.0 * std::f64::consts::PI * (50.0 * t + 0.5 * 1700.0 * t * t);
            (0..2 * rate_hz).map(|n| 0.5 * libm::sin(phase(f64::from(n) / f64::from(rate_hz)))).collect()
        };
        for to_hz in [44_100, 48_000, 96_000] {
            let wanted = decimate(&[sweep(to_hz)], to_hz, 999);
            for from_hz in [22_050, 44_100, 44_101, 48_000, 88_200, 96_000, 192_000] {
                let mut decimator = Decimator::new(from_hz, to_hz);
                let mut found = Vec::new();
                decimator.push(&Block::from_channels(vec![sweep(from_hz)]), &mut found);
                decimator.finish(&mut found);
                assert!(found.len().abs_diff(wanted.len()) <= 1, "{from_hz} {}", found.len());
                let pairs = wanted.iter().zip(&found).skip(100).take(wanted.len() - 200);
                let worst = pairs.fold(0.0f32, |worst, (a, b)| worst.max((a - b).abs()));
                assert!(worst < 2e-4, "{from_hz} to {to_hz}: {worst}");
            }
        }
    }

    /// The promise that registers of any width give the same bytes: one lane, four, eight, sixteen, and this processor's.
    #[test]
    fn width_changes_no_bit() {
        use pulp::{Scalar, Scalar128b, Scalar256b, Scalar512b};
        let rows: Vec<Vec<f32>> =
            (1..=8).map(|seed| noise(seed, 0.5, 48).iter().map(|x| *x as f32).collect()).collect();
        let work = || Sums::<4>(std::array::from_fn(|nth| (&rows[nth][..], &rows[4 + nth][..])));
        let scalar = work().with_simd(Scalar::new());
        assert_eq!(work().with_simd(Scalar128b), scalar);
        assert_eq!(work().with_simd(Scalar256b), scalar);
        assert_eq!(work().with_simd(Scalar512b), scalar);
        assert_eq!(Arch::new().dispatch(work()), scalar);
    }

    /// What no file holds gives no more than a great number, and what is nearly nothing gives nothing.
    #[test]
    fn far_too_loud_and_far_too_soft() {
        let loud = decimate(&[vec![1e300; 2000], vec![-1e-300; 2000]], 48_000, 500);
        assert!(loud.iter().all(|x| x.is_finite()) && (0.9e30..1.1e30).contains(&loud[100]), "{}", loud[100]);
        assert!(decimate(&[vec![1e-31; 2000]], 48_000, 500).iter().all(|x| *x == 0.0));
    }

    #[test]
    fn low_rates_pass_as_they_are() {
        let samples = noise(3, 0.5, 500);
        let found = decimate(std::slice::from_ref(&samples), 8000, 33);
        assert!(found.iter().zip(&samples).all(|(a, b)| (f64::from(*a) - b).abs() < 1e-7));
        assert_eq!(found.len(), 500);
    }
}
