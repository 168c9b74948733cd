//! A voice-like sound: a pulse with vibrato behind five formants, and consonants of noise.

use std::f64::consts::{PI, TAU};

use libm::{cos, exp, pow, sin};

use crate::noise::{Section, white};
use crate::song::{Onset, Syllable, Vowel, hz};
use crate::synth::{RATE_HZ, frames, ramp};

/// Centre in Hz, level in dB, bandwidth in Hz. Values of a handbook table for a low female voice, from memory.
type Formants = [(f64, f64, f64); 5];

fn formants(vowel: Vowel) -> Formants {
    match vowel {
        Vowel::A => [
            (800.0, 0.0, 80.0),
            (1150.0, -4.0, 90.0),
            (2800.0, -20.0, 120.0),
            (3500.0, -36.0, 130.0),
            (4950.0, -60.0, 140.0),
        ],
        Vowel::E => [
            (400.0, 0.0, 60.0),
            (1600.0, -24.0, 80.0),
            (2700.0, -30.0, 120.0),
            (3300.0, -35.0, 150.0),
            (4950.0, -60.0, 200.0),
        ],
        Vowel::O => [
            (450.0, 0.0, 70.0),
            (800.0, -9.0, 80.0),
            (2830.0, -16.0, 100.0),
            (3500.0, -28.0, 130.0),
            (4950.0, -55.0, 135.0),
        ],
        Vowel::U => [
            (325.0, 0.0, 50.0),
            (700.0, -12.0, 60.0),
            (2530.0, -30.0, 170.0),
            (3500.0, -40.0, 180.0),
            (4950.0, -64.0, 200.0),
        ],
    }
}

/// A two-pole resonator with zeros at both ends of the band; its greatest gain is 1.
#[derive(Default, Clone, Copy)]
struct Resonator {
    gain: f64,
    b: [f64; 2],
    x: [f64; 2],
    y: [f64; 2],
}

impl Resonator {
    fn tune(&mut self, centre_hz: f64, bandwidth_hz: f64, level: f64) {
        let radius = exp(-PI * bandwidth_hz / f64::from(RATE_HZ));
        self.gain = level * (1.0 - radius * radius) / 2.0;
        self.b = [2.0 * radius * cos(TAU * centre_hz / f64::from(RATE_HZ)), -radius * radius];
    }

    fn next(&mut self, x: f64) -> f64 {
        let y = self.gain * (x - self.x[1]) + self.b[0] * self.y[0] + self.b[1] * self.y[1];
        self.x = [x, self.x[0]];
        self.y = [y, self.y[0]];
        y
    }
}

/// Who sings.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Singer {
    /// Seed of breath, drift and consonants.
    pub(crate) seed: u64,
    /// Size of the mouth: formants are multiplied by this.
    pub formant_scale: f64,
    /// Vibrato in Hz.
    pub vibrato_hz: f64,
    /// How late the singer is, in seconds.
    pub(crate) late: f64,
}

/// How much later than its consonant a vowel starts, in seconds.
const ONSET_SECONDS: f64 = 0.02;

/// Frames between two settings of the formants.
const CONTROL: usize = 32;

/// Sings a line at 48 kHz.
pub(crate) fn sing(line: &[Syllable], singer: &Singer) -> Vec<f64> {
    let mut out = vec![0.0; frames(RATE_HZ)];
    vowels(line, singer, &mut out);
    consonants(line, singer, &mut out);
    let mut low_cut = Section::high_pass(90.0, 0.707, RATE_HZ);
    for sample in &mut out {
        *sample = low_cut.next(*sample);
    }
    out
}

fn vowels(line: &[Syllable], singer: &Singer, out: &mut [f64]) {
    let rate = f64::from(RATE_HZ);
    let mut resonators = [Resonator::default(); 5];
    let mut mouth = formants(line[0].vowel);
    let (mut theta, mut pitch, mut current) = (0.0, line[0].note.key, 0);
    for (frame, sample) in out.iter_mut().enumerate() {
        let t = frame as f64 / rate - singer.late - ONSET_SECONDS;
        while current + 1 < line.len() && line[current + 1].note.at <= t {
            current += 1;
        }
        let syllable = &line[current];
        let since = t - syllable.note.at;
        // The voice slides from key to key in about 30 ms, and so does the mouth from vowel to vowel.
        pitch += (syllable.note.key - pitch) / (0.018 * rate);
        if frame % CONTROL == 0 {
            shape(&mut mouth, &formants(syllable.vowel));
            for (resonator, (centre, level, width)) in resonators.iter_mut().zip(mouth) {
                resonator.tune(centre * singer.formant_scale, width * 1.3, pow(10.0, level / 20.0));
            }
        }
        let depth = 0.28 * ramp((since - 0.18) / 0.35);
        let drift = 0.05 * sin(TAU * 0.71 * t + singer.seed as f64);
        let f0 = hz(pitch + drift + depth * sin(TAU * singer.vibrato_hz * t));
        theta = (theta + TAU * f0 / rate) % TAU;
        let held = syllable.note.seconds;
        let level = ramp(since / 0.045)
            * ramp((held + 0.05 - since) / 0.09)
            * (1.0 - 0.25 * (since / held).clamp(0.0, 1.0));
        let breath = 0.03 * white(singer.seed, frame as u64);
        let source = syllable.note.velocity * level * (pulse(theta) + breath);
        *sample = resonators.iter_mut().map(|resonator| resonator.next(source)).sum();
    }
}

/// All harmonics of `theta`, each 0.89 times the one below, in closed form: Σ rᵏ sin kθ.
fn pulse(theta: f64) -> f64 {
    const R: f64 = 0.89;
    R * sin(theta) / (1.0 - 2.0 * R * cos(theta) + R * R)
}

fn shape(mouth: &mut Formants, target: &Formants) {
    const SPEED: f64 = 0.035;
    for (now, wanted) in mouth.iter_mut().zip(target) {
        now.0 += SPEED * (wanted.0 - now.0);
        now.1 += SPEED * (wanted.1 - now.1);
        now.2 += SPEED * (wanted.2 - now.2);
    }
}

fn consonants(line: &[Syllable], singer: &Singer, out: &mut [f64]) {
    let rate = f64::from(RATE_HZ);
    for (number, syllable) in line.iter().enumerate() {
        // Start and length around the note, level, and the band of the noise.
        let (early, seconds, level, hz, q) = match syllable.onset {
            Onset::S => (0.075, 0.11, 0.16, 7_600.0, 1.4),
            Onset::T => (0.012, 0.03, 0.22, 4_200.0, 0.9),
            Onset::M => (0.05, 0.07, 0.03, 300.0, 2.0),
        };
        let mut band = Section::band_pass(hz, q, RATE_HZ);
        let start = syllable.note.at + singer.late - early;
        let first = (start * rate).ceil() as usize;
        let end = (((start + seconds) * rate) as usize).min(out.len());
        for (frame, sample) in out.iter_mut().enumerate().take(end).skip(first) {
            let t = frame as f64 / rate - start;
            let attack = if syllable.onset == Onset::T { 0.001 } else { 0.03 };
            let envelope = ramp(t / attack) * ramp((seconds - t) / (0.6 * seconds));
            *sample += level * envelope * band.next(white(singer.seed ^ (101 + number as u64), frame as u64));
        }
    }
}
