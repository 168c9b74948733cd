//! The instruments. Pitched ones are functions of continuous time, so that a rendering at another rate is the same
//! sound at other instants, not a resampled one. Drums are noise and exist at 48 kHz alone.

use std::f64::consts::{PI, TAU};

use libm::{cos, exp, sin};

use crate::noise::{Section, white};
use crate::song::{Note, SECONDS};

/// The rate of most of the session.
pub(crate) const RATE_HZ: u32 = 48_000;

/// No partial lies above this, so that a conversion of the rate takes nothing away.
const HIGHEST_HZ: f64 = 18_000.0;

/// Frames of the whole delivery at `rate_hz`.
pub(crate) fn frames(rate_hz: u32) -> usize {
    (SECONDS * f64::from(rate_hz)).round() as usize
}

/// Half a cosine from 0 to 1 while `x` goes from 0 to 1.
pub(crate) fn ramp(x: f64) -> f64 {
    if x >= 1.0 {
        return 1.0;
    }
    0.5 - 0.5 * cos(PI * x.max(0.0))
}

/// The way to silence at the end of the delivery.
pub(crate) fn ending(t: f64) -> f64 {
    ramp((SECONDS - 0.04 - t) / 0.8)
}

/// Adds `sound` to `out` from `start` on for `seconds`; it gets the time since its start, exactly.
fn add(out: &mut [f64], rate_hz: u32, start: f64, seconds: f64, sound: impl Fn(f64) -> f64) {
    let rate = f64::from(rate_hz);
    let first = (start * rate).ceil().max(0.0) as usize;
    let last = ((start + seconds) * rate).ceil().max(0.0) as usize;
    let end = last.min(out.len());
    for (frame, sample) in out.iter_mut().enumerate().take(end).skip(first) {
        *sample += sound(frame as f64 / rate - start);
    }
}

/// Partials of `theta` whose amplitudes fall by `ratio` from one to the next.
fn partials(theta: f64, ratio: f64, count: usize) -> f64 {
    let twice_cos = 2.0 * cos(theta);
    let (mut before, mut now) = (0.0, sin(theta));
    let (mut amplitude, mut sum) = (1.0, 0.0);
    for _ in 0..count {
        sum += amplitude * now;
        amplitude *= ratio;
        (before, now) = (now, twice_cos * now - before);
    }
    sum
}

fn partial_count(hz: f64, most: usize) -> usize {
    ((HIGHEST_HZ / hz) as usize).clamp(1, most)
}

/// A phase for each note: notes that all start alike would add up to an offset.
fn phase(seed: u64, number: usize) -> f64 {
    PI * white(seed, number as u64)
}

/// Electric bass.
pub(crate) fn bass(notes: &[Note], rate_hz: u32) -> Vec<f64> {
    let mut out = vec![0.0; frames(rate_hz)];
    for (number, note) in notes.iter().enumerate() {
        let (hz, held, start) = (note.hz(), note.seconds, phase(21, number));
        let count = partial_count(hz, 40);
        add(&mut out, rate_hz, note.at, held + 0.06, |t| {
            let bright = 0.30 + 0.45 * note.velocity * exp(-t / 0.22);
            let level = ramp(t / 0.006) * exp(-t / 1.3) * ramp((held + 0.05 - t) / 0.05);
            note.velocity * level * ending(note.at + t) * partials(TAU * hz * t + start, bright, count)
        });
    }
    out
}

/// Plucked strings, each followed by three softer echoes a dotted eighth apart.
pub(crate) fn pluck(notes: &[Note], rate_hz: u32) -> Vec<f64> {
    let mut out = vec![0.0; frames(rate_hz)];
    for (number, note) in notes.iter().enumerate() {
        let (hz, start) = (note.hz(), phase(22, number));
        let count = partial_count(hz, 12);
        for (echo, level) in [1.0, 0.38, 0.16, 0.07].into_iter().enumerate() {
            let at = note.at + 0.36 * echo as f64;
            let muffled = 1.0 - 0.22 * echo as f64;
            add(&mut out, rate_hz, at, 1.1, |t| {
                let bright = muffled * (0.10 + 0.50 * note.velocity * exp(-t / 0.09));
                let body = ramp(t / 0.003) * exp(-t / 0.19) * ramp((1.1 - t) / 0.2);
                level * note.velocity * body * ending(at + t) * partials(TAU * hz * t + start, bright, count)
            });
        }
    }
    out
}

