//! What a stem sounds like of which the name says nothing: a proposal, and only where it is clear. A wrong word costs an
//! engineer more than none.
//!
//! The limits come from measuring invented stems of known kinds, and from no publication: see DEVELOPERS.md.
//!
//! It knows no name and changes no label.

/// What was measured on a stem.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sound {
    /// Time in seconds in which it takes part.
    pub seconds: f64,
    /// Share of the power in peaks of long spectra, 0 to 1.
    pub tonality: f64,
    /// Share of the power above about 2.5 kHz.
    pub high: f64,
    /// Of what is below: shares under 120 Hz, under 250 Hz, under 700 Hz and above.
    pub bands: [f64; 4],
    /// Share of the power in frames that have one clear pitch.
    pub voiced: f64,
    /// Median of that pitch in Hz.
    pub pitch_hz: f64,
    /// Semitones from the lowest to the highest tenth of it.
    pub range_semitones: f64,
    /// Median change of pitch within a note, in cents from one 85 ms to the next.
    pub glide_cents: f64,
    /// Share of the power in frames with several notes at once.
    pub several: f64,
    /// Share of the time in which it sounds.
    pub duty: f64,
    /// Strokes a second, and the share of them that rise at once.
    pub strokes: f64,
    /// See `strokes`.
    pub sharp: f64,
    /// Median time in seconds in which a stroke falls by 20 dB, or to the next one.
    pub fall_seconds: f64,
    /// Side against middle, of a stereo stem.
    pub width: Option<f64>,
}

/// What a stem may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A kick drum, or another low one.
    LowDrum,
    /// A bass.
    Bass,
    /// Other drums: one, a loop, or the microphones of a kit.
    Drums,
    /// Hats, shakers, cymbals.
    HighPercussion,
    /// One voice that glides: singing, or an instrument that does the same.
    Voice,
    /// Chords that are held.
    HeldChords,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 6] =
        [Self::LowDrum, Self::Bass, Self::Drums, Self::HighPercussion, Self::Voice, Self::HeldChords];

    /// In words, behind "sounds like".
    pub fn as_str(self) -> &'static str {
        match self {
            Self::LowDrum => "a kick or another low drum",
            Self::Bass => "a bass",
            Self::Drums => "drums",
            Self::HighPercussion => "hats, shakers or cymbals",
            Self::Voice => "one gliding voice, sung or played",
            Self::HeldChords => "held chords",
        }
    }
}

/// A proposal: what it sounds like, and how far it lies within the limits of that kind, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hint {
    /// What it sounds like.
    pub kind: Kind,
    /// How sure: the worst of its signs.
    pub confidence: f64,
}

/// A proposal is made from this confidence on, and where no other kind comes near.
const CLEAR: f64 = 0.5;
const APART: f64 = 0.3;

/// A few notes say little: a single struck string sounds like a drum.
const LEAST_SECONDS: f64 = 6.0;
const LEAST_STROKES: f64 = 8.0;

/// What a stem sounds like, where that is clear.
pub fn sounds_like(sound: &Sound) -> Option<Hint> {
    let mut all: Vec<Hint> =
        Kind::ALL.iter().map(|&kind| Hint { kind, confidence: confidence(kind, sound) }).collect();
    all.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let (best, next) = (all[0], all[1]);
    let struck = matches!(best.kind, Kind::LowDrum | Kind::Drums | Kind::HighPercussion);
    if sound.seconds < LEAST_SECONDS || struck && sound.seconds * sound.strokes < LEAST_STROKES {
        return None;
    }
    (best.confidence >= CLEAR && best.confidence - next.confidence >= APART).then_some(best)
}

/// From 0 at `none` to 1 at `full`, either way round.
fn sign(value: f64, none: f64, full: f64) -> f64 {
    ((value - none) / (full - none)).clamp(0.0, 1.0)
}

