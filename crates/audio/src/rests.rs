//! The level at which a channel rests: an offset stands there as well, the lean of an asymmetric sound does not. Knows
//! nothing of what follows from it.

use crate::EnvelopeOf;
use crate::silence::SILENCE;

/// Length of a stretch in seconds: whole turns of both 50 and 60 Hz, so that hum has no level of its own.
const STRETCH_SECONDS: f64 = 0.1;

/// Stretches within this span of time, in stretches, are one witness of how the level moves along the stream.
const WITNESS: usize = 10;

/// Below this a swing is none: less than a step of 24 bits, and more than what `f32` rounds off an offset of full scale.
const NO_SWING: f64 = 1e-7;

/// The part of all stretches that must be louder for the lean of the sound to be known from them.
const LOUD_SHARE: usize = 10;

/// How a channel rests. Digital silence has no say.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rests {
    /// Mean of all that is not digital silence.
    pub mean: f64,
    /// Level of the quietest stretches: all of those that swing at most twice as much as the quietest hundredth.
    pub level: f64,
    /// From the 10th to the 90th percentile of that level along the stream.
    pub spread: f64,
    /// How far they swing around it: half of what lies between their least and greatest sample, the middle of all.
    pub swing: f64,
    /// How far the louder stretches lean to one side, as a part of their swing; of the quietest where hardly any is louder.
    pub lean: f64,
    /// Whether there is a stretch at all.
    pub certain: bool,
}

/// A tenth of a second.
struct Stretch {
    /// Its first window.
    first: usize,
    swing: f64,
    mean: f64,
}

/// Judges the windows of an envelope of so many `frames`.
pub fn rests(envelope: &EnvelopeOf, window_frames: u64, frames: u64, rate_hz: u32) -> Rests {
    let window = window_frames.max(1);
    let sums: Vec<f64> = envelope.sum.iter().map(|&sum| f64::from(sum)).collect();
    let whole = ((frames / window) as usize).min(sums.len());
    let long = (STRETCH_SECONDS * f64::from(rate_hz) / window as f64).ceil().max(1.0) as usize;
    let stretches = stretches(envelope, &sums[..whole], window as f64, long);
    let mean = mean(envelope, &sums, window, frames);
    if stretches.is_empty() {
        return Rests { mean, level: mean, ..Rests::default() };
    }
    let mut swings: Vec<f64> = stretches.iter().map(|stretch| stretch.swing).collect();
    swings.sort_by(f64::total_cmp);
    let quietest = swings[(swings.len() / 100).max(2).min(swings.len() - 1)];
    let (quiet, loud): (Vec<&Stretch>, Vec<&Stretch>) =
        stretches.iter().partition(|stretch| stretch.swing <= 2.0 * quietest + NO_SWING);
    let middle = percentile(quiet.iter().map(|stretch| stretch.mean).collect(), 0.5);
    let near = |stretch: &&&Stretch| (stretch.mean - middle).abs() <= quietest + NO_SWING;
    let level = level(envelope, &sums, window as f64, quiet.iter().filter(near).map(|s| s.first), long);
    let witnesses = witnesses(&quiet, WITNESS * long);
    let leaning = if loud.len() * LOUD_SHARE >= stretches.len() { &loud } else { &quiet };
    let swing_of = |all: &[&Stretch]| all.iter().map(|stretch| stretch.swing).sum::<f64>();
    let leans = leaning.iter().map(|stretch| stretch.mean).sum::<f64>().abs();
    let swung = swing_of(leaning);
    let swing = percentile(quiet.iter().map(|stretch| stretch.swing).collect(), 0.5);
    // Rests that are shorter than a stretch are in none of them alone: the ends of notes leak into its level.
    let short = short_rests(envelope, whole).filter(|value| (value - level).abs() <= swing);
    Rests {
        mean,
        level: short.unwrap_or(level),
        spread: percentile(witnesses.clone(), 0.9) - percentile(witnesses, 0.1),
        swing,
        lean: if swung > 0.0 { leans / swung } else { 0.0 },
        certain: true,
    }
}

fn is_silent(envelope: &EnvelopeOf, window: usize) -> bool {
    f64::from(envelope.max[window].max(-envelope.min[window])) <= SILENCE
}