/// Electric piano: left and right, low notes to the left, with a slow tremolo between the sides.
pub(crate) fn keys(notes: &[Note]) -> [Vec<f64>; 2] {
    let mut sides = [vec![0.0; frames(RATE_HZ)], vec![0.0; frames(RATE_HZ)]];
    for (number, note) in notes.iter().enumerate() {
        let (hz, held, start) = (note.hz(), note.seconds, phase(23, number));
        let place = ((note.key - 58.0) / 12.0).clamp(-1.0, 1.0);
        for (side, out) in sides.iter_mut().enumerate() {
            let sign = if side == 0 { -1.0 } else { 1.0 };
            let share = 1.0 + 0.45 * sign * place;
            add(out, RATE_HZ, note.at, held + 0.3, |t| {
                let theta = TAU * hz * t + start;
                let body = sin(theta) * exp(-t / 1.5)
                    + 0.34 * sin(2.0 * theta) * exp(-t / 0.7)
                    + 0.16 * note.velocity * sin(3.0 * theta) * exp(-t / 0.35)
                    + 0.10 * note.velocity * sin(7.0 * theta) * exp(-t / 0.10);
                let tremolo = 1.0 + 0.22 * sign * sin(TAU * 4.1 * (note.at + t));
                note.velocity * share * tremolo * ramp(t / 0.004) * ramp((held + 0.3 - t) / 0.3) * body
            });
        }
    }
    sides
}

/// A held synthesiser chord, three detuned voices a note.
pub(crate) fn pad(notes: &[Note]) -> Vec<f64> {
    let mut out = vec![0.0; frames(RATE_HZ)];
    for (number, note) in notes.iter().enumerate() {
        for (voice, cents) in [-7.0, 0.0, 6.0].into_iter().enumerate() {
            let hz = note.hz() * libm::pow(2.0, cents / 1200.0);
            let (held, start, count) = (note.seconds, phase(24, 3 * number + voice), partial_count(hz, 16));
            add(&mut out, RATE_HZ, note.at, held + 0.35, |t| {
                let bright = 0.45 + 0.12 * sin(TAU * 0.23 * (note.at + t));
                ramp(t / 0.25)
                    * ramp((held + 0.35 - t) / 0.35)
                    * partials(TAU * hz * t + start, bright, count)
            });
        }
    }
    out
}

/// Kick drum: a falling sine and the beater's click, without what lies below 20 Hz.
pub(crate) fn kick(hits: &[Note]) -> Vec<f64> {
    let mut out = vec![0.0; frames(RATE_HZ)];
    for hit in hits {
        add(&mut out, RATE_HZ, hit.at, 0.6, |t| {
            let theta = TAU * (47.0 * t + 120.0 * 0.026 * (1.0 - exp(-t / 0.026)));
            let body = sin(theta) * exp(-t / 0.15) * ramp(t / 0.0015) * ramp((0.6 - t) / 0.1);
            let click = 0.20 * sin(TAU * 1900.0 * t) * exp(-t / 0.004) * ramp(t / 0.001);
            hit.velocity * (body + hit.velocity * click)
        });
    }
    filtered(out, &mut Section::high_pass(20.0, 0.707, RATE_HZ))
}

/// Snare drum: two tones of the head and the rattle of the wires.
pub(crate) fn snare(hits: &[Note]) -> Vec<f64> {
    let mut out = vec![0.0; frames(RATE_HZ)];
    let wires = filtered(hiss(31), &mut Section::high_pass(1_800.0, 0.8, RATE_HZ));
    for hit in hits {
        add_shaped(&mut out, &wires, hit.at, 0.5, |t| {
            0.75 * hit.velocity * hit.velocity * exp(-t / 0.085) * ramp(t / 0.0006)
        });
        add(&mut out, RATE_HZ, hit.at, 0.5, |t| {
            let head = sin(TAU * (188.0 * t + 0.6 * (1.0 - exp(-t / 0.01)))) * exp(-t / 0.075)
                + 0.45 * sin(TAU * 331.0 * t) * exp(-t / 0.045);
            0.8 * hit.velocity * head * ramp(t / 0.0008) * ramp((0.5 - t) / 0.1)
        });
    }
    filtered(out, &mut Section::high_pass(60.0, 0.707, RATE_HZ))
}

