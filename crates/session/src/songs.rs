//! Whether a delivery holds several songs: folders in which the same names come again with other lengths. Folders of dry and
//! wet, or of two depths, have the same names too, but the same lengths. Knows names and lengths, and no sound.

use std::collections::{BTreeMap, BTreeSet};

/// Names that two folders must have in common: one alone ("Click") says nothing.
const LEAST_COMMON: usize = 2;

/// Lengths of one song's stems differ by a tail; those of two songs by more than this share of the longer.
const LEAST_DIFFERENCE: f64 = 0.02;

/// Of stems by path in the delivery and length in seconds: the folders that look like songs of their own, sorted,
/// with the names that they have in common; empty where there is no reason to think so.
pub fn several_songs(stems: &[(&str, f64)]) -> Vec<(String, BTreeSet<String>)> {
    let mut folders: BTreeMap<&str, BTreeMap<String, f64>> = BTreeMap::new();
    for (path, seconds) in stems {
        if let Some((folder, name)) = path.rsplit_once('/') {
            let name = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
            folders.entry(folder).or_default().insert(name.to_lowercase(), *seconds);
        }
    }
    let mut songs: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (one, own) in &folders {
        for (_, others) in folders.iter().filter(|(other, _)| other != &one) {
            let common: Vec<_> =
                own.iter().filter_map(|(name, a)| Some((name, a, others.get(name)?))).collect();
            let differ = common.iter().filter(|(_, a, b)| (*a - *b).abs() > LEAST_DIFFERENCE * a.max(**b));
            if common.len() >= LEAST_COMMON && differ.count() * 2 > common.len() {
                let names = songs.entry((*one).to_owned()).or_default();
                names.extend(common.iter().map(|(name, ..)| (*name).clone()));
            }
        }
    }
    songs.into_iter().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn folders(stems: &[(&str, f64)]) -> Vec<String> {
        several_songs(stems).into_iter().map(|(folder, _)| folder).collect()
    }

    #[test]
    fn same_names_with_other_lengths_are_another_song() {
        let stems = [
            ("A/Kick.wav", 200.0),
            ("A/Bass.wav", 198.0),
            ("A/Vox.wav", 180.0),
            ("B/kick.wav", 240.0),
            ("B/Bass.aif", 241.0),
            ("Mix.wav", 200.0),
        ];
        assert_eq!(folders(&stems), ["A", "B"]);
        let names: Vec<String> = several_songs(&stems)[0].1.iter().cloned().collect();
        assert_eq!(names, ["bass", "kick"]);
    }

    #[test]
    fn versions_of_one_song_are_one_song() {
        let versions = [
            ("Dry/Kick.wav", 200.0),
            ("Dry/Bass.wav", 198.0),
            ("Wet/Kick.wav", 201.0),
            ("Wet/Bass.wav", 198.5),
        ];
        assert_eq!(folders(&versions), [""; 0]);
        let families = [("Drums/Kick.wav", 200.0), ("Drums/Room.wav", 200.0), ("Keys/Piano.wav", 100.0)];
        assert_eq!(folders(&families), [""; 0]);
        let one_name = [("A/Click.wav", 100.0), ("B/Click.wav", 200.0), ("A/X.wav", 1.0), ("B/Y.wav", 1.0)];
        assert_eq!(folders(&one_name), [""; 0]);
    }
}
