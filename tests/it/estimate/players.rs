//! Players of known kinds for the proposals, made in other ways than the songs and the demo that the limits were found
//! on: plucked strings as delay lines (Karplus and Strong, 1983), voices as pulses through formants, frequency
//! modulation (Chowning, 1973), filtered noise.

use std::f64::consts::TAU;

use super::band::Dice;

pub(super) const RATE: u32 = 48_000;
const HZ: f64 = 48_000.0;
const SECONDS: f64 = 24.0;

fn silence() -> Vec<f64> {
    vec![0.0; (SECONDS * HZ) as usize]
}

/// Adds a sound of so many seconds at a time; it gets the time since its start.
fn add(out: &mut [f64], at: f64, seconds: f64, mut sound: impl FnMut(f64) -> f64) {
    let first = (at * HZ) as usize;
    for n in 0..(seconds * HZ) as usize {
        if let Some(sample) = out.get_mut(first + n) {
            *sample += sound(n as f64 / HZ);
        }
    }
}

fn with_hiss(mut out: Vec<f64>, dice: &mut Dice) -> Vec<f64> {
    for sample in &mut out {
        *sample += dice.between(-2e-4, 2e-4);
    }
    let peak = out.iter().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
    out.iter().map(|sample| 0.5 * sample / peak).collect()
}

/// A tone that falls from a few hundred hertz, with a click.
pub(super) fn kick(dice: &mut Dice) -> Vec<f64> {
    let (beat, low, top) = (dice.between(0.35, 0.7), dice.between(42.0, 62.0), dice.between(120.0, 320.0));
    let fall = dice.between(5.0, 9.0);
    let mut out = silence();
    for count in 0..(SECONDS / beat) as usize {
        if dice.part() < 0.85 {
            let mut phase = 0.0;
            let level = dice.between(0.7, 1.0);
            add(&mut out, count as f64 * beat, 0.6, |t| {
                phase += (low + top * (-t * 60.0).exp()) / HZ;
                level
                    * ((TAU * phase).sin() * (-t * fall * 1.6).exp()
                        + 0.2 * dice.between(-1.0, 1.0) * (-t * 400.0).exp())
            });
        }
    }
    with_hiss(out, dice)
}

/// A plucked string: a delay line that dulls what comes round.
fn pluck(out: &mut [f64], at: f64, seconds: f64, hz: f64, dull: f64, dice: &mut Dice) {
    let period = HZ / hz;
    let mut line: Vec<f64> = (0..=period.ceil() as usize).map(|_| dice.between(-1.0, 1.0)).collect();
    for _ in 0..4 {
        for n in 1..line.len() {
            line[n] = dull * line[n] + (1.0 - dull) * line[n - 1];
        }
    }
    let (mut place, mut last) = (0usize, 0.0);
    let whole = line.len();
    add(out, at, seconds, |t| {
        let now = line[place];
        line[place] = 0.998 * (0.5 * now + 0.5 * last);
        last = now;
        place = (place + 1) % whole;
        now * ((seconds - t) / 0.02).clamp(0.0, 1.0)
    });
}

pub(super) fn bass(dice: &mut Dice) -> Vec<f64> {
    let (step, root) = (dice.between(0.2, 0.5), dice.between(38.0, 62.0));
    let mut out = silence();
    for count in 0..(SECONDS / step) as usize {
        let key = [0.0, 0.0, 3.0, 5.0, 7.0, 10.0, 12.0][dice.of(7)];
        if dice.part() < 0.9 {
            pluck(&mut out, count as f64 * step, step * 0.95, root * 2f64.powf(key / 12.0), 0.15, dice);
        }
    }
    with_hiss(out, dice)
}

/// Noise above or around a frequency: a resonator of two poles over the difference of white noise.
fn burst(out: &mut [f64], at: f64, fall: f64, hz: f64, level: f64, dice: &mut Dice) {
    let (radius, angle) = (0.8, TAU * hz / HZ);
    let (mut y1, mut y2, mut x1) = (0.0, 0.0, 0.0);
    add(out, at, 6.0 / fall, |t| {
        let x = dice.between(-1.0, 1.0);
        let y = (x - x1) + 2.0 * radius * angle.cos() * y1 - radius * radius * y2;
        (y2, y1, x1) = (y1, y, x);
        0.2 * level * y * (-t * fall).exp()
    });
}