/// Hats: bright noise with a metallic peak.
pub(crate) fn hats(hits: &[Note]) -> Vec<f64> {
    let mut out = vec![0.0; frames(RATE_HZ)];
    let bright = filtered(hiss(32), &mut Section::high_pass(7_200.0, 0.9, RATE_HZ));
    let metal = filtered(hiss(32), &mut Section::band_pass(9_300.0, 9.0, RATE_HZ));
    for hit in hits {
        let shape = |t: f64| hit.velocity * exp(-t / hit.seconds) * ramp(t / 0.0007) * ramp((0.7 - t) / 0.2);
        add_shaped(&mut out, &bright, hit.at, 0.7, shape);
        add_shaped(&mut out, &metal, hit.at, 0.7, |t| 1.6 * shape(t));
    }
    out
}

/// Tambourine: a soft start and jingles that follow the stroke.
pub(crate) fn tambourine(hits: &[Note]) -> Vec<f64> {
    let mut out = vec![0.0; frames(RATE_HZ)];
    let jingles = filtered(hiss(33), &mut Section::band_pass(7_900.0, 2.2, RATE_HZ));
    for hit in hits {
        for (late, level) in [(0.0, 1.0), (0.019, 0.55), (0.043, 0.3)] {
            add_shaped(&mut out, &jingles, hit.at + late, 0.35, |t| {
                level * hit.velocity * exp(-t / 0.05) * ramp(t / 0.004) * ramp((0.35 - t) / 0.1)
            });
        }
    }
    out
}

/// A rising sweep of noise and a tone, left and right, `seconds` long, at its loudest at `peak`.
pub(crate) fn riser(seconds: f64, peak: f64) -> [Vec<f64>; 2] {
    let count = (seconds * f64::from(RATE_HZ)).round() as usize;
    [34, 35].map(|seed| {
        let mut band = Section::band_pass(300.0, 1.5, RATE_HZ);
        let sway = if seed == 34 { 0.0 } else { 0.4 };
        let mut out = Vec::with_capacity(count);
        for frame in 0..count {
            let t = frame as f64 / f64::from(RATE_HZ);
            let risen = (t / peak).min(1.0);
            if frame % 32 == 0 {
                band.retune(&Section::band_pass(300.0 * libm::pow(24.0, risen), 1.6, RATE_HZ));
            }
            // The tone climbs two octaves and stays there; its phase is the integral of 220 · 4^(t / peak).
            let climbed = 220.0 * peak / libm::log(4.0) * (libm::pow(4.0, risen) - 1.0);
            let theta = TAU * (climbed + 880.0 * (t - peak).max(0.0));
            let tone = 0.14 * sin(theta + sway);
            let level = risen * risen * ramp(t / 0.05) * if t > peak { exp(-(t - peak) / 0.03) } else { 1.0 };
            out.push(
                level * ramp((seconds - 0.01 - t) / 0.1) * (band.next(white(seed, frame as u64)) + tone),
            );
        }
        out
    })
}

fn hiss(seed: u64) -> Vec<f64> {
    (0..frames(RATE_HZ) as u64).map(|frame| white(seed, frame)).collect()
}

/// A sound behind a filter.
pub(crate) fn filtered(mut sound: Vec<f64>, section: &mut Section) -> Vec<f64> {
    for sample in &mut sound {
        *sample = section.next(*sample);
    }
    sound
}

/// Adds a stretch of `noise`, shaped by a function of the time since its start.
fn add_shaped(out: &mut [f64], noise: &[f64], start: f64, seconds: f64, shape: impl Fn(f64) -> f64) {
    let rate = f64::from(RATE_HZ);
    let first = (start * rate).ceil() as usize;
    let end = (((start + seconds) * rate) as usize).min(out.len());
    for frame in first..end {
        out[frame] += noise[frame] * shape(frame as f64 / rate - start);
    }
}
