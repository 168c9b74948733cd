//! Titles that sound like roles: in "`BassStreet_92bpm_Kick`" the first word says nothing of the stem. Knows nothing of
//! labels.

use std::collections::{BTreeMap, BTreeSet};

use crate::detail::is_detail;
use crate::family::Family;
use crate::role::{Confidence, role_of};
use crate::song_words::tempo_and_key;
use crate::token::{Token, stem_of, tokens};

/// Words are shared where this part of the names has them, and three at least: common practice, no source.
const SHARED_PART: f64 = 0.6;
const SHARED_LEAST: usize = 3;

/// A shared beginning is a title only where the words behind it say enough: this part of the names has a role
/// there, of three families at least. "Vox Lead, Vox Harm, Vox Dbl" keep their "Vox". Common practice, no source.
const SPEAKING_PART: f64 = 0.8;
const SPEAKING_FAMILIES: usize = 3;

/// Whether `sharing` names out of `all` are enough to call something shared.
pub(crate) fn enough(sharing: usize, all: usize) -> bool {
    sharing >= SHARED_LEAST && sharing as f64 >= SHARED_PART * all as f64
}

/// Whether a word is a track number.
pub(crate) fn is_track_number(token: &Token) -> bool {
    token.key.len() <= 3 && token.key.chars().all(|c| c.is_ascii_digit())
}

/// The words that most names begin with, where one of them sounds like a role, or a place as in "High Water", and is none.
pub(crate) fn title(names: &[&[Token]]) -> Option<Vec<String>> {
    let mut members: Vec<&[Token]> = names.to_vec();
    let mut words: Vec<String> = Vec::new();
    loop {
        let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
        for name in &members {
            // A word remains in every name.
            if name.len() > words.len() + 1 {
                *counts.entry(&name[words.len()].key).or_default() += 1;
            }
        }
        let Some((key, count)) = counts.into_iter().max_by_key(|&(_, count)| count) else { break };
        // "Bass DI" is not of the title that begins with "Bass Street" as most names do.
        if !enough(count, names.len()) {
            break;
        }
        let key = key.to_owned();
        members.retain(|name| name.len() > words.len() + 1 && name[words.len()].key == key);
        words.push(key);
    }
    let speaks = |word: &str| is_detail(word) || role_of(word).family != Family::Unsorted;
    if !words.iter().any(|word| speaks(word)) {
        return None;
    }
    let families: Vec<Family> =
        members.iter().map(|name| role_of(&text(&name[words.len()..])).family).collect();
    let known: Vec<Family> = families.iter().copied().filter(|family| *family != Family::Unsorted).collect();
    let distinct: BTreeSet<Family> = known.iter().copied().collect();
    let enough =
        known.len() as f64 >= SPEAKING_PART * families.len() as f64 && distinct.len() >= SPEAKING_FAMILIES;
    enough.then_some(words)
}

/// Whether a name begins with the title and goes on.
pub(crate) fn has_title(name: &[Token], title: &[String]) -> bool {
    name.len() > title.len() && name.iter().zip(title).all(|(token, word)| token.key == *word)
}

pub(crate) fn text(words: &[Token]) -> String {
    words.iter().map(|token| token.text.as_str()).collect::<Vec<_>>().join(" ")
}

/// The paths without a title that sounds like a role, for `role_of`; most deliveries come back as they are.
pub fn without_title(paths: &[&str]) -> Vec<String> {
    let words: Vec<Vec<Token>> = paths.iter().map(|path| tokens(stem_of(path))).collect();
    let unnumbered = |words: &'_ Vec<Token>| usize::from(words.len() > 1 && is_track_number(&words[0]));
    let names: Vec<&[Token]> = words.iter().map(|words| &words[unnumbered(words)..]).collect();
    let title = title(&names);
    let spoken = |(path, name): (&&str, &&[Token])| match &title {
        Some(title) if has_title(name, title) => in_folder(path, &name[title.len()..]),
        _ => match before_tempo(name) {
            Some(count) => in_folder(path, &name[count..]),
            None => (*path).to_owned(),
        },
    };
    paths.iter().zip(&names).map(spoken).collect()
}

/// How many words at the front of one name are a title, by the tempo that follows: "`BassStreet` 92bpm Dm Kick". Only where a clear
/// role stands behind; "Kick 92bpm" says its role before it.
pub(crate) fn before_tempo(name: &[Token]) -> Option<usize> {
    let (_, to) = tempo_and_key(name)?;
    (role_of(&text(&name[to..])).confidence == Confidence::Clear).then_some(to)
}

fn in_folder(path: &str, name: &[Token]) -> String {
    path.rsplit_once('/').map_or(String::new(), |(folder, _)| format!("{folder}/")) + &text(name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn families(paths: &[&str]) -> Vec<Family> {
        without_title(paths).iter().map(|path| role_of(path).family).collect()
    }

    #[test]
    fn a_title_does_not_speak() {
        use Family::{Bass, Guitar, Kick, LeadVocal, Snare, Unsorted};
        let paths = [
            "BassStreet_92bpm_Kick.wav",
            "BassStreet_92bpm_Snare Top.wav",
            "BassStreet_92bpm_Bass DI.wav",
            "BassStreet_92bpm_Gtr.wav",
            "vox/BassStreet_92bpm_Lead.wav",
            "BassStreet_92bpm_Vox.wav",
            "late bass.wav",
        ];
        assert_eq!(families(&paths), [Kick, Snare, Bass, Guitar, LeadVocal, LeadVocal, Bass]);
        let numbered =
            ["01 Horn 9 - Kick.wav", "02 Horn 9 - Bass.wav", "03 Horn 9 - Vox.wav", "04 Horn 9 - x.wav"];
        assert_eq!(families(&numbered)[..2], [Family::Brass; 2], "three of four say too little");
        let numbered =
            ["01 Horn 9 - Kick.wav", "02 Horn 9 - Bass.wav", "03 Horn 9 - Vox.wav", "04 Horn 9 - Gtr.wav"];
        assert_eq!(families(&numbered), [Kick, Bass, LeadVocal, Guitar]);
        assert_eq!(families(&["a.wav", "b.wav"]), [Unsorted; 2]);
        assert_eq!(families(&["BassStreet_92bpm_Dm_Kick.wav"]), [Kick], "the tempo ends the title");
        assert_eq!(families(&["Kick 92bpm.wav", "Bass_92bpm_Dm_v2.wav"]), [Kick, Bass]);
    }

    #[test]
    fn a_shared_role_is_no_title() {
        for paths in [
            ["Gtr 1.wav", "Gtr 2.wav", "Gtr 3.wav"],
            ["Vox Lead.wav", "Vox Harm.wav", "Vox Dbl.wav"],
            ["Bass DI.wav", "Bass Amp.wav", "Bass Synth.wav"],
            ["Kick.wav", "Snare.wav", "Hat.wav"],
        ] {
            assert_eq!(without_title(&paths), paths);
        }
    }
}
