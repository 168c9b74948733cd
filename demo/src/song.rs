//! The score of the invented song: tempo, chords, and who plays what when. Times are in seconds from the start of
//! the delivery.
//!
//! Eight bars of 4/4 at 125 beats a minute in D minor. The export starts a bar and a half before the first sound:
//! pick-up (half a bar), verse (two bars), lift (two bars), chorus (one bar), final chord.

use crate::noise::white;

/// A beat at 125 beats a minute.
pub(crate) const BEAT: f64 = 0.48;

/// A bar of four beats; a whole number of frames at 44.1, 48 and 96 kHz.
pub(crate) const BAR: f64 = 4.0 * BEAT;

/// Length of the delivery: eight bars.
pub(crate) const SECONDS: f64 = 8.0 * BAR;

/// Bar in which the verse starts, from 0.
pub(crate) const VERSE: usize = 2;

/// Bar of the chorus.
pub(crate) const CHORUS: usize = 6;

/// A note or a hit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Note {
    /// Start in seconds.
    pub(crate) at: f64,
    /// How long it is held, in seconds.
    pub(crate) seconds: f64,
    /// Pitch as a MIDI key number; 69 is 440 Hz.
    pub(crate) key: f64,
    /// Strength, 0 to 1.
    pub(crate) velocity: f64,
}

impl Note {
    /// The pitch in Hz, equal temperament.
    pub(crate) fn hz(&self) -> f64 {
        hz(self.key)
    }
}

/// Pitch of a MIDI key in Hz, equal temperament at 440 Hz.
pub(crate) fn hz(key: f64) -> f64 {
    440.0 * libm::pow(2.0, (key - 69.0) / 12.0)
}

/// A chord: start and length in beats from the verse on, bass key, keys above it.
struct Chord {
    at: f64,
    beats: f64,
    bass: f64,
    keys: &'static [f64],
}

/// Dm9, B flat major 7, F add 9, C, then G minor 7 and A 7 in the chorus, D minor to end.
const CHORDS: &[Chord] = &[
    Chord { at: 0.0, beats: 4.0, bass: 38.0, keys: &[53.0, 57.0, 60.0, 64.0] },
    Chord { at: 4.0, beats: 4.0, bass: 34.0, keys: &[53.0, 57.0, 58.0, 62.0] },
    Chord { at: 8.0, beats: 4.0, bass: 41.0, keys: &[53.0, 57.0, 60.0, 67.0] },
    Chord { at: 12.0, beats: 4.0, bass: 36.0, keys: &[52.0, 55.0, 60.0, 64.0] },
    Chord { at: 16.0, beats: 2.0, bass: 43.0, keys: &[53.0, 55.0, 58.0, 62.0] },
    Chord { at: 18.0, beats: 2.0, bass: 33.0, keys: &[52.0, 55.0, 57.0, 61.0] },
    Chord { at: 20.0, beats: 3.6, bass: 38.0, keys: &[50.0, 57.0, 62.0, 65.0] },
];

/// Seconds of a beat counted from the verse.
fn verse_beat(beat: f64) -> f64 {
    VERSE as f64 * BAR + beat * BEAT
}

/// A player's unsteadiness: up to 4 ms early or late, up to 8 % louder or softer.
fn played(seed: u64, number: usize, at: f64, seconds: f64, key: f64, velocity: f64) -> Note {
    let wobble = |salt: u64| white(seed ^ salt, number as u64);
    Note { at: at + 0.004 * wobble(1), seconds, key, velocity: velocity * (1.0 + 0.08 * wobble(2)) }
}

/// Beats of one bar with their velocity.
type Pattern = &'static [(f64, f64)];

fn pattern(seed: u64, bars: &[(usize, Pattern)]) -> Vec<Note> {
    let hits = bars.iter().flat_map(|&(bar, beats)| {
        beats.iter().map(move |&(beat, velocity)| (bar as f64 * BAR + beat * BEAT, velocity))
    });
    hits.enumerate().map(|(number, (at, velocity))| played(seed, number, at, 0.5, 0.0, velocity)).collect()
}

/// Kick drum.
pub(crate) fn kick() -> Vec<Note> {
    const A: Pattern = &[(0.0, 1.0), (1.5, 0.72), (2.5, 0.9)];
    const B: Pattern = &[(0.0, 0.97), (1.75, 0.66), (2.5, 0.92), (3.5, 0.6)];
    const C: Pattern = &[(0.0, 1.0), (1.5, 0.8), (2.0, 0.95), (3.25, 0.7)];
    pattern(11, &[(2, A), (3, B), (4, A), (5, B), (6, C), (7, &[(0.0, 0.98)])])
}

