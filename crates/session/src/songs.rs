//! Whether a delivery holds several songs: folders, or beginnings of names, whose files are of another length than those of the
//! others. Folders of takes, of dry and wet, or of instruments are those of one song. Knows names and lengths, and no sound.

use std::collections::BTreeMap;

use crate::family::Family;
use crate::role::role_of;
use crate::token::{is_border, tokens, without_digits};

/// Names that two songs must have in common, where names say it: one alone ("Click") says nothing.
const LEAST_COMMON: usize = 2;

/// Lengths of one song's stems differ by a tail; those of two songs by more than this share of the longer.
const LEAST_DIFFERENCE: f64 = 0.02;

/// A song is not longer than this many times another one of the same delivery: what is, is a folder of loops or samples.
/// Common practice, no source.
const MOST_TIMES: f64 = 4.0;

/// Songs have more than one stem.
const LEAST_STEMS: usize = 2;

/// Where beginnings of names say it, this part of the stems has one.
const NAMED_PART: f64 = 0.8;

/// Words of folders and names that are ways to make or keep one song, and no title.
const NO_TITLE: &[&str] = &[
    "take",
    "takes",
    "tk",
    "dry",
    "wet",
    "old",
    "new",
    "alt",
    "alternate",
    "alternative",
    "version",
    "versions",
    "ver",
    "v",
    "mono",
    "stereo",
    "raw",
    "edit",
    "edits",
    "edited",
    "tuned",
    "untuned",
    "comp",
    "comps",
    "backup",
    "unused",
    "extra",
    "extras",
    "demo",
    "day",
    "session",
    "loop",
    "loops",
    "sample",
    "samples",
    "stems",
    "audio",
    "bounce",
    "bounces",
    "mix",
];

/// A song of a delivery.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SongFiles {
    /// Its name: that of its folder, or what the names of its files begin with.
    pub name: String,
    /// What the paths of its files begin with.
    pub begins: String,
}

/// Files that may be a song: what their paths begin with, what is behind it in lower case, and lengths in seconds.
struct Group {
    name: String,
    begins: String,
    files: BTreeMap<String, f64>,
}

/// Of stems by path in the delivery and length in seconds: the songs, sorted; empty where there is no reason to think that there
/// are several.
pub fn several_songs(stems: &[(&str, f64)]) -> Vec<SongFiles> {
    let songs = different(&by_folder(stems, ""));
    if songs.is_empty() { different(&by_beginning(stems)) } else { songs }
}

/// The groups that are another song than one of the others.
fn different(groups: &[Group]) -> Vec<SongFiles> {
    let is_song =
        |one: &&Group| groups.iter().any(|other| other.begins != one.begins && is_another(one, other));
    let song = |one: &Group| SongFiles { name: one.name.clone(), begins: one.begins.clone() };
    groups.iter().filter(is_song).map(song).collect()
}

/// Whether two groups are two songs.
fn is_another(one: &Group, other: &Group) -> bool {
    let differ = |a: f64, b: f64| (a - b).abs() > LEAST_DIFFERENCE * a.max(b);
    let shared: Vec<(f64, f64)> =
        one.files.iter().filter_map(|(name, a)| Some((*a, *other.files.get(name)?))).collect();
    let others = shared.iter().filter(|(a, b)| differ(*a, *b)).count();
    let by_names = shared.len() >= LEAST_COMMON && others * 2 > shared.len();
    let by_lengths = || {
        let (a, b) = (length(one)?, length(other)?);
        Some(differ(a, b) && a.max(b) <= MOST_TIMES * a.min(b))
    };
    // The same names with the same lengths are versions of one song.
    let versions = shared.len() >= LEAST_COMMON && !by_names;
    by_names || (!versions && by_lengths() == Some(true))
}

/// The one length of a group's files, of which two thirds have it.
fn length(group: &Group) -> Option<f64> {
    let longest = group.files.values().copied().reduce(f64::max)?;
    let whole =
        group.files.values().filter(|seconds| longest - **seconds <= LEAST_DIFFERENCE * longest).count();
    (whole >= LEAST_STEMS && whole * 3 >= group.files.len() * 2).then_some(longest)
}

/// Whether words may be a title: they name no part of the band and no version.
fn is_title(words: &str) -> bool {
    let keys: Vec<String> = tokens(words).iter().map(|token| without_digits(&token.key)).collect();
    role_of(words).family == Family::Unsorted && !keys.iter().any(|key| NO_TITLE.contains(&key.as_str()))
}

fn bare(name: &str) -> String {
    let folder = name.rsplit_once('/').map_or(0, |(folder, _)| folder.len());
    let end = name[folder..].rsplit_once('.').map_or(name.len(), |(stem, _)| folder + stem.len());
    name[..end].to_lowercase()
}

