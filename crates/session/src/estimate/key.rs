//! The key, from how much sounds at every place of the octave: the correlation with key profiles (Krumhansl, "Cognitive
//! Foundations of Musical Pitch", 1990). Knows nothing of how the sound was measured, and no statement.

use crate::facts::Key;

/// What the pitches of a song say of its key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeyFit {
    /// The key that fits best.
    pub key: Key,
    /// Its correlation, −1 to 1.
    pub correlation: f64,
    /// The next one.
    pub next: Key,
    /// By how much the best one fits better than that.
    pub margin: f64,
    /// How far the tuning lies above A = 440 Hz, −50 to 50 cents.
    pub cents: f64,
}

/// Profiles of major and minor, the tonic first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Profile {
    /// Its name.
    pub name: &'static str,
    /// Semitones above the tonic of a major key.
    pub major: [f64; 12],
    /// Semitones above the tonic of a minor key.
    pub minor: [f64; 12],
}

/// Published profiles, as they stand in the package `music21` 10.5.1 (`PyPI`, BSD): Krumhansl and Kessler 1982; Temperley
/// ("Kostka-Payne"), "Music and Probability", 2007; Bellman and Budge, 2005; Aarden and Essen, 2003; Sapp, "simple", 2011.
pub const PROFILES: [Profile; 5] = [
    Profile {
        name: "Krumhansl-Kessler",
        major: [6.35, 2.23, 3.48, 2.33, 4.38, 4.09, 2.52, 5.19, 2.39, 3.66, 2.29, 2.88],
        minor: [6.33, 2.68, 3.52, 5.38, 2.60, 3.53, 2.54, 4.75, 3.98, 2.69, 3.34, 3.17],
    },
    Profile {
        name: "Temperley-Kostka-Payne",
        major: [0.748, 0.060, 0.488, 0.082, 0.670, 0.460, 0.096, 0.715, 0.104, 0.366, 0.057, 0.400],
        minor: [0.712, 0.084, 0.474, 0.618, 0.049, 0.460, 0.105, 0.747, 0.404, 0.067, 0.133, 0.330],
    },
    Profile {
        name: "Bellman-Budge",
        major: [16.80, 0.86, 12.95, 1.41, 13.49, 11.93, 1.25, 20.28, 1.80, 8.04, 0.62, 10.57],
        minor: [18.16, 0.69, 12.99, 13.34, 1.07, 11.15, 1.38, 21.07, 7.49, 1.53, 0.92, 10.21],
    },
    Profile {
        name: "Aarden-Essen",
        major: [
            17.7661, 0.145_624, 14.9265, 0.160_186, 19.8049, 11.3587, 0.291_248, 22.062, 0.145_624, 8.15494,
            0.232_998, 4.95122,
        ],
        minor: [
            18.2648, 0.737_619, 14.0499, 16.8599, 0.702_494, 14.4362, 0.702_494, 18.6161, 4.56621, 1.93186,
            7.37619, 1.75623,
        ],
    },
    Profile {
        name: "Sapp simple",
        major: [2.0, 0.0, 1.0, 0.0, 1.0, 1.0, 0.0, 2.0, 0.0, 1.0, 0.0, 1.0],
        minor: [2.0, 0.0, 1.0, 1.0, 0.0, 1.0, 0.0, 2.0, 1.0, 0.0, 0.5, 0.5],
    },
];

/// Pearson's correlation.
fn correlation(a: &[f64; 12], b: &[f64; 12]) -> f64 {
    let mean = |values: &[f64; 12]| values.iter().sum::<f64>() / 12.0;
    let (mean_a, mean_b) = (mean(a), mean(b));
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        let (x, y) = (x - mean_a, y - mean_b);
        ab += x * y;
        aa += x * x;
        bb += y * y;
    }
    if aa > 0.0 && bb > 0.0 { ab / (aa * bb).sqrt() } else { 0.0 }
}

/// The correlation of twelve classes, C first, with all keys: C major, C minor, C# major and so on.
pub fn correlations(classes: &[f64; 12], profile: &Profile) -> Vec<(Key, f64)> {
    let mut all = Vec::with_capacity(24);
    for tonic in 0..12 {
        let mut turned = *classes;
        turned.rotate_left(tonic);
        all.push((key(tonic, false), correlation(&turned, &profile.major)));
        all.push((key(tonic, true), correlation(&turned, &profile.minor)));
    }
    all
}

/// The key of a tonic in semitones above C, in its usual spelling: five flats to six sharps.
fn key(tonic: usize, minor: bool) -> Key {
    let relative = if minor { tonic + 3 } else { tonic };
    let fifths = (relative * 7 + 5) % 12;
    Key::from_fifths(fifths as i8 - 5, minor).expect("five flats to six sharps are at most seven signs")
}

/// The key of a circle of an octave that begins at C of A = 440 Hz: its tuning first, then the fit. `None` where there is
/// nothing.
pub fn key_of_circle(circle: &[f64], profile: &Profile) -> Option<KeyFit> {
    let cents = tuning(circle)?;
    let classes = classes(circle, cents);
    let mut all = correlations(&classes, profile);
    all.sort_by(|a, b| b.1.total_cmp(&a.1));
    let [(key, correlation), (next, runner_up)] = all[..2] else { return None };
    Some(KeyFit { key, correlation, next, margin: correlation - runner_up, cents })
}

/// How far the notes lie from the grid of 440 Hz, in cents: the mean direction of what is a circle within each semitone.
fn tuning(circle: &[f64]) -> Option<f64> {
    let angle = |index: usize| std::f64::consts::TAU * 12.0 * index as f64 / circle.len() as f64;
    let (mut x, mut y) = (0.0, 0.0);
    for (index, weight) in circle.iter().enumerate() {
        x += weight * libm::cos(angle(index));
        y += weight * libm::sin(angle(index));
    }
    (x != 0.0 || y != 0.0).then(|| libm::atan2(y, x) * 50.0 / std::f64::consts::PI)
}

