//! Invented songs with their rough mixes: who plays when, how each file says where it starts, and what was done to the mix.

use std::path::PathBuf;

use loadin_audio::{Block, Resampler};
use loadin_tests::Delivery;

use super::band::{Dice, drum, line, noise};

pub(super) const RATE: u32 = 48_000;

/// One o'clock in seconds.
const HOUR: u64 = 3600;

/// How the files of a song say where they start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Placing {
    /// Every file starts at its entry and has a stamp.
    Stamped,
    /// Every file has the whole length.
    Whole,
    /// Some have a stamp, the others the whole length.
    Mixed,
    /// As mixed, but some start at their entry and have no stamp.
    Open,
    /// As stamped, with two rates.
    Rates,
}

pub(super) const PLACINGS: [Placing; 5] =
    [Placing::Stamped, Placing::Whole, Placing::Mixed, Placing::Open, Placing::Rates];

/// Thirty roles.
pub(super) const ROLES: [&str; 30] = [
    "Kick",
    "Bass",
    "Piano",
    "Snare",
    "Lead Vox",
    "Pad",
    "Hat",
    "Guitar",
    "Strings",
    "Tom",
    "Organ",
    "Choir",
    "Clap",
    "Synth Bass",
    "Brass",
    "Shaker",
    "Acoustic",
    "Flute",
    "Conga",
    "Backing Vox",
    "Harp",
    "Rim",
    "Clav",
    "Sax",
    "Cowbell",
    "Banjo",
    "Cello",
    "Tambourine",
    "Marimba",
    "Bells",
];

/// A part of a song.
pub(super) struct Part {
    pub(super) name: String,
    pub(super) rate_hz: u32,
    /// Its sound in the time line of the song, at its own rate.
    pub(super) sound: Vec<f64>,
    /// First frame of its file in the song, at its own rate.
    pub(super) start: usize,
    /// Whether the file has a stamp.
    pub(super) stamped: bool,
    /// As it is in the mix, at the rate of the mix.
    pub(super) in_mix: Vec<f64>,
    pan: f64,
}

pub(super) struct Song {
    pub(super) parts: Vec<Part>,
    frames: usize,
}

/// What a mix went through.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Processing {
    /// A limiter at −1 dBFS that turns the loudest peak down by so many dB.
    Limited(f64),
    /// A curve that bends as a tape does.
    Tape,
    /// Sides that are louder against the middle.
    Wide,
}

impl Song {
    /// A song of `seconds` with these roles.
    pub(super) fn new(seed: u64, seconds: usize, roles: &[&str], placing: Placing) -> Self {
        let mut dice = Dice::new(seed);
        let parts =
            roles.iter().enumerate().map(|(index, role)| part(&mut dice, index, role, seconds, placing));
        Self { parts: parts.collect(), frames: seconds * RATE as usize }
    }

    /// The sum of all parts, each where it is panned.
    pub(super) fn mix(&self) -> Vec<Vec<f64>> {
        let mut sides = vec![vec![0.0; self.frames]; 2];
        for part in &self.parts {
            let angle = part.pan * std::f64::consts::FRAC_PI_2;
            for (side, gain) in sides.iter_mut().zip([angle.cos(), angle.sin()]) {
                side.iter_mut().zip(&part.in_mix).for_each(|(sum, x)| *sum += gain * x);
            }
        }
        sides
    }

    /// Writes all files but the mix.
    pub(super) fn write(&self, delivery: &Delivery) {
        for part in &self.parts {
            part.write(delivery, &part.name);
        }
    }

    /// Levels of all parts in the mix below 2.5 kHz, in dB, by the middle of the channels.
    pub(super) fn levels_db(&self) -> Vec<f64> {
        let mix = self.mix();
        let middle: Vec<f64> = mix[0].iter().zip(&mix[1]).map(|(l, r)| 0.5 * (l + r)).collect();
        let all = energy_below(&middle, 2500.0, RATE);
        let level = |part: &Part| {
            let angle = part.pan * std::f64::consts::FRAC_PI_2;
            let gain = 0.5 * (angle.cos() + angle.sin());
            10.0 * (gain * gain * energy_below(&part.in_mix, 2500.0, RATE) / all).log10()
        };
        self.parts.iter().map(level).collect()
    }
}