/// Snare drum, with ghost notes and two fills.
pub(crate) fn snare() -> Vec<Note> {
    const A: Pattern = &[(1.0, 0.92), (2.75, 0.22), (3.0, 0.95)];
    const B: Pattern = &[(1.0, 0.94), (1.75, 0.18), (3.0, 0.96), (3.75, 0.3)];
    const FILL: Pattern = &[(1.0, 0.95), (3.0, 1.0), (3.5, 0.6), (3.75, 0.8)];
    pattern(
        12,
        &[
            (1, &[(2.0, 0.35), (3.0, 0.55), (3.5, 0.6), (3.75, 0.8)]),
            (2, A),
            (3, B),
            (4, A),
            (5, B),
            (6, FILL),
        ],
    )
}

/// Hats; `seconds` is how fast a hit dies: an open one rings.
pub(crate) fn hats() -> Vec<Note> {
    const EIGHTHS: Pattern = &[
        (0.0, 0.8),
        (0.53, 0.45),
        (1.0, 0.7),
        (1.53, 0.5),
        (2.0, 0.8),
        (2.53, 0.45),
        (3.0, 0.7),
        (3.53, 0.95),
    ];
    const SIXTEENTHS: Pattern = &[
        (0.0, 0.9),
        (0.25, 0.3),
        (0.5, 0.55),
        (0.75, 0.35),
        (1.0, 0.8),
        (1.25, 0.3),
        (1.5, 0.6),
        (1.75, 0.4),
        (2.0, 0.9),
        (2.25, 0.3),
        (2.5, 0.55),
        (2.75, 0.35),
        (3.0, 0.8),
        (3.25, 0.35),
        (3.53, 1.0),
    ];
    let bars: &[(usize, Pattern)] = &[
        (1, &[(2.0, 0.4), (2.53, 0.5), (3.0, 0.6), (3.53, 0.9)]),
        (2, EIGHTHS),
        (3, EIGHTHS),
        (4, EIGHTHS),
        (5, SIXTEENTHS),
        (6, SIXTEENTHS),
        (7, &[(0.0, 1.0)]),
    ];
    let mut hits = pattern(13, bars);
    for hit in &mut hits {
        hit.seconds = if hit.velocity > 0.83 { 0.14 } else { 0.035 };
    }
    hits
}

/// Tambourine on the off-beats, in sixteenths in the chorus.
pub(crate) fn tambourine() -> Vec<Note> {
    const OFF: Pattern = &[(0.5, 0.6), (1.0, 0.9), (1.5, 0.6), (2.5, 0.6), (3.0, 0.9), (3.5, 0.6)];
    const FULL: Pattern = &[
        (0.0, 0.7),
        (0.25, 0.4),
        (0.5, 0.6),
        (0.75, 0.4),
        (1.0, 1.0),
        (1.25, 0.4),
        (1.5, 0.6),
        (1.75, 0.4),
        (2.0, 0.7),
        (2.25, 0.4),
        (2.5, 0.6),
        (2.75, 0.4),
        (3.0, 1.0),
        (3.25, 0.4),
        (3.5, 0.6),
        (3.75, 0.4),
    ];
    pattern(14, &[(2, OFF), (3, OFF), (4, OFF), (5, OFF), (6, FULL)])
}

/// Bass: roots and fifths, an octave jump before each change.
pub(crate) fn bass() -> Vec<Note> {
    let mut notes = Vec::new();
    for chord in CHORDS {
        let steps: &[(f64, f64, f64, f64)] = if chord.at >= 20.0 {
            &[(0.0, 3.6, 0.0, 1.0)]
        } else if chord.beats < 3.0 {
            &[(0.0, 0.7, 0.0, 0.95), (0.75, 0.5, 0.0, 0.7), (1.5, 0.45, 7.0, 0.8)]
        } else {
            &[(0.0, 1.3, 0.0, 0.98), (1.5, 0.7, 0.0, 0.75), (2.5, 0.8, 7.0, 0.85), (3.5, 0.45, 12.0, 0.8)]
        };
        for &(beat, beats, up, velocity) in steps {
            let at = verse_beat(chord.at + beat);
            notes.push(played(15, notes.len(), at, beats * BEAT, chord.bass + up, velocity));
        }
    }
    notes
}

/// Keys: each chord struck twice, rolled from below.
pub(crate) fn keys() -> Vec<Note> {
    let mut notes = Vec::new();
    for chord in CHORDS {
        let strikes: &[(f64, f64, f64)] = if chord.beats > 3.7 {
            &[(0.0, 2.3, 0.9), (2.5, 1.4, 0.65)]
        } else if chord.beats > 3.0 {
            &[(0.0, 3.4, 1.0)]
        } else {
            &[(0.0, 1.4, 0.95), (1.5, 0.45, 0.6)]
        };
        for &(beat, beats, velocity) in strikes {
            for (string, &key) in chord.keys.iter().enumerate() {
                let at = verse_beat(chord.at + beat) + 0.011 * string as f64;
                notes.push(played(16, notes.len(), at, beats * BEAT, key, velocity));
            }
        }
    }
    notes
}