/// The circle in twelve classes, C first. Each place belongs to its nearest class, and less the further it is from it.
fn classes(circle: &[f64], cents: f64) -> [f64; 12] {
    let mut classes = [0.0; 12];
    for (index, weight) in circle.iter().enumerate() {
        let semitones = 12.0 * index as f64 / circle.len() as f64 - cents / 100.0;
        let nearest = semitones.round();
        let share = libm::cos(std::f64::consts::PI * (semitones - nearest)).powi(2);
        classes[nearest.rem_euclid(12.0) as usize % 12] += weight * share;
    }
    classes
}

/// How two keys stand to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KeyRelation {
    /// They are one.
    Same,
    /// A fifth apart, of one mode.
    Fifth,
    /// Major and minor of one signature.
    Relative,
    /// Major and minor of one tonic.
    Parallel,
    /// Anything else.
    Other,
}

/// How two keys stand to each other, however they are spelled.
pub fn key_relation(a: Key, b: Key) -> KeyRelation {
    let apart = (a.semitones() + 12 - b.semitones()) % 12;
    match (a.minor, b.minor, apart) {
        (x, y, 0) if x == y => KeyRelation::Same,
        (_, _, 0) => KeyRelation::Parallel,
        (x, y, 5 | 7) if x == y => KeyRelation::Fifth,
        (true, false, 9) | (false, true, 3) => KeyRelation::Relative,
        _ => KeyRelation::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KRUMHANSL: &Profile = &PROFILES[0];

    /// A scale or chord: the classes that sound, equally loud.
    fn sounding(classes: &[usize]) -> [f64; 12] {
        let mut all = [0.0; 12];
        for &class in classes {
            all[class] = 1.0;
        }
        all
    }

    fn best(classes: &[f64; 12]) -> Vec<(String, f64)> {
        let mut all = correlations(classes, KRUMHANSL);
        all.sort_by(|a, b| b.1.total_cmp(&a.1));
        all.into_iter().map(|(key, r)| (key.to_string(), (r * 1e4).round() / 1e4)).collect()
    }

    /// Pearson correlations with the pair of Krumhansl and Kessler 1982, computed apart from this program.
    #[test]
    fn scales_and_chords_correlate_as_the_profiles_say() {
        let named = |list: &[(&str, f64)]| -> Vec<(String, f64)> {
            list.iter().map(|&(name, r)| (name.to_owned(), r)).collect()
        };
        assert_eq!(
            best(&sounding(&[0, 2, 4, 5, 7, 9, 11]))[..3],
            named(&[("C major", 0.7564), ("A minor", 0.7121), ("G major", 0.6775)])
        );
        assert_eq!(best(&sounding(&[0, 4, 7]))[..2], named(&[("C major", 0.8338), ("E minor", 0.7602)]));
        assert_eq!(best(&sounding(&[9, 0, 4]))[..2], named(&[("A minor", 0.8886), ("C major", 0.6007)]));
        let harmonic = best(&sounding(&[9, 11, 0, 2, 4, 5, 8]));
        assert_eq!(harmonic[0], ("A minor".to_owned(), 0.6872));
        assert!(harmonic.contains(&("F major".to_owned(), 0.3924)), "{harmonic:?}");
    }

    #[test]
    fn a_profile_fits_itself_at_every_tonic() {
        for profile in &PROFILES {
            for tonic in 0..12 {
                for (minor, own) in [(false, profile.major), (true, profile.minor)] {
                    let mut classes = own;
                    classes.rotate_right(tonic);
                    let all = correlations(&classes, profile);
                    let (found, r) = all.iter().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap();
                    assert!(
                        (r - 1.0).abs() < 1e-12 && found.agrees(key(tonic, minor)),
                        "{} {found}",
                        profile.name
                    );
                }
            }
        }
    }

    #[test]
    fn the_tuning_is_taken_out_of_the_circle() {
        for cents in [-40, -20, 0, 10, 30] {
            let mut circle = [0.0; 120];
            for class in [0i32, 4, 7, 0, 2, 5, 9, 11] {
                circle[(class * 10 + cents / 10).rem_euclid(120) as usize] += 1.0;
            }
            let fit = key_of_circle(&circle, KRUMHANSL).unwrap();
            assert!((fit.cents - f64::from(cents)).abs() < 0.01, "{cents}: {}", fit.cents);
            assert_eq!(fit.key.to_string(), "C major", "{cents}");
        }
        assert_eq!(key_of_circle(&[0.0; 120], KRUMHANSL), None);
    }

    /// MIREX, "Audio Key Detection": the relations that its scores know.
    #[test]
    fn keys_are_related_however_they_are_spelled() {
        use KeyRelation::{Fifth, Other, Parallel, Relative, Same};
        let of = |a: &str, b: &str| {
            let read = |text| crate::facts::key_of(text).unwrap();
            (key_relation(read(a), read(b)), key_relation(read(b), read(a)))
        };
        for (a, b, wanted) in [
            ("C# minor", "Db minor", Same),
            ("C major", "G major", Fifth),
            ("D minor", "G minor", Fifth),
            ("C major", "A minor", Relative),
            ("Eb major", "C minor", Relative),
            ("E major", "E minor", Parallel),
            ("C major", "D major", Other),
            ("C major", "Eb minor", Other),
        ] {
            assert_eq!(of(a, b), (wanted, wanted), "{a} {b}");
        }
    }
}