pub(super) fn drum_loop(dice: &mut Dice) -> Vec<f64> {
    let beat = dice.between(0.4, 0.65);
    let swing = dice.between(0.5, 0.62);
    let mut out = silence();
    for count in 0..(SECONDS / beat) as usize {
        let at = count as f64 * beat;
        if count % 2 == 0 {
            let mut phase = 0.0;
            add(&mut out, at, 0.3, |t| {
                phase += (50.0 + 140.0 * (-t * 45.0).exp()) / HZ;
                (TAU * phase).sin() * (-t * 16.0).exp()
            });
        } else {
            burst(&mut out, at, 24.0, 1800.0, 1.2, dice);
            add(&mut out, at, 0.2, |t| 0.4 * (TAU * 205.0 * t).sin() * (-t * 30.0).exp());
        }
        for part in [0.0, swing] {
            let level = dice.between(0.2, 0.5);
            burst(&mut out, at + part * beat, 50.0, 9000.0, level, dice);
        }
    }
    with_hiss(out, dice)
}

pub(super) fn shaker(dice: &mut Dice) -> Vec<f64> {
    let step = dice.between(0.11, 0.25);
    let (hz, fall) = (dice.between(7000.0, 11_000.0), dice.between(25.0, 60.0));
    let mut out = silence();
    for count in 0..(SECONDS / step) as usize {
        let level = if count % 2 == 0 { 1.0 } else { dice.between(0.3, 0.7) };
        burst(&mut out, count as f64 * step, fall, hz, level, dice);
    }
    with_hiss(out, dice)
}

/// Pulses through three formants, with vibrato, glides into notes, breaths between phrases and a consonant here and there.
pub(super) fn voice(dice: &mut Dice) -> Vec<f64> {
    let root = dice.between(130.0, 300.0);
    let formants = [dice.between(450.0, 800.0), dice.between(1000.0, 1800.0), dice.between(2400.0, 2900.0)];
    let depth = dice.between(25.0, 60.0);
    let mut out = silence();
    let (mut at, mut key) = (0.3, 0.0);
    while at < SECONDS - 2.0 {
        let (seconds, before) = (dice.between(0.25, 0.9), key);
        key = [0.0, 2.0, 4.0, 5.0, 7.0, 9.0][dice.of(6)];
        let (target, vowel) = (key, dice.between(0.85, 1.15));
        let (mut phase, mut flow, mut states) = (0.0f64, 0.0, [[0.0; 2]; 3]);
        add(&mut out, at, seconds, |t| {
            let glide = before + (target - before) * (t / 0.08).min(1.0);
            let vibrato = depth / 100.0 * (t / 0.2).min(1.0) * (TAU * 5.6 * t).sin();
            phase += root * 2f64.powf((glide + vibrato) / 12.0) / HZ;
            let opened = (phase.fract() / 0.6).min(1.0);
            let pulse = (1.0 - opened) * opened * 4.0 + 0.02 * dice.between(-1.0, 1.0);
            let mut sum = 0.0;
            for ((state, hz), width) in states.iter_mut().zip(formants).zip([80.0, 110.0, 160.0]) {
                let radius = (-std::f64::consts::PI * width / HZ).exp();
                let y = (1.0 - radius) * pulse + 2.0 * radius * (TAU * hz * vowel / HZ).cos() * state[0]
                    - radius * radius * state[1];
                *state = [y, state[0]];
                sum += y;
            }
            // What leaves the mouth is the change of the flow: no steady part, and little below the pitch.
            let radiated = sum - flow;
            flow = sum;
            radiated * (t / 0.04).min(1.0) * ((seconds - t) / 0.06).clamp(0.0, 1.0)
        });
        at += seconds;
        if dice.part() < 0.2 {
            at += dice.between(0.3, 1.2);
        }
    }
    with_hiss(out, dice)
}