/// The value on which windows rest exactly, where all that do agree: in two places or more, and a twentieth of the sound at
/// least.
fn short_rests(envelope: &EnvelopeOf, whole: usize) -> Option<f64> {
    let (mut active, mut still, mut places) = (0, 0, 0);
    let mut only: Option<f32> = None;
    let mut rested = false;
    for window in (0..whole).filter(|&window| !is_silent(envelope, window)) {
        active += 1;
        let (low, high) = (envelope.min[window], envelope.max[window]);
        let rests = low == high;
        if rests {
            still += 1;
            places += usize::from(!rested);
            if *only.get_or_insert(low) != low {
                return None;
            }
        }
        rested = rests;
    }
    only.map(f64::from).filter(|_| places >= 2 && still * 20 >= active)
}

fn mean(envelope: &EnvelopeOf, sums: &[f64], window: u64, frames: u64) -> f64 {
    let length = |index: usize| window.min(frames.saturating_sub(index as u64 * window));
    let active = || (0..sums.len()).filter(|&index| !is_silent(envelope, index));
    let count: u64 = active().map(length).sum();
    if count == 0 { 0.0 } else { active().map(|index| sums[index]).sum::<f64>() / count as f64 }
}

/// Every stretch of `long` whole windows without digital silence in it, from every window on.
fn stretches(envelope: &EnvelopeOf, sums: &[f64], window_frames: f64, long: usize) -> Vec<Stretch> {
    let mut active = 0;
    let mut found = Vec::new();
    for end in 0..sums.len() {
        active = if is_silent(envelope, end) { 0 } else { active + 1 };
        if active < long {
            continue;
        }
        let range = end + 1 - long..end + 1;
        let low = envelope.min[range.clone()].iter().copied().fold(f32::INFINITY, f32::min);
        let high = envelope.max[range.clone()].iter().copied().fold(f32::NEG_INFINITY, f32::max);
        let sum: f64 = sums[range.clone()].iter().sum();
        let swing = (f64::from(high) - f64::from(low)) / 2.0;
        found.push(Stretch { first: range.start, swing, mean: sum / (window_frames * long as f64) });
    }
    found
}

/// Mean of the windows in these stretches, each counted once; exact where they all rest on one value.
fn level(
    envelope: &EnvelopeOf,
    sums: &[f64],
    window_frames: f64,
    firsts: impl Iterator<Item = usize>,
    long: usize,
) -> f64 {
    let (mut sum, mut count, mut next) = (0.0, 0.0, 0);
    let mut only: Option<f32> = None;
    let mut constant = true;
    for first in firsts {
        let new = first.max(next)..first + long;
        sum += sums[new.clone()].iter().sum::<f64>();
        count += window_frames * new.len() as f64;
        for (&low, &high) in envelope.min[new.clone()].iter().zip(&envelope.max[new]) {
            let value = *only.get_or_insert(low);
            constant &= low == value && high == value;
        }
        next = first + long;
    }
    match only {
        Some(value) if constant => f64::from(value),
        _ if count > 0.0 => sum / count,
        _ => 0.0,
    }
}

/// The mean level of the quiet stretches in every span of so many windows that has some.
fn witnesses(quiet: &[&Stretch], span: usize) -> Vec<f64> {
    let same = |a: &&Stretch, b: &&Stretch| a.first / span == b.first / span;
    let mean = |group: &[&Stretch]| group.iter().map(|s| s.mean).sum::<f64>() / group.len() as f64;
    quiet.chunk_by(same).map(mean).collect()
}

