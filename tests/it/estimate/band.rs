//! An invented band: sounds that are as hard to tell apart as real ones are, with bleed, noise and unequal levels.

use std::f64::consts::TAU;

/// Random numbers that are the same for the same seed (splitmix64, Steele, Lea and Flood 2014).
pub(super) struct Dice(u64);

impl Dice {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Between 0 and 1.
    pub(super) fn part(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Between two values.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.part()
    }

    /// One of `n`.
    pub(super) fn of(&mut self, n: usize) -> usize {
        (self.part() * n as f64) as usize
    }
}

/// White noise between ±`level`.
pub(super) fn noise(dice: &mut Dice, level: f64, frames: usize) -> Vec<f64> {
    (0..frames).map(|_| dice.between(-level, level)).collect()
}

/// A line of notes, each with harmonics, an attack and a decay, detuned a little, with a breath of noise: a bass, a
/// guitar, a voice, by `low_hz`.
pub(super) fn line(dice: &mut Dice, low_hz: f64, rate_hz: u32, frames: usize) -> Vec<f64> {
    let rate = f64::from(rate_hz);
    let mut out = vec![0.0; frames];
    let mut at = 0;
    while at < frames {
        let length = (dice.between(0.15, 0.7) * rate) as usize;
        let hz = low_hz * 2f64.powf((dice.of(13) as f64 + dice.between(-0.05, 0.05)) / 12.0);
        let phases: Vec<f64> = (0..12).map(|_| dice.between(0.0, TAU)).collect();
        let level = dice.between(0.3, 1.0) * if dice.part() < 0.15 { 0.0 } else { 1.0 };
        for n in 0..length.min(frames - at) {
            let t = n as f64 / rate;
            let shape = (t / 0.008).min(1.0) * (-3.0 * t).exp();
            let tone: f64 = phases
                .iter()
                .enumerate()
                .map(|(k, phase)| {
                    let k = (k + 1) as f64;
                    (TAU * hz * k * t + phase).sin() / k * (-t * k).exp()
                })
                .sum();
            out[at + n] += level * shape * (0.4 * tone + 0.05 * dice.between(-1.0, 1.0));
        }
        at += length;
    }
    out
}

/// Hits on a grid with a human's timing, each a tone that falls and a burst of noise.
pub(super) fn drum(dice: &mut Dice, hz: f64, every_seconds: f64, rate_hz: u32, frames: usize) -> Vec<f64> {
    let rate = f64::from(rate_hz);
    let mut out = vec![0.0; frames];
    let mut beat = 0.0;
    while beat * every_seconds < frames as f64 / rate {
        let from = ((beat * every_seconds + dice.between(0.0, 0.008)) * rate) as usize;
        let level = dice.between(0.5, 1.0);
        for n in 0..(0.25 * rate) as usize {
            let t = n as f64 / rate;
            let Some(sample) = out.get_mut(from + n) else { break };
            let tone = (TAU * (hz * t + 0.6 * (1.0 - (-30.0 * t).exp()))).sin();
            *sample +=
                level * (0.6 * tone * (-18.0 * t).exp() + 0.25 * dice.between(-1.0, 1.0) * (-60.0 * t).exp());
        }
        beat += 1.0;
    }
    out
}

/// The signal `frames` later and times `gain`.
pub(super) fn later(samples: &[f64], frames: usize, gain: f64) -> Vec<f64> {
    let silence = std::iter::repeat_n(0.0, frames);
    silence.chain(samples.iter().map(|x| gain * x)).take(samples.len()).collect()
}

/// Sum of signals of one length.
pub(super) fn sum(parts: &[&[f64]]) -> Vec<f64> {
    (0..parts[0].len()).map(|n| parts.iter().map(|part| part[n]).sum()).collect()
}

/// An amplifier: bent, and dulled above about `hz`.
pub(super) fn amp(samples: &[f64], drive: f64, hz: f64, rate_hz: u32) -> Vec<f64> {
    let share = 1.0 - (-TAU * hz / f64::from(rate_hz)).exp();
    let mut held = 0.0;
    let bent = samples.iter().map(|x| (drive * x).tanh());
    bent.map(|x| {
        held += share * (x - held);
        held
    })
    .collect()
}