/// Energy between 40 Hz and `hz`.
pub(super) fn energy_below(sound: &[f64], hz: f64, rate_hz: u32) -> f64 {
    energy_between(sound, 40.0, hz, rate_hz)
}

pub(super) fn energy_between(sound: &[f64], low_hz: f64, high_hz: f64, rate_hz: u32) -> f64 {
    let forward = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(sound.len());
    let mut bins = forward.make_output_vec();
    forward.process(&mut sound.to_vec(), &mut bins).unwrap();
    let bin = |hz: f64| (hz / f64::from(rate_hz) * sound.len() as f64) as usize;
    bins[bin(low_hz)..bin(high_hz)].iter().map(realfft::num_complex::Complex::norm_sqr).sum()
}

/// A part of a song: drums, lines, held chords and noise, over 24 dB of level; half of them play only for a while.
fn part(dice: &mut Dice, index: usize, role: &str, seconds: usize, placing: Placing) -> Part {
    let stamped = match placing {
        Placing::Stamped | Placing::Rates => true,
        Placing::Whole => false,
        Placing::Mixed => index.is_multiple_of(2),
        Placing::Open => index % 3 != 2 || index < 3,
    };
    let rate_hz = if placing == Placing::Rates && index % 3 == 1 { 44_100 } else { RATE };
    let open = placing == Placing::Open && !stamped;
    let length = seconds as f64;
    let (from, to) = if index >= 3 && (open || index % 2 == 1) {
        let from = dice.between(0.05, 0.5) * length;
        (from, dice.between(from + 6.0, length - 0.5))
    } else {
        (0.0, length)
    };
    let frames = seconds * rate_hz as usize;
    let low_hz = 60.0 * 2f64.powf(dice.between(0.0, 4.0));
    let every = 60.0 / 110.0 * [0.5, 1.0, 2.0][dice.of(3)];
    let mut sound = match index % 5 {
        0 => drum(dice, low_hz, every, rate_hz, frames),
        3 => held(dice, low_hz, rate_hz, frames),
        4 if index > 4 => noise(dice, 0.3, frames),
        _ => line(dice, low_hz, rate_hz, frames),
    };
    let (first, last) = ((from * f64::from(rate_hz)) as usize, (to * f64::from(rate_hz)) as usize);
    sound[..first].fill(0.0);
    sound[last..].fill(0.0);
    let rms = (sound.iter().map(|x| x * x).sum::<f64>() / (last - first) as f64).sqrt();
    let gain = 0.04 * 10f64.powf(-dice.between(0.0, 24.0) / 20.0) / rms.max(1e-9);
    for x in &mut sound {
        *x *= gain;
    }
    // The first stem of a stamped song starts with it, so that the song has a start.
    let start = if (stamped || open) && index > 1 { first } else { 0 };
    // A program puts a file on a frame of its own clock.
    let placed = (start as f64 * f64::from(RATE) / f64::from(rate_hz)).round() as usize;
    let in_mix = if rate_hz == RATE {
        sound.clone()
    } else {
        laid(&resampled(&sound[start..], rate_hz, RATE), placed)
    };
    Part { name: format!("{role}.wav"), rate_hz, sound, start, stamped, in_mix, pan: dice.between(0.2, 0.8) }
}

fn laid(sound: &[f64], at: usize) -> Vec<f64> {
    std::iter::repeat_n(0.0, at).chain(sound.iter().copied()).collect()
}

/// Held chords.
fn held(dice: &mut Dice, low_hz: f64, rate_hz: u32, frames: usize) -> Vec<f64> {
    let bar = (60.0 / 110.0 * 4.0 * f64::from(rate_hz)) as usize;
    let mut out = vec![0.0; frames];
    for start in (0..frames).step_by(bar) {
        let root = low_hz.min(400.0) * 2f64.powf([0.0, 3.0, 5.0, 7.0][dice.of(4)] / 12.0);
        let voices: Vec<(f64, f64)> =
            [0.0, 4.0, 7.0].iter().map(|s| (root * 2f64.powf(s / 12.0), dice.between(0.0, 6.3))).collect();
        for (n, sample) in out[start..frames.min(start + bar)].iter_mut().enumerate() {
            let t = n as f64 / f64::from(rate_hz);
            let shape = (t / 0.3).min(1.0) * ((bar - n) as f64 / (0.1 * f64::from(rate_hz))).min(1.0);
            let tone = |(hz, phase): &(f64, f64)| {
                (1..5)
                    .map(|k| {
                        (std::f64::consts::TAU * hz * f64::from(k) * t + phase * f64::from(k)).sin()
                            / f64::from(k * k)
                    })
                    .sum::<f64>()
            };
            *sample += shape * voices.iter().map(tone).sum::<f64>();
        }
    }
    out
}