fn percentile(mut values: Vec<f64>, part: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(((values.len() as f64 - 1.0) * part).round() as usize).copied().unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Block, Envelope, signal};

    const RATE: u32 = 8000;

    fn judged(samples: &[f64]) -> Rests {
        let mut meter = Envelope::new(1, RATE);
        meter.push(&Block::from_channels(vec![samples.to_vec()]));
        let (window, channels) = meter.finish();
        rests(&channels[0], window, samples.len() as u64, RATE)
    }

    /// Notes of half a second that lean to one side by 0.18 of their swing, with as long rests.
    fn notes(rest: impl Fn(usize) -> f64) -> Vec<f64> {
        let note = |n: usize| {
            let turn = std::f64::consts::TAU * 110.0 * n as f64 / f64::from(RATE);
            let fade = (std::f64::consts::PI * n as f64 / 4000.0).sin();
            fade * (0.3 * turn.sin() + 0.1)
        };
        (0..80_000).map(|n| if n % 8000 < 4000 { note(n % 8000) } else { 0.0 } + rest(n)).collect()
    }

    /// Rests of 90 ms between notes of 410 ms: shorter than a stretch, and exact all the same.
    #[test]
    fn an_offset_is_exact_in_rests_that_are_shorter_than_a_stretch() {
        let offset = 587_203.0 / 8_388_608.0;
        let sound = |frames: usize, offset: f64| -> Vec<f64> {
            let note = |n: usize| 0.2 * (std::f64::consts::TAU * 220.0 * n as f64 / f64::from(RATE)).sin();
            (0..frames).map(|n| offset + if n % 4000 < 3280 { note(n % 4000) } else { 0.0 }).collect()
        };
        assert_eq!(judged(&sound(80_000, offset)).level, offset);
        // One value that is held once is no rest: an export that got stuck.
        let mut stuck = sound(80_000, 0.0);
        stuck[40_000..40_800].fill(0.01);
        assert!(judged(&stuck).level.abs() < 0.001, "{:?}", judged(&stuck));
    }

    #[test]
    fn an_offset_stands_in_the_rests_and_a_lean_does_not() {
        // A value that 24 bits hold.
        let offset = 838_861.0 / 8_388_608.0;
        let found = judged(&notes(|_| offset));
        assert!(found.certain && found.level == offset && found.swing < NO_SWING, "{found:?}");
        assert!(found.spread < 1e-7 && found.mean > offset + 0.03, "{found:?}");
        let found = judged(&notes(|_| 0.0));
        assert!(found.swing * found.lean > found.level / 2.0, "digital silence has no say: {found:?}");
        let hiss = signal::noise(3, 1e-4, 80_000);
        let found = judged(&notes(|n| hiss[n]));
        assert!(found.level.abs() < 1e-5 && found.mean > 0.03, "{found:?}");
    }

    /// The level of noise is as sure as its mean: four times RMS over the root of the frames would be far off.
    #[test]
    fn the_level_of_noisy_rests_is_their_mean() {
        let hiss = signal::noise(5, 0.01, 80_000);
        let found = judged(&notes(|n| 0.02 + hiss[n]));
        let resting = (0..80_000).filter(|n| n % 8000 >= 4000).map(|n| hiss[n]);
        let (mean, rms) = (
            resting.clone().sum::<f64>() / 40_000.0,
            (resting.map(|x| x * x).sum::<f64>() / 40_000.0).sqrt(),
        );
        assert!((found.level - 0.02 - mean).abs() < 4.0 * rms / 200.0, "{found:?}");
        assert!(found.spread < 0.002 && (0.009..0.011).contains(&found.swing), "{found:?}");
    }

    #[test]
    fn a_level_that_moves_has_a_spread() {
        let tone = signal::sine(100.0, 0.25, RATE, 64_000);
        let drifting: Vec<f64> = (0..64_000).map(|n| tone[n] + 0.03 * n as f64 / 64_000.0).collect();
        let found = judged(&drifting);
        assert!(found.spread > 0.015 && (found.level - 0.015).abs() < 1e-3, "{found:?}");
        let steady: Vec<f64> = tone.iter().map(|sample| sample + 0.01).collect();
        let found = judged(&steady);
        assert!(found.spread < 1e-6 && (found.level - 0.01).abs() < 1e-7, "{found:?}");
        assert!((found.lean - 0.04).abs() < 0.001, "nothing is louder, so it may lean: {found:?}");
    }

    #[test]
    fn too_little_sound_says_nothing() {
        let found = judged(&vec![0.1; 700]);
        assert_eq!((found.certain, found.level), (false, found.mean));
        assert!((found.mean - 0.1).abs() < 1e-8);
        assert_eq!(judged(&vec![0.0; 8000]), Rests::default());
        assert_eq!(judged(&[]), Rests::default());
    }
}