/// The worst sign of a kind.
fn confidence(kind: Kind, sound: &Sound) -> f64 {
    let low = sound.bands[0] + sound.bands[1];
    // A bass and a voice stand in the middle mostly.
    let width = sound.width.unwrap_or(0.0);
    let signs: &[f64] = match kind {
        Kind::LowDrum => &[
            sign(sound.bands[0] * (1.0 - sound.high), 0.4, 0.6),
            sign(sound.sharp, 0.6, 0.9),
            sign(sound.fall_seconds, 0.5, 0.36),
            sign(sound.duty, 0.7, 0.55),
            sign(sound.range_semitones, 5.0, 3.0),
            sign(sound.strokes, 0.2, 0.5),
        ],
        Kind::Bass => &[
            sign(low * (1.0 - sound.high), 0.15, 0.3),
            sign(sound.voiced, 0.5, 0.65),
            sign(sound.pitch_hz, 120.0, 90.0),
            sign(width, 0.35, 0.18),
            sign(sound.range_semitones, 2.0, 4.0),
            sign(sound.duty, 0.4, 0.6),
        ],
        Kind::Drums => &[
            sign(sound.voiced, 0.5, 0.36),
            sign(sound.several, 0.4, 0.2),
            sign(sound.sharp, 0.6, 0.85),
            sign(sound.fall_seconds, 0.5, 0.3),
            sign(sound.strokes, 0.4, 0.7),
            sign(sound.duty, 0.9, 0.75),
            sign(sound.high, 0.015, 0.03),
            sign(sound.high, 0.9, 0.8),
        ],
        Kind::HighPercussion => {
            &[sign(sound.high, 0.8, 0.9), sign(sound.strokes, 0.8, 1.6), sign(sound.sharp, 0.5, 0.8)]
        }
        Kind::Voice => &[
            sign(sound.voiced, 0.5, 0.7),
            sign(sound.glide_cents, 1.5, 3.0),
            sign(sound.pitch_hz, 75.0, 95.0),
            sign(sound.pitch_hz, 1000.0, 800.0),
            sign(sound.range_semitones, 2.0, 4.0),
            sign(sound.bands[0], 0.3, 0.1),
            sign(sound.strokes, 0.1, 0.3),
            sign(width, 0.7, 0.5),
        ],
        Kind::HeldChords => &[
            sign(sound.several, 0.5, 0.7),
            sign(sound.tonality, 0.6, 0.8),
            sign(sound.duty, 0.85, 0.95),
            sign(sound.strokes, 1.2, 0.8),
        ],
    };
    signs.iter().copied().fold(1.0, f64::min)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bass as it was measured on an invented one.
    const BASS: Sound = Sound {
        seconds: 60.0,
        tonality: 0.93,
        high: 0.0,
        bands: [0.66, 0.25, 0.07, 0.02],
        voiced: 0.86,
        pitch_hz: 73.0,
        range_semitones: 14.0,
        glide_cents: 0.2,
        several: 0.05,
        duty: 0.8,
        strokes: 1.5,
        sharp: 0.94,
        fall_seconds: 0.41,
        width: None,
    };

    #[test]
    fn what_lies_between_two_kinds_is_not_named() {
        assert_eq!(sounds_like(&BASS).map(|hint| hint.kind), Some(Kind::Bass));
        // Higher, with as many glides, it is a voice; in between it is neither.
        let voice = Sound { pitch_hz: 220.0, bands: [0.0, 0.5, 0.4, 0.1], glide_cents: 8.0, ..BASS };
        assert_eq!(sounds_like(&voice).map(|hint| hint.kind), Some(Kind::Voice));
        let between = Sound { pitch_hz: 93.0, bands: [0.1, 0.7, 0.1, 0.1], ..voice };
        assert_eq!(sounds_like(&between), None);
        assert_eq!(sounds_like(&Sound::default()), None);
        assert_eq!(sounds_like(&Sound { seconds: 3.0, ..BASS }), None, "too little of it");
    }
}
