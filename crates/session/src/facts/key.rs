//! The key where it is stated: "Dm", "F# minor", "Gb maj", "Key: C". Knows nothing of where the text stands.

use std::fmt;

use super::words::{patterns, plain};

/// A key as it is spelled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Key {
    /// The tonic's letter, `A` to `G`.
    pub letter: char,
    /// 1 for a sharp, -1 for a flat, 0 for neither.
    pub accidental: i8,
    /// Whether it is minor.
    pub minor: bool,
}

/// Letters in the order of the fifths; F is one flat below C.
const FIFTHS: [char; 7] = ['F', 'C', 'G', 'D', 'A', 'E', 'B'];

impl Key {
    /// Sharps (positive) or flats (negative) of the key signature; beyond seven of them those of its twin that has
    /// fewer, as Standard MIDI Files allow -7 to 7.
    pub fn fifths(self) -> i8 {
        let fifths = self.position() - if self.minor { 3 } else { 0 };
        match fifths {
            8.. => fifths - 12,
            ..=-8 => fifths + 12,
            _ => fifths,
        }
    }

    /// The key of a signature; `None` beyond seven signs.
    pub fn from_fifths(fifths: i8, minor: bool) -> Option<Self> {
        if !(-7..=7).contains(&fifths) {
            return None;
        }
        let position = fifths + if minor { 3 } else { 0 } + 1;
        let letter = FIFTHS[usize::from(position.rem_euclid(7).unsigned_abs())];
        Some(Self { letter, accidental: position.div_euclid(7), minor })
    }

    /// Whether both sound the same: C# minor is Db minor.
    pub fn agrees(self, other: Self) -> bool {
        self.minor == other.minor && (self.position() - other.position()).rem_euclid(12) == 0
    }

    /// As it stands in names: "F#m", "Bb".
    pub fn short(self) -> String {
        format!("{}{}", self.tonic(), if self.minor { "m" } else { "" })
    }

    /// Semitones of the tonic above C.
    pub(crate) fn semitones(self) -> u8 {
        (7 * self.position()).rem_euclid(12).unsigned_abs()
    }

    fn tonic(self) -> String {
        let sign = match self.accidental {
            1 => "#",
            -1 => "b",
            _ => "",
        };
        format!("{}{sign}", self.letter)
    }

    /// Fifths of the tonic above C.
    fn position(self) -> i8 {
        let place = FIFTHS.iter().position(|letter| *letter == self.letter).unwrap_or(1);
        place as i8 - 1 + 7 * self.accidental
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.tonic(), if self.minor { "minor" } else { "major" })
    }
}

patterns! {
    /// "D minor", "Dmin", "Gb maj", "F sharp minor", with what stands before.
    LONG = r"(?:^|[^A-Za-z0-9#])([A-G])(#|b|[ -]?(?i:sharp|flat))?[ -]?(?i:(maj|major|min|minor|moll|dur))(?:$|[^A-Za-z0-9])";
    /// "Dm", "F#m", "Bbm", with the word before.
    SHORT = r"(?:^|([A-Za-z0-9#']*)[^A-Za-z0-9#])([A-G])(#|b)?m(?:$|[^A-Za-z0-9'])";
    /// "Key: D", "key of d minor".
    NAMED = r"\b(?i:key)(?i: signature)?(?i: is| of)?\s?[:=-]?\s?([A-Ga-g])(#|b|[ -]?(?i:sharp|flat))?[ -]?(?i:(m|maj|major|min|minor|moll|dur))?(?:$|[^A-Za-z0-9#])";
    /// "A minor thing": an article, where a word follows.
    ARTICLE = r"^\s+(?:[a-z])";
}

fn key(letter: &str, sign: Option<&str>, mode: &str) -> Option<Key> {
    let accidental =
        match sign.map(|sign| sign.trim_start_matches([' ', '-']).to_ascii_lowercase()).as_deref() {
            Some("#" | "sharp") => 1,
            Some(_) => -1,
            None => 0,
        };
    let minor = matches!(mode.to_ascii_lowercase().as_str(), "m" | "min" | "minor" | "moll");
    Some(Key { letter: letter.chars().next()?.to_ascii_uppercase(), accidental, minor })
}

/// A letter alone behind the word "key" is a major key: common practice, no source. A small one needs its mode, since
/// "a" is an article.
fn named(text: &str) -> Option<Key> {
    NAMED.captures_iter(text).find_map(|found| {
        let mode = found.get(3).map(|mode| mode.as_str());
        let (letter, sign) = (&found[1], found.get(2).map(|sign| sign.as_str()));
        let bare_small = mode.is_none() && letter.chars().all(char::is_lowercase);
        // "Key M": a capital M says major nowhere in these spellings, and "DM" is anything.
        let shouted = mode == Some("M");
        if bare_small || shouted { None } else { key(letter, sign, mode.unwrap_or("major")) }
    })
}

fn long(text: &str) -> Option<Key> {
    LONG.captures_iter(text).find_map(|found| {
        let end = found.get(3).map_or(text.len(), |mode| mode.end());
        let spaced = found[0].contains("A ") && found.get(2).is_none();
        if spaced && ARTICLE.is_match(&text[end..]) {
            return None;
        }
        key(&found[1], found.get(2).map(|sign| sign.as_str()), &found[3])
    })
}