/// Pad: each chord held, from the lift on.
pub(crate) fn pad() -> Vec<Note> {
    let held = CHORDS.iter().filter(|chord| chord.at >= 8.0);
    let notes = held.flat_map(|chord| {
        let (at, seconds) = (verse_beat(chord.at), chord.beats * BEAT);
        chord.keys.iter().map(move |&key| Note { at, seconds, key: key + 12.0, velocity: 0.8 })
    });
    notes.collect()
}

/// Bells: the top of every chord, on and off the beat.
pub(crate) fn bells() -> Vec<Note> {
    let hits = CHORDS.iter().flat_map(|chord| {
        let top = chord.keys[chord.keys.len() - 1];
        [(chord.at + 0.5, top), (chord.at + 1.25, top - 12.0)]
    });
    hits.enumerate()
        .map(|(number, (beat, key))| played(31, number, verse_beat(beat), 1.2, key, 0.8))
        .collect()
}

/// Plucked arpeggio: eighths in verse and lift, sixteenths in the chorus.
pub(crate) fn pluck() -> Vec<Note> {
    const WALK: [usize; 8] = [0, 2, 1, 3, 2, 3, 1, 2];
    let mut notes = Vec::new();
    for chord in CHORDS.iter().filter(|chord| chord.at < 20.0) {
        let step = if chord.at >= 16.0 { 0.25 } else { 0.5 };
        let count = (chord.beats / step).round() as usize;
        for number in 0..count {
            let key = chord.keys[WALK[number % WALK.len()]] + if number % 4 == 3 { 24.0 } else { 12.0 };
            let velocity = if number % 4 == 0 { 0.9 } else { 0.6 };
            notes.push(played(
                17,
                notes.len(),
                verse_beat(chord.at + step * number as f64),
                0.3,
                key,
                velocity,
            ));
        }
    }
    notes.push(played(17, notes.len(), verse_beat(20.0), 0.3, 86.0, 1.0));
    notes
}

/// A sung syllable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Syllable {
    /// The note.
    pub(crate) note: Note,
    /// The vowel.
    pub(crate) vowel: Vowel,
    /// What it starts with.
    pub(crate) onset: Onset,
}

/// Vowels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Vowel {
    /// As in "father".
    A,
    /// As in "bed".
    E,
    /// As in "more".
    O,
    /// As in "moon".
    U,
}

/// Consonants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Onset {
    /// A hiss.
    S,
    /// A plosive.
    T,
    /// A hum.
    M,
}

use Onset::{M, S, T};
use Vowel::{A, E, O, U};

/// Beat from the verse, beats, key, vowel, onset.
type Line = &'static [(f64, f64, f64, Vowel, Onset)];

const LEAD: Line = &[
    (1.0, 0.9, 69.0, A, T),
    (2.0, 0.9, 72.0, O, M),
    (3.0, 1.35, 74.0, E, S),
    (4.5, 0.45, 72.0, A, T),
    (5.0, 2.0, 69.0, U, M),
    (7.5, 0.45, 67.0, E, T),
    (8.0, 0.9, 69.0, A, S),
    (9.0, 0.9, 72.0, O, M),
    (10.0, 0.9, 77.0, A, T),
    (11.0, 0.85, 76.0, E, M),
    (12.0, 1.4, 76.0, A, S),
    (13.5, 0.45, 74.0, E, T),
    (14.0, 1.7, 72.0, O, M),
    (16.0, 0.95, 74.0, A, S),
    (17.0, 0.95, 77.0, O, T),
    (18.0, 0.95, 76.0, A, M),
    (19.0, 0.9, 73.0, E, T),
    (20.0, 2.7, 74.0, A, S),
];
const HIGH: Line = &[
    (16.0, 0.95, 77.0, A, S),
    (17.0, 0.95, 81.0, O, T),
    (18.0, 0.95, 79.0, A, M),
    (19.0, 0.9, 76.0, E, T),
    (20.0, 2.6, 77.0, A, S),
];
const LOW: Line = &[
    (14.0, 1.7, 67.0, U, M),
    (16.0, 0.95, 70.0, A, S),
    (17.0, 0.95, 74.0, O, T),
    (18.0, 0.95, 69.0, A, M),
    (19.0, 0.9, 69.0, E, T),
    (20.0, 2.5, 69.0, A, S),
];

fn sung(seed: u64, line: Line) -> Vec<Syllable> {
    let syllable = |(number, &(beat, beats, key, vowel, onset))| {
        let note = played(seed, number, verse_beat(beat), beats * BEAT, key, 0.9);
        Syllable { note, vowel, onset }
    };
    line.iter().enumerate().map(syllable).collect()
}

/// Lead voice.
pub(crate) fn lead() -> Vec<Syllable> {
    sung(18, LEAD)
}

/// Harmony above the lead, in the chorus.
pub(crate) fn high_harmony() -> Vec<Syllable> {
    sung(19, HIGH)
}

/// Harmony below the lead, in the chorus.
pub(crate) fn low_harmony() -> Vec<Syllable> {
    sung(20, LOW)
}
