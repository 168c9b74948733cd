//! The song's title: where a note states it, and what names share as far as it looks like one. Knows no other fact,
//! save to leave it out of a title.

use super::key::key_in_name;
use super::tempo::tempo_in;
use super::words::{patterns, plain};
use crate::family::Family;
use crate::role::role_of;
use crate::title::{enough, is_track_number, title as speaking_title};
use crate::token::{Token, stem_of, tokens};

patterns! {
    /// "Title: Paper Lantern".
    NAMED = r"(?i)^\s*(?:song ?title|track ?title|title|song ?name|song)\s?[:=]\s*(.+)$";
}

/// Longest title.
const MOST_CHARS: usize = 80;

/// Words of folders and files that are no part of a title.
const GENERIC: &[&str] = &[
    "stem",
    "stems",
    "delivery",
    "deliveries",
    "files",
    "file",
    "audio",
    "mix",
    "mixing",
    "for",
    "wav",
    "wavs",
    "aiff",
    "export",
    "exports",
    "bounce",
    "bounces",
    "final",
    "session",
    "multitrack",
    "multitracks",
    "tracks",
    "track",
    "raw",
    "dry",
    "wet",
    "new",
    "inbox",
    "upload",
    "uploads",
    "untitled",
    "project",
    "rough",
    "bpm",
    "key",
    "the",
    "tempo",
];

/// The title that a line of a note states.
pub(super) fn title_in_text(line: &str) -> Option<String> {
    let found = NAMED.captures(line)?;
    let title = found[1].trim().trim_matches(['"', '\'', '“', '”', '«', '»', '.', ' ']).to_owned();
    (!title.is_empty() && title.chars().count() <= MOST_CHARS && title.chars().any(char::is_alphabetic))
        .then_some(title)
}

/// The title that most file names begin with.
pub(super) fn title_of_names(paths: &[&str]) -> Option<String> {
    let words: Vec<Vec<Token>> = paths.iter().map(|path| tokens(stem_of(path))).collect();
    let bare = |words: &'_ Vec<Token>| usize::from(words.len() > 1 && is_track_number(&words[0]));
    let names: Vec<&[Token]> = words.iter().map(|words| &words[bare(words)..]).collect();
    let mut shared = 0;
    let mut members = names.clone();
    let mut title: Vec<String> = Vec::new();
    while let Some((word, count)) = commonest(&members, shared) {
        if !enough(count, names.len()) || says_fact(&word.text) || GENERIC.contains(&word.key.as_str()) {
            break;
        }
        title.push(word.text.clone());
        let key = word.key.clone();
        members.retain(|name| name.len() > shared + 1 && name[shared].key == key);
        shared += 1;
    }
    // "Gtr 1, Gtr 2, Gtr 3" share a role and no title; "BassStreet" is one only if the words behind it say enough.
    let speaks = title.iter().any(|word| role_of(word).family != Family::Unsorted);
    if speaks && speaking_title(&names).is_none() {
        return None;
    }
    presentable(&title)
}

/// The word that most names have at `place` with another behind it.
fn commonest(names: &[&[Token]], place: usize) -> Option<(Token, usize)> {
    let mut counts: std::collections::BTreeMap<&str, (usize, &Token)> = std::collections::BTreeMap::new();
    for name in names.iter().filter(|name| name.len() > place + 1) {
        counts.entry(&name[place].key).or_insert((0, &name[place])).0 += 1;
    }
    counts.into_values().max_by_key(|(count, _)| *count).map(|(count, word)| (word.clone(), count))
}

/// What is left of the delivery's name without tempo, key and words that every folder has.
pub(super) fn title_of_delivery(name: &str) -> Option<String> {
    let words = tokens(name);
    let keep = |word: &&Token| {
        !says_fact(&word.text) && !GENERIC.contains(&word.key.as_str()) && !is_technical(&word.key)
    };
    let title: Vec<String> = words.iter().filter(keep).map(|word| word.text.clone()).collect();
    presentable(&title)
}

fn presentable(words: &[String]) -> Option<String> {
    let title: String = words.join(" ").chars().take(MOST_CHARS).collect();
    title.chars().any(char::is_alphabetic).then_some(title)
}

/// Whether a word is a tempo, a key, or a number.
fn says_fact(word: &str) -> bool {
    let word = plain(word);
    tempo_in(&word).is_some()
        || key_in_name(&word).is_some_and(|_| word.chars().count() <= 5)
        || word.eq_ignore_ascii_case("bpm")
        || word.chars().all(|c| c.is_ascii_digit())
}

/// "48k24b", "24bit", "v2".
fn is_technical(key: &str) -> bool {
    key.starts_with(|c: char| c.is_ascii_digit()) || (key.starts_with('v') && key[1..].parse::<u32>().is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_states_it() {
        assert_eq!(title_in_text("Title: Paper Lantern").as_deref(), Some("Paper Lantern"));
        assert_eq!(title_in_text("  song = \"Paper Lantern\".").as_deref(), Some("Paper Lantern"));
        for line in ["The song: here it is", "Title:", "Song title: ---", "Untitled: x"] {
            assert_eq!(title_in_text(line), None, "{line}");
        }
    }

    #[test]
    fn names_share_it() {
        let paths = [
            "PaperLantern_92bpm_Dm_Kick.wav",
            "PaperLantern_92bpm_Dm_Bass.wav",
            "03 PaperLantern_Vox.wav",
            "riser.wav",
        ];
        assert_eq!(title_of_names(&paths).as_deref(), Some("Paper Lantern"));
        let speaking = ["BassStreet_Kick.wav", "BassStreet_Gtr.wav", "BassStreet_Vox.wav"];
        assert_eq!(title_of_names(&speaking).as_deref(), Some("Bass Street"));
        for paths in [
            &["Gtr 1.wav", "Gtr 2.wav", "Gtr 3.wav"][..],
            &["Kick.wav", "Bass.wav"],
            &["Audio 1.wav", "Audio 2.wav", "Audio 3.wav"],
            &["92bpm_Kick.wav", "92bpm_Bass.wav", "92bpm_Vox.wav"],
        ] {
            assert_eq!(title_of_names(paths), None, "{paths:?}");
        }
    }

    #[test]
    fn a_folder_has_it_between_other_words() {
        assert_eq!(title_of_delivery("PaperLantern_92bpm_Dm_stems").as_deref(), Some("Paper Lantern"));
        assert_eq!(
            title_of_delivery("Paper Lantern - stems for mix v2 48k24b").as_deref(),
            Some("Paper Lantern")
        );
        for name in ["stems", "delivery", "Audio Files", "2024", "92 bpm"] {
            assert_eq!(title_of_delivery(name), None, "{name}");
        }
    }
}