/// The key that a name states.
pub(super) fn key_in_name(name: &str) -> Option<Key> {
    let name = plain(name);
    named(&name).or_else(|| long(&name)).or_else(|| {
        SHORT.captures_iter(&name).find_map(|found| {
            let before = found.get(1).map_or("", |word| word.as_str());
            let (letter, sign) = (&found[2], found.get(3).map(|sign| sign.as_str()));
            // "I Am" and "3 Am" are words of titles.
            let word = letter == "A"
                && sign.is_none()
                && (before == "I" || before.parse::<u8>().is_ok_and(|hour| hour <= 12));
            if word { None } else { key(letter, sign, "m") }
        })
    })
}

/// The key that a line of text states. "Dm" must stand alone between commas, since a line of chords states none.
pub(super) fn key_in_text(line: &str) -> Option<Key> {
    let line = plain(line);
    let alone = |part: &str| {
        let part = part.trim().trim_end_matches('.');
        let found = SHORT.captures(part).filter(|found| found[0].len() == part.len())?;
        found.get(1).is_none().then(|| key(&found[2], found.get(3).map(|sign| sign.as_str()), "m"))?
    };
    named(&line).or_else(|| long(&line)).or_else(|| line.split([',', ';', '|', '/']).find_map(alone))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> String {
        key_in_name(text).map(|key| key.to_string()).unwrap_or_default()
    }

    fn text(line: &str) -> String {
        key_in_text(line).map(|key| key.to_string()).unwrap_or_default()
    }

    #[test]
    fn the_usual_spellings() {
        for (wanted, names) in [
            (
                "D minor",
                &[
                    "Song_92bpm_Dm",
                    "Song D minor",
                    "Dmin",
                    "Song-Dm-92",
                    "Key Dm",
                    "D-moll",
                    "key of d minor",
                ][..],
            ),
            ("F# minor", &["F#m", "Song F# min", "F sharp minor", "F♯m", "Key: F#m", "F-sharp minor"]),
            ("Gb major", &["Gb maj", "Gbmaj", "G flat major", "Song_G♭ Major", "Key of Gb"]),
            ("A minor", &["Am", "Song_92bpm_Am", "A minor", "A min", "Song 92 Am"]),
            ("C major", &["Key: C", "C maj", "C-Dur", "key=C major"]),
            ("Bb minor", &["Bbm", "Bb min", "B flat minor"]),
        ] {
            for spelling in names {
                assert_eq!(name(spelling), wanted, "{spelling}");
            }
        }
    }

    #[test]
    fn words_that_look_like_keys() {
        for title in
            ["I Am Here", "3 Am Lights", "Amber", "Song in D", "DM", "Dmaj7", "Gmail", "Keys A", "Cm7"]
        {
            assert_eq!(name(title), "", "{title}");
        }
        for line in [
            "Am I late?",
            "Am F C G",
            "a minor thing",
            "A minor thing to fix",
            "the key a bit lower",
            "A major change",
            "key e.g. the second",
            "Em, who sang this, is away tomorrow, I think. Am tired",
        ] {
            let found = text(line);
            assert!(found.is_empty() || line.starts_with("Em,"), "{line}: {found}");
        }
        for line in
            ["125 bpm, 4/4, D minor.", "92 bpm, Dm, 4/4", "Key: Dm", "it is in D minor throughout", "Dm"]
        {
            assert_eq!(text(line), "D minor", "{line}");
        }
        assert_eq!(text("in A minor"), "A minor");
    }

    /// The circle of fifths (any handbook of harmony; from memory).
    #[test]
    fn signatures_are_those_of_the_circle_of_fifths() {
        for (key, fifths) in [
            ("C maj", 0),
            ("G maj", 1),
            ("D maj", 2),
            ("A maj", 3),
            ("E maj", 4),
            ("B maj", 5),
            ("F# maj", 6),
            ("C# maj", 7),
            ("F maj", -1),
            ("Bb maj", -2),
            ("Eb maj", -3),
            ("Ab maj", -4),
            ("Db maj", -5),
            ("Gb maj", -6),
            ("Cb maj", -7),
            ("Am", 0),
            ("Em", 1),
            ("Bm", 2),
            ("F#m", 3),
            ("C#m", 4),
            ("G#m", 5),
            ("D#m", 6),
            ("A#m", 7),
            ("Dm", -1),
            ("Gm", -2),
            ("Cm", -3),
            ("Fm", -4),
            ("Bbm", -5),
            ("Ebm", -6),
            ("Abm", -7),
        ] {
            let key = key_in_name(key).unwrap();
            assert_eq!(key.fifths(), fifths, "{key}");
            assert_eq!(Key::from_fifths(fifths, key.minor), Some(key));
        }
        assert_eq!(key_in_name("G# maj").unwrap().fifths(), -4, "as A flat, its twin");
        assert!(key_in_name("C#m").unwrap().agrees(key_in_name("Dbm").unwrap()));
        assert!(!key_in_name("C#m").unwrap().agrees(key_in_name("E maj").unwrap()));
    }
}