/// The topmost folders that part the stems.
fn by_folder(stems: &[(&str, f64)], above: &str) -> Vec<Group> {
    let mut folders: BTreeMap<&str, BTreeMap<String, f64>> = BTreeMap::new();
    for (path, seconds) in stems {
        if let Some((folder, rest)) = path.strip_prefix(above).and_then(|below| below.split_once('/')) {
            folders.entry(folder).or_default().insert(bare(rest), *seconds);
        }
    }
    if let [folder] = folders.keys().copied().collect::<Vec<_>>()[..] {
        return by_folder(stems, &format!("{above}{folder}/"));
    }
    folders
        .into_iter()
        .filter(|(folder, files)| is_title(folder) && files.len() >= LEAST_STEMS)
        .map(|(folder, files)| Group { name: folder.to_owned(), begins: format!("{above}{folder}/"), files })
        .collect()
}

/// Files of one folder by the first words of their names: "`NorthRoad_92bpm_`", "`PaperStreet_120bpm_`".
fn by_beginning(stems: &[(&str, f64)]) -> Vec<Group> {
    let folder = |path: &str| path.rsplit_once('/').map_or(String::new(), |(folder, _)| format!("{folder}/"));
    let mut words: BTreeMap<(String, String), Vec<(&str, f64)>> = BTreeMap::new();
    for (path, seconds) in stems {
        let folder = folder(path);
        let name = &path[folder.len()..];
        let first = name.split(is_border).find(|word| !word.is_empty()).unwrap_or_default();
        words.entry((folder.clone(), first.to_lowercase())).or_default().push((path, *seconds));
    }
    words.retain(|(_, first), files| files.len() >= LEAST_STEMS && is_title(first));
    let named: usize = words.values().map(Vec::len).sum();
    if (named as f64) < NAMED_PART * stems.len() as f64 {
        return Vec::new();
    }
    words.into_iter().filter_map(|((folder, _), files)| beginning(&folder, &files)).collect()
}

/// A group by all that its files' paths begin with, up to the end of a word.
fn beginning(folder: &str, files: &[(&str, f64)]) -> Option<Group> {
    let first = files.first()?.0;
    let shared = files.iter().fold(first.len(), |shared, (path, _)| {
        first
            .char_indices()
            .zip(path.chars())
            .find(|((_, a), b)| a != b)
            .map_or(shared, |((at, _), _)| at.min(shared))
    });
    let end = first[..shared].rfind(is_border)? + 1;
    let begins = first.get(..end)?.to_owned();
    let name = begins.get(folder.len()..)?.trim_matches(is_border).to_owned();
    let files = files.iter().map(|(path, seconds)| (bare(&path[end..]), *seconds)).collect();
    (!name.is_empty()).then_some(Group { name, begins, files })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(stems: &[(&str, f64)]) -> Vec<String> {
        several_songs(stems).into_iter().map(|song| song.name).collect()
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
        assert_eq!(names(&stems), ["A", "B"]);
        let below: Vec<(String, f64)> =
            stems.iter().map(|(path, length)| (format!("from the client/{path}"), *length)).collect();
        let below: Vec<(&str, f64)> =
            below[..5].iter().map(|(path, length)| (path.as_str(), *length)).collect();
        assert_eq!(several_songs(&below)[1].begins, "from the client/B/");
    }

    #[test]
    fn versions_of_one_song_are_one_song() {
        let versions = [
            ("Dry/Kick.wav", 200.0),
            ("Dry/Bass.wav", 198.0),
            ("Wet/Kick.wav", 201.0),
            ("Wet/Bass.wav", 198.5),
        ];
        assert_eq!(names(&versions), [""; 0]);
        let takes = [
            ("Take 1/Kick.wav", 200.0),
            ("Take 1/Bass.wav", 200.0),
            ("Take 2/Kick.wav", 230.0),
            ("Take 2/Bass.wav", 230.0),
        ];
        assert_eq!(names(&takes), [""; 0]);
        let families = [("Drums/Kick.wav", 200.0), ("Drums/Room.wav", 200.0), ("Keys/Piano.wav", 100.0)];
        assert_eq!(names(&families), [""; 0]);
        let one_name = [("A/Click.wav", 100.0), ("B/Click.wav", 200.0), ("A/X.wav", 1.0), ("B/Y.wav", 1.0)];
        assert_eq!(names(&one_name), [""; 0]);
    }

    #[test]
    fn beginnings_of_names_part_songs_of_other_lengths() {
        let files = |first: f64, second: f64| {
            [
                ("NorthRoad_92bpm_Kick.wav", first),
                ("NorthRoad_92bpm_Bass.wav", first),
                ("Paper_120bpm_Kick.wav", second),
                ("Paper_120bpm_Vox.wav", second),
            ]
        };
        let songs = several_songs(&files(200.0, 240.0));
        let begins: Vec<&str> = songs.iter().map(|song| song.begins.as_str()).collect();
        assert_eq!(begins, ["NorthRoad_92bpm_", "Paper_120bpm_"]);
        assert_eq!(songs[0].name, "NorthRoad_92bpm");
        assert_eq!(names(&files(200.0, 201.0)), [""; 0], "one length is one song");
        let roles = [("Gtr_1.wav", 200.0), ("Gtr_2.wav", 200.0), ("Vox_1.wav", 240.0), ("Vox_2.wav", 240.0)];
        assert_eq!(names(&roles), [""; 0]);
    }
}