impl Part {
    /// Writes its file under `name`.
    pub(super) fn write(&self, delivery: &Delivery, name: &str) -> PathBuf {
        let end = if self.start > 0 { self.end() } else { self.sound.len() };
        let sound = vec![self.sound[self.start..end].to_vec()];
        if self.stamped {
            let stamp = HOUR * u64::from(self.rate_hz) + self.start as u64;
            delivery.stamped(name, self.rate_hz, stamp, &sound)
        } else {
            delivery.wav(name, self.rate_hz, 24, &sound)
        }
    }

    /// One past its last frame with sound.
    fn end(&self) -> usize {
        self.sound.iter().rposition(|x| *x != 0.0).map_or(0, |last| last + 1)
    }

    /// From when to when it is heard, in seconds: where it is above a hundredth of its own peak.
    pub(super) fn span(&self) -> (f64, f64) {
        let peak = self.sound.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
        let heard = |x: &f64| x.abs() > 0.01 * peak;
        let seconds = |frame: usize| frame as f64 / f64::from(self.rate_hz);
        let first = self.sound.iter().position(heard).unwrap_or(0);
        (seconds(first), seconds(self.sound.iter().rposition(heard).unwrap_or(0)))
    }
}

pub(super) fn resampled(samples: &[f64], from_hz: u32, to_hz: u32) -> Vec<f64> {
    let mut resampler = Resampler::new(from_hz, to_hz, 1);
    let mut block = Block::from_channels(vec![samples.to_vec()]);
    resampler.process(&mut block);
    let mut rest = Block::new(1);
    loop {
        rest.clear();
        resampler.finish(&mut rest);
        if rest.is_empty() {
            return block.channel(0).to_vec();
        }
        block.append(&rest, 0, rest.frames());
    }
}

/// A mix after its processing.
pub(super) fn processed(mix: &[Vec<f64>], processing: Processing) -> Vec<Vec<f64>> {
    let peak = mix.iter().flatten().fold(0.0f64, |peak, x| peak.max(x.abs()));
    match processing {
        Processing::Limited(db) => limited(mix, 10f64.powf((db - 1.0) / 20.0) / peak),
        Processing::Tape => mix
            .iter()
            .map(|side| side.iter().map(|x| 0.8 * (1.2 * x / peak).tanh() / 1.2f64.tanh()).collect())
            .collect(),
        Processing::Wide => {
            let side = |sign: f64| {
                let pairs = mix[0].iter().zip(&mix[1]);
                pairs.map(|(l, r)| 0.4 * (l + r) + sign * 0.8 * (l - r)).collect()
            };
            vec![side(1.0), side(-1.0)]
        }
    }
}

/// A limiter that looks 1.5 ms ahead and comes back in 80 ms.
fn limited(mix: &[Vec<f64>], gain: f64) -> Vec<Vec<f64>> {
    let ceiling = 10f64.powf(-1.0 / 20.0);
    let ahead = (0.0015 * f64::from(RATE)) as usize;
    let back = (-1.0 / (0.08 * f64::from(RATE))).exp();
    let need: Vec<f64> = (0..mix[0].len())
        .map(|n| (ceiling / (gain * mix[0][n].abs().max(mix[1][n].abs())).max(1e-9)).min(1.0))
        .collect();
    let mut held = 1.0f64;
    let curve: Vec<f64> = (0..need.len())
        .map(|n| {
            let least = need[n..need.len().min(n + ahead)].iter().copied().fold(1.0, f64::min);
            held = if least < held { least } else { least + (held - least) * back };
            held
        })
        .collect();
    let smooth = |n: usize| {
        let part = &curve[n.saturating_sub(ahead - 1)..=n];
        part.iter().sum::<f64>() / part.len() as f64
    };
    let gains: Vec<f64> = (0..curve.len()).map(|n| gain * smooth(n)).collect();
    mix.iter()
        .map(|side| side.iter().zip(&gains).map(|(x, gain)| (x * gain).clamp(-ceiling, ceiling)).collect())
        .collect()
}