/// Chords of frequency-modulated tones that swell.
pub(super) fn pad(dice: &mut Dice) -> Vec<f64> {
    let root = dice.between(130.0, 220.0);
    let bar = dice.between(2.5, 4.0);
    let mut out = silence();
    for count in 0..(SECONDS / bar) as usize {
        let degree = [0.0, 5.0, 7.0, 9.0][dice.of(4)];
        for third in [0.0, if degree == 9.0 { 3.0 } else { 4.0 }, 7.0] {
            let hz = root * 2f64.powf((degree + third) / 12.0);
            let drift = dice.between(0.9985, 1.0015);
            add(&mut out, count as f64 * bar, bar + 0.6, |t| {
                let shape = (t / 0.7).min(1.0) * ((bar + 0.6 - t) / 0.6).clamp(0.0, 1.0);
                let tone = |hz: f64| (TAU * hz * t + 0.6 * (TAU * 2.0 * hz * t).sin()).sin();
                0.2 * shape * (tone(hz) + tone(hz * drift))
            });
        }
    }
    with_hiss(out, dice)
}

/// Single struck notes of a piano, near enough.
pub(super) fn piano_line(dice: &mut Dice) -> Vec<f64> {
    let step = dice.between(0.2, 0.5);
    let mut out = silence();
    for count in 0..(SECONDS / step) as usize {
        let hz = 196.0 * 2f64.powf([0.0, 2.0, 4.0, 7.0, 9.0, 12.0, 14.0, 16.0][dice.of(8)] / 12.0);
        let level = dice.between(0.4, 1.0);
        add(&mut out, count as f64 * step, step * 1.6, |t| {
            let partial =
                |k: f64| (TAU * hz * k * (1.0 + 4e-4 * k * k).sqrt() * t).sin() / k * (-t * k).exp();
            level * (t / 0.002).min(1.0) * (1..9).map(|k| partial(f64::from(k))).sum::<f64>()
        });
    }
    with_hiss(out, dice)
}

/// A strummed guitar of six strings.
pub(super) fn strummed(dice: &mut Dice) -> Vec<f64> {
    let step = dice.between(0.3, 0.6);
    let mut out = silence();
    for count in 0..(SECONDS / step) as usize {
        let root = 82.4 * 2f64.powf([0.0, 5.0, 7.0, 3.0][dice.of(4)] / 12.0);
        for (string, key) in [0.0, 7.0, 12.0, 16.0, 19.0, 24.0].into_iter().enumerate() {
            let at = count as f64 * step + 0.008 * string as f64;
            pluck(&mut out, at, step, root * 2f64.powf(key / 12.0), 0.5, dice);
        }
    }
    with_hiss(out, dice)
}

/// Noise that rises over the whole length.
pub(super) fn riser(dice: &mut Dice) -> Vec<f64> {
    let (mut low, mut out) = (0.0, silence());
    add(&mut out, 0.0, SECONDS, |t| {
        let share = 0.01 + 0.4 * t / SECONDS;
        low += share * (dice.between(-1.0, 1.0) - low);
        low * (t / SECONDS).powi(2)
    });
    with_hiss(out, dice)
}

/// Air of a room, and somebody who moves in it.
pub(super) fn room_tone(dice: &mut Dice) -> Vec<f64> {
    let (mut low, mut out) = (0.0, silence());
    add(&mut out, 0.0, SECONDS, |t| {
        low += 0.05 * (dice.between(-1.0, 1.0) - low);
        low * (1.0 + 0.5 * (0.7 * t).sin())
    });
    with_hiss(out, dice)
}

/// A click track.
pub(super) fn click(dice: &mut Dice) -> Vec<f64> {
    let beat = dice.between(0.4, 0.8);
    let mut out = silence();
    for count in 0..(SECONDS / beat) as usize {
        let hz = if count % 4 == 0 { 1600.0 } else { 800.0 };
        add(&mut out, count as f64 * beat, 0.04, |t| (TAU * hz * t).sin() * (-t * 80.0).exp());
    }
    with_hiss(out, dice)
}
