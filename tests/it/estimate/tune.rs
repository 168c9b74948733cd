//! Invented songs in a known key: chords, a bass and a melody with notes that do not belong to it, at a tuning that need
//! not be 440 Hz, and drums beside them.

use std::f64::consts::TAU;

use super::band::Dice;

/// The rate of the songs: sketches of them are those of any other rate.
pub(super) const RATE: u32 = 24_000;

/// Chords of a bar each, in semitones above the tonic, with their quality: m for minor, M for major, d for diminished.
/// Common progressions, no source.
const MAJOR: &[&[(u8, char)]] = &[
    &[(0, 'M'), (7, 'M'), (9, 'm'), (5, 'M')],
    &[(0, 'M'), (9, 'm'), (5, 'M'), (7, 'M')],
    &[(2, 'm'), (7, 'M'), (0, 'M'), (9, 'm')],
    &[(0, 'M'), (5, 'M'), (0, 'M'), (7, 'M')],
    &[(9, 'm'), (5, 'M'), (0, 'M'), (7, 'M')],
    &[(0, 'M'), (10, 'M'), (5, 'M'), (0, 'M')],
    &[(0, 'M'), (4, 'm'), (5, 'M'), (5, 'm')],
];
const MINOR: &[&[(u8, char)]] = &[
    &[(0, 'm'), (8, 'M'), (3, 'M'), (10, 'M')],
    &[(0, 'm'), (5, 'm'), (7, 'M'), (0, 'm')],
    &[(0, 'm'), (10, 'M'), (8, 'M'), (7, 'M')],
    &[(0, 'm'), (5, 'm'), (10, 'M'), (3, 'M')],
    &[(0, 'm'), (7, 'm'), (8, 'M'), (10, 'M')],
    &[(2, 'd'), (7, 'M'), (0, 'm'), (0, 'm')],
];

