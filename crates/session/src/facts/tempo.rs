//! The tempo where it is stated: "92bpm", "120 BPM", "Tempo: 92.5", "120-160-120 bpm". Knows nothing of where the text
//! stands.

use super::words::{patterns, plain};

/// Tempi that music has.
const BPM: std::ops::RangeInclusive<f64> = 30.0..=300.0;

/// Two statements are one tempo up to this: names round to hundredths, and MIDI to microseconds a quarter.
const SAME_BPM: f64 = 0.01;

/// A stated tempo: quarter notes a minute; several where it changes, in the order of the song.
#[derive(Debug, Clone, PartialEq)]
pub struct Tempo(Vec<f64>);

impl Tempo {
    /// A tempo from its steps; equal neighbours are one step. `None` without any, or outside 30 to 300.
    pub fn new(steps: impl IntoIterator<Item = f64>) -> Option<Self> {
        let mut bpm: Vec<f64> = steps.into_iter().collect();
        bpm.dedup_by(|a, b| (*a - *b).abs() <= SAME_BPM);
        (!bpm.is_empty() && bpm.iter().all(|step| BPM.contains(step))).then_some(Self(bpm))
    }

    /// The steps, one or more.
    pub fn bpm(&self) -> &[f64] {
        &self.0
    }

    /// The tempo where it never changes.
    pub fn steady(&self) -> Option<f64> {
        if let [bpm] = self.0[..] { Some(bpm) } else { None }
    }

    /// Whether both mean the same.
    pub fn agrees(&self, other: &Self) -> bool {
        self.0.len() == other.0.len() && self.0.iter().zip(&other.0).all(|(a, b)| (a - b).abs() <= SAME_BPM)
    }
}

patterns! {
    /// "92bpm", "92.5 BPM", "120-160-120 bpm", "120 > 160 bpm".
    BEFORE = r"(?i)(?:^|[^\d.,])(\d{1,3}(?:[.,]\d{1,4})?(?: ?(?:-|-?>) ?\d{1,3}(?:[.,]\d{1,4})?)*)[ -]?bpm(?:[^a-z]|$)";
    /// "BPM92", "bpm: 92", "tempo = 92", "♩ = 92".
    BEHIND = r"(?i)(?:^|[^a-z])(?:bpm|tempo|♩)(?: is| of)? ?[:=-]? ?(?:ca\.? ?|~ ?)?(\d{1,3}(?:[.,]\d{1,4})?(?: ?(?:-|-?>) ?\d{1,3}(?:[.,]\d{1,4})?)*)(?:[^\da-z/]|$)";
}

/// The tempo that a name or a line states. A number counts only together with "bpm" or "tempo": a bare one may be
/// anything.
pub(super) fn tempo_in(text: &str) -> Option<Tempo> {
    let text = plain(text);
    let steps = |pattern: &regex_lite::Regex| -> Vec<f64> {
        pattern.captures_iter(&text).flat_map(|found| numbers(&found[1])).collect()
    };
    let before = steps(&BEFORE);
    Tempo::new(if before.is_empty() { steps(&BEHIND) } else { before })
}

/// The numbers of a list, from the last one back as long as they are tempi: "03-92" is track 3 at 92.
fn numbers(list: &str) -> Vec<f64> {
    let all = list.split(['-', '>']).filter(|part| !part.trim().is_empty());
    let all: Vec<Option<f64>> = all.map(|part| part.trim().replace(',', ".").parse().ok()).collect();
    let mut tempi: Vec<f64> =
        all.into_iter().rev().map_while(|bpm| bpm.filter(|bpm| BPM.contains(bpm))).collect();
    tempi.reverse();
    tempi
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(text: &str) -> Vec<f64> {
        tempo_in(text).map(|tempo| tempo.bpm().to_vec()).unwrap_or_default()
    }

    #[test]
    fn the_usual_spellings() {
        for text in [
            "Song_92bpm_Dm",
            "Song 92 BPM",
            "BPM92 Song",
            "song-bpm-92",
            "Tempo: 92",
            "tempo = 92.0, click on",
            "♩ = 92",
            "Track 12-92bpm",
            "It is at 92 bpm, 44.1 kHz, 24 bit",
            "92-bpm",
            "2024-05-92bpm",
            "Song92bpm",
            "The tempo is 92.",
        ] {
            assert_eq!(found(text), [92.0], "{text}");
        }
        assert_eq!(found("Song_92.5bpm_Dm"), [92.5]);
        assert_eq!(found("92,25 bpm"), [92.25]);
    }

    #[test]
    fn changes_are_kept_in_order() {
        for text in ["120-160-120 bpm", "Song_120-160-120bpm", "Tempo: 120 -> 160 → 120"] {
            assert_eq!(found(text), [120.0, 160.0, 120.0], "{text}");
        }
        assert_eq!(found("verse 92 bpm, chorus 96 bpm"), [92.0, 96.0]);
        assert_eq!(found("92 bpm, as I said: 92 bpm"), [92.0]);
    }

    #[test]
    fn a_number_alone_states_nothing() {
        for text in [
            "Song 92",
            "Track 120",
            "9bpm",
            "48k24b",
            "bpm",
            "1200bpm",
            "bpm 48k",
            "tempo 4/4",
            "48 kHz",
            "our tempos 92",
        ] {
            assert_eq!(found(text), [] as [f64; 0], "{text}");
        }
    }
}
