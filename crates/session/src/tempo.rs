//! The tempo where the names state it. A stated tempo is a fact of the client's; nothing is estimated here.

use crate::token::{stem_of, tokens};

/// Tempi that music has.
const BPM: std::ops::RangeInclusive<f64> = 30.0..=300.0;

/// The tempo stated in the delivery's name or in most of its file names: beats a minute, and where it stands.
///
/// A number counts only together with "bpm" ("92bpm", "92 bpm", "BPM92"): a bare number may be anything. Names that
/// contradict each other state nothing.
pub fn tempo_of(delivery: &str, paths: &[&str]) -> Option<(f64, String)> {
    if let Some(bpm) = stated(delivery) {
        return Some((bpm, "the delivery's name".to_owned()));
    }
    let found: Vec<f64> = paths.iter().filter_map(|path| stated(stem_of(path))).collect();
    let first = *found.first()?;
    let agree = found.iter().all(|bpm| (bpm - first).abs() < 1e-9);
    (agree && found.len() * 2 > paths.len())
        .then(|| (first, format!("{} of {} file names", found.len(), paths.len())))
}

fn stated(name: &str) -> Option<f64> {
    // A decimal point is no border between words here.
    let name = name.replace(['.', ','], "\u{2}");
    let keys: Vec<String> = decimal_tokens(&name);
    let number = |text: &str| text.parse::<f64>().ok().filter(|bpm| BPM.contains(bpm));
    keys.iter().enumerate().find_map(|(index, key)| {
        if key == "bpm" {
            let before = index.checked_sub(1).and_then(|i| number(&keys[i]));
            return before.or_else(|| keys.get(index + 1).and_then(|next| number(next)));
        }
        number(key.strip_suffix("bpm").or_else(|| key.strip_prefix("bpm"))?)
    })
}

/// Words in which a point between two digits has been kept.
fn decimal_tokens(name: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    for part in name.split(|c: char| c != '\u{2}' && !c.is_alphanumeric()) {
        words
            .extend(tokens(&part.replace('\u{2}', "#")).into_iter().map(|token| token.key.replace('#', ".")));
    }
    words
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_number_with_bpm_counts() {
        for name in ["Song_92bpm_Dm", "Song 92 BPM", "BPM92 Song", "song-bpm-92"] {
            assert_eq!(stated(name), Some(92.0), "{name}");
        }
        assert_eq!(stated("Song_92.5bpm_Dm"), Some(92.5));
        for name in ["Song 92", "Track 120", "9bpm", "48k24b", "bpm"] {
            assert_eq!(stated(name), None, "{name}");
        }
    }

    #[test]
    fn contradictions_state_nothing() {
        assert_eq!(
            tempo_of("Song", &["a_92bpm.wav", "b_92bpm.wav", "c.wav"]).map(|(bpm, _)| bpm),
            Some(92.0)
        );
        assert_eq!(tempo_of("Song", &["a_92bpm.wav", "b_93bpm.wav"]), None);
        assert_eq!(tempo_of("Song", &["a_92bpm.wav", "b.wav", "c.wav"]), None);
    }
}
