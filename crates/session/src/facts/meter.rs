//! The meter where it is stated: "6/8", "6-8" in names, "in 3". Knows nothing of where the text stands.

use std::fmt;

use super::words::{patterns, plain};

/// A meter: beats of a bar, and the note value of one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Meter {
    /// Beats a bar.
    pub beats: u8,
    /// The note value: 2, 4, 8 or 16.
    pub unit: u8,
}

impl Meter {
    /// A meter that music has; others are taken for dates, fractions and numbers of parts.
    pub fn new(beats: u8, unit: u8) -> Option<Self> {
        let usual = match unit {
            2 => (2..=4).contains(&beats),
            4 => (2..=7).contains(&beats) || beats == 9,
            8 => matches!(beats, 3 | 5 | 6 | 7 | 9 | 10 | 11 | 12),
            16 => matches!(beats, 5 | 7 | 9 | 11 | 13 | 15),
            _ => false,
        };
        usual.then_some(Self { beats, unit })
    }

    /// Quarter notes a bar.
    pub fn quarters(self) -> f64 {
        f64::from(self.beats) * 4.0 / f64::from(self.unit)
    }

    /// How the bar is felt: its beats, and the quarter notes of one. Compound meters have dotted beats; `None` where the
    /// beats of a bar are not of one length.
    pub fn felt(self) -> Option<(usize, f64)> {
        match (self.beats, self.unit) {
            (beats, 2) => Some((usize::from(beats), 2.0)),
            (beats, 4) => Some((usize::from(beats), 1.0)),
            (beats, 8) if beats.is_multiple_of(3) => Some((usize::from(beats / 3), 1.5)),
            _ => None,
        }
    }
}

impl fmt::Display for Meter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.beats, self.unit)
    }
}

impl std::str::FromStr for Meter {
    type Err = ();

    /// Reads "6/8".
    fn from_str(text: &str) -> Result<Self, ()> {
        let (beats, unit) = text.split_once('/').ok_or(())?;
        meter(beats, unit).ok_or(())
    }
}

patterns! {
    /// "6/8", with the word behind it.
    SLASH = r"(?i)(?:^|[^\d/.,-])(\d{1,2})\s?/\s?(\d{1,2})(?:\s([a-z]+)|[^\d/.,-]|[.,](?:\D|$)|$)";
    /// "6-8".
    DASH = r"(?:^|[^\d.-])(\d{1,2})-(\d{1,2})(?:$|[^\d.-])";
    /// "time signature: 6-8", "meter 3:4".
    NAMED = r"(?i)\b(?:time signature|time sig|signature|meter|metre|time)(?: is)?\s?[:=]?\s?(\d{1,2})\s?[-/:]\s?(\d{1,2})(?:\D|$)";
    /// "in 3", at the end of what is said.
    COUNTED = r"(?i)\bin (\d{1,2})(?:$|\s*[,;.!)](?:\D|$))";
}

/// Words before two numbers that make them numbers of parts.
const PARTS: &[&str] = &[
    "stem",
    "stems",
    "track",
    "tracks",
    "part",
    "parts",
    "page",
    "file",
    "files",
    "disc",
    "disk",
    "cd",
    "zip",
    "folder",
    "take",
    "takes",
    "songs",
    "day",
    "session",
    "harm",
    "harmony",
    "harmonies",
    "vox",
    "bv",
    "bvs",
    "gtr",
    "gtrs",
    "mic",
    "mics",
    "bars",
    "bar",
    "on",
    "verse",
    "chorus",
    "v",
    "version",
    "from",
];

/// Whether the word before a place makes the number there one of parts.
fn counts_parts(before: &str) -> bool {
    let word = before.trim_end().rsplit(|c: char| !c.is_alphabetic()).next().unwrap_or_default();
    PARTS.contains(&word.to_ascii_lowercase().as_str())
}

/// Whether the word behind makes a fraction of it: "3/4 of the song".
fn counts_fractions(behind: Option<&str>) -> bool {
    behind
        .is_some_and(|word| matches!(word.to_ascii_lowercase().as_str(), "of" | "inch" | "through" | "done"))
}

fn meter(beats: &str, unit: &str) -> Option<Meter> {
    Meter::new(beats.parse().ok()?, unit.parse().ok()?)
}

/// The meters that a line of text states.
pub(super) fn meters_in_text(line: &str) -> Vec<Meter> {
    let line = plain(line);
    let named: Vec<Meter> =
        NAMED.captures_iter(&line).filter_map(|found| meter(&found[1], &found[2])).collect();
    if !named.is_empty() {
        return named;
    }
    let is_meter = |found: &regex_lite::Captures<'_>| {
        let before = found.get(1).map_or("", |beats| &line[..beats.start()]);
        !counts_parts(before) && !counts_fractions(found.get(3).map(|word| word.as_str()))
    };
    let mut meters: Vec<Meter> =
        SLASH.captures_iter(&line).filter(is_meter).filter_map(|found| meter(&found[1], &found[2])).collect();
    if meters.is_empty() {
        meters.extend(COUNTED.captures_iter(&line).filter_map(|found| counted(&found[1])));
    }
    meters
}

/// The meter that a name states: no slash can stand in one, so "6-8" does for it.
pub(super) fn meter_in_name(name: &str) -> Option<Meter> {
    let name = plain(name);
    DASH.captures_iter(&name)
        .filter(|found| !counts_parts(found.get(1).map_or("", |beats| &name[..beats.start()])))
        // "2-4" and "2-2" are numbers more often than meters.
        .find_map(|found| meter(&found[1], &found[2]).filter(|meter| meter.beats > 2 && meter.unit > 2))
}

/// "In 7" may be 7/4 or 7/8, and is left alone.
fn counted(beats: &str) -> Option<Meter> {
    let beats = beats.parse().ok()?;
    match beats {
        2..=5 => Meter::new(beats, 4),
        6 | 9 | 12 => Meter::new(beats, 8),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(line: &str) -> String {
        meters_in_text(line).iter().map(ToString::to_string).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn the_usual_spellings_in_text() {
        for line in [
            "6/8",
            "125 bpm, 6/8, D minor.",
            "Time signature: 6/8",
            "time sig 6-8",
            "Meter = 6:8",
            "It is in 6/8 time",
            "the song is in 6.",
            "Key Dm 6/8",
        ] {
            assert_eq!(text(line), "6/8", "{line}");
        }
        assert_eq!(text("in 3"), "3/4");
        assert_eq!(text("4/4, the bridge in 7/8"), "4/4 7/8");
    }

    #[test]
    fn dates_fractions_and_parts_are_no_meter() {
        for line in [
            "sent 6/8/2024",
            "3/4 of the song",
            "part 2/2",
            "page 3/4",
            "in 3 days",
            "in 7",
            "24/48",
            "1/4 inch",
            "2024/6/8",
            "file 4/4",
            "48/24",
            "1/1",
        ] {
            assert_eq!(text(line), "", "{line}");
        }
    }

    #[test]
    fn a_dash_does_for_the_slash_in_names() {
        for name in ["Song_92bpm_6-8", "Song 6-8 Dm", "6-8"] {
            assert_eq!(meter_in_name(name), Meter::new(6, 8), "{name}");
        }
        for name in ["Stems 5-8", "2024-6-8", "6-8-2024", "harm 3-4", "Song 2-4", "Song 1-8", "12 - 8", "6.8"]
        {
            assert_eq!(meter_in_name(name), None, "{name}");
        }
    }
}