/// A song: its tonic in semitones above C, its mode, its tuning, and the names and sounds of its stems.
pub(super) struct Tune {
    pub(super) tonic: u8,
    pub(super) minor: bool,
    pub(super) cents: f64,
    pub(super) stems: Vec<(&'static str, Vec<f64>)>,
}

/// One note: start and length in seconds, MIDI key number, level.
type Note = (f64, f64, f64, f64);

/// The song of a seed: 24 of them one after the other have all keys, and every other one is detuned.
pub(super) fn tune(seed: u64, seconds: f64) -> Tune {
    let mut dice = Dice::new(seed * 7919 + 13);
    let (tonic, minor) = ((seed % 12) as u8, (seed / 12) % 2 == 1);
    let cents = if dice.part() < 0.5 { 0.0 } else { dice.between(-30.0, 30.0) };
    let beat = 60.0 / dice.between(70.0, 150.0);
    let all = if minor { MINOR } else { MAJOR };
    let parts = [all[dice.of(all.len())], all[dice.of(all.len())]];
    let bars = (seconds / (4.0 * beat)) as usize;
    let bar = |index: usize| parts[usize::from(index / 8 % 2 == 1)][index % 4];
    let chords: Vec<(u8, char)> = (0..bars).map(bar).collect();
    let frames = (seconds * f64::from(RATE)) as usize;
    let mut sounded = |notes: Vec<Note>, bright: f64, fade: f64| {
        let mut out = vec![0.0; frames];
        for note in notes {
            sound(&mut out, note, cents, dice.between(0.8, 1.2) * bright, fade, dice.between(0.0, TAU));
        }
        out
    };
    let mut own = Dice::new(seed * 104_729 + 1);
    let harmony = sounded(comping(&chords, tonic, beat, &mut own), 0.45, 1.2);
    let bass = sounded(bass(&chords, tonic, beat, &mut own), 0.35, 0.9);
    let melody = sounded(melody(&chords, tonic, minor, beat, &mut own), 0.55, 1.5);
    let names = [["Keys.wav", "Bass.wav", "Lead Vox.wav"], ["Gtr.wav", "Audio 02.wav", "Synth.wav"]];
    let [first, second, third] = names[own.of(2)];
    let (kick, snare) = drums(bars, beat, frames, &mut own);
    let stems =
        vec![(first, harmony), (second, bass), (third, melody), ("Kick.wav", kick), ("Snare.wav", snare)];
    Tune { tonic, minor, cents, stems }
}

fn intervals(quality: char) -> [f64; 3] {
    match quality {
        'm' => [0.0, 3.0, 7.0],
        'd' => [0.0, 3.0, 6.0],
        _ => [0.0, 4.0, 7.0],
    }
}

/// Chords, held or struck on every beat, some of them with a seventh.
fn comping(chords: &[(u8, char)], tonic: u8, beat: f64, dice: &mut Dice) -> Vec<Note> {
    let struck = dice.part() < 0.5;
    let mut notes = Vec::new();
    for (index, &(degree, quality)) in chords.iter().enumerate() {
        let at = index as f64 * 4.0 * beat;
        let root = 48.0 + f64::from((tonic + degree) % 12);
        let mut keys: Vec<f64> =
            intervals(quality).iter().map(|step| root + step + 12.0 * dice.of(2) as f64).collect();
        if dice.part() < 0.25 {
            keys.push(root + if quality == 'M' && degree != 7 { 11.0 } else { 10.0 });
        }
        let strikes = if struck { 4 } else { 1 };
        for strike in 0..strikes {
            let start = at + f64::from(strike) * beat;
            let length = 4.0 * beat / f64::from(strikes);
            notes.extend(keys.iter().map(|key| (start, length, *key, dice.between(0.5, 1.0))));
        }
    }
    notes
}

/// Roots and fifths, and now and then a step from outside into the next root.
fn bass(chords: &[(u8, char)], tonic: u8, beat: f64, dice: &mut Dice) -> Vec<Note> {
    let mut notes = Vec::new();
    for (index, &(degree, _)) in chords.iter().enumerate() {
        let root = 28.0 + f64::from((tonic + degree + 8) % 12);
        for count in 0..4 {
            let next = chords.get(index + 1).map_or(root, |&(d, _)| 28.0 + f64::from((tonic + d + 8) % 12));
            let key = match (count, dice.of(10)) {
                (0, _) | (_, 0..=4) => root,
                (3, 8..) => next - 1.0,
                (_, 5..=6) => root + 7.0,
                _ => root + 12.0,
            };
            notes.push((index as f64 * 4.0 * beat + f64::from(count) * beat, 0.9 * beat, key, 1.0));
        }
    }
    notes
}

/// A walk on the scale that likes the notes of the chord, with one note in eight from outside.
fn melody(chords: &[(u8, char)], tonic: u8, minor: bool, beat: f64, dice: &mut Dice) -> Vec<Note> {
    let scale: [f64; 7] =
        if minor { [0.0, 2.0, 3.0, 5.0, 7.0, 8.0, 10.0] } else { [0.0, 2.0, 4.0, 5.0, 7.0, 9.0, 11.0] };
    let mut step: i32 = 7;
    let mut notes = Vec::new();
    for (index, &(degree, quality)) in chords.iter().enumerate() {
        let mut at = 0.0;
        while at < 4.0 {
            let length = [0.5, 1.0, 1.0, 2.0][dice.of(4)];
            step = (step + dice.of(5) as i32 - 2).clamp(0, 13);
            let on_scale = f64::from(tonic) + scale[(step % 7) as usize] + 12.0 * f64::from(step / 7);
            let chord = intervals(quality)[dice.of(3)] + f64::from(tonic + degree);
            let key = match dice.of(8) {
                0 => on_scale + 1.0,
                1..=3 => 12.0 * ((on_scale - chord) / 12.0).round() + chord,
                _ => on_scale,
            };
            if dice.part() < 0.85 {
                let start = (index as f64 * 4.0 + at) * beat;
                notes.push((start, length * beat * 0.95, 60.0 + key, dice.between(0.6, 1.0)));
            }
            at += length;
        }
    }
    notes
}

/// Adds a note whose partials fall by `bright` from one to the next, and which fades by 60 dB in six times `fade`.
fn sound(
    out: &mut [f64],
    (start, seconds, key, level): Note,
    cents: f64,
    bright: f64,
    fade: f64,
    phase: f64,
) {
    let rate = f64::from(RATE);
    let hz = 440.0 * 2f64.powf((key - 69.0 + cents / 100.0) / 12.0);
    let count = ((rate / 2.2 / hz) as usize).clamp(1, 12);
    let first = (start * rate) as usize;
    let last = (((start + seconds) * rate) as usize).min(out.len());
    for (frame, sample) in out.iter_mut().enumerate().take(last).skip(first) {
        let t = (frame - first) as f64 / rate;
        let theta = TAU * hz * t + phase;
        let twice = 2.0 * theta.cos();
        let (mut before, mut now, mut amplitude, mut sum) = (0.0, theta.sin(), 1.0, 0.0);
        for _ in 0..count {
            sum += amplitude * now;
            amplitude *= bright;
            (before, now) = (now, twice * now - before);
        }
        let shape = (t / 0.01).min(1.0) * (-t / fade).exp() * ((seconds - t) / 0.02).clamp(0.0, 1.0);
        *sample += 0.12 * level * shape * sum;
    }
}

/// A kick whose tone falls, and a snare of tone and noise.
fn drums(bars: usize, beat: f64, frames: usize, dice: &mut Dice) -> (Vec<f64>, Vec<f64>) {
    let rate = f64::from(RATE);
    let (mut kick, mut snare) = (vec![0.0; frames], vec![0.0; frames]);
    for count in 0..bars * 4 {
        let first = (count as f64 * beat * rate) as usize;
        let is_kick = count % 2 == 0;
        for n in 0..(0.3 * rate) as usize {
            let t = n as f64 / rate;
            let hit = if is_kick { &mut kick } else { &mut snare };
            let Some(sample) = hit.get_mut(first + n) else { break };
            let (hz, sweep) = if is_kick { (48.0, 1.5) } else { (190.0, 0.4) };
            let tone = (TAU * (hz * t + sweep * (1.0 - (-25.0 * t).exp()))).sin() * (-14.0 * t).exp();
            let noise = dice.between(-1.0, 1.0) * (-30.0 * t).exp();
            *sample += if is_kick { 0.7 * tone + 0.05 * noise } else { 0.3 * tone + 0.4 * noise };
        }
    }
    (kick, snare)
}
