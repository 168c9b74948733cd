//! 200 composed deliveries of 1 to 60 names: no role word is lost, all labels differ, and a title that all share is gone. The
//! titles, the words and their spellings are invented or common practice, no source.

use std::collections::BTreeSet;

use super::tests::inputs;
use super::*;
use crate::order::KICK_AND_BASS_FIRST;

const DELIVERIES: u64 = 200;

/// Titles: one word, two, with words that sound like roles or places, in other alphabets, and a very long one.
const TITLES: &[&str] = &[
    "PaperLantern",
    "Harbour Lights",
    "HighWater",
    "BassStreet",
    "Ночной трамвай",
    "紙の灯籠",
    "Größe",
    "The Very Long Title Of A Song Nobody Has Written",
];

/// Words that say a role.
const ROLES: &[&str] = &[
    "Kick", "Snare", "Hat", "Toms", "Crash", "OH", "Room", "Perc", "Shaker", "Bass", "Gtr", "Lead Gtr",
    "Rhy Gtr", "Piano", "Organ", "Synth", "Pad", "Strings", "Trumpet", "Lead Vox", "LV Dbl", "BV", "Choir",
    "Riser", "Impact",
];

/// What stands beside a role.
const DETAILS: &[&str] =
    &["", "", " In", " Out", " Top", " Bot", " DI", " Amp", " L", " R", " 2", " Close", " Far", " Verse"];

/// A small generator (Knuth's constants for 64 bits, MMIX), so that a delivery is the same whenever it is composed.
struct Dice(u64);

impl Dice {
    fn below(&mut self, sides: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) % sides as u64) as usize
    }

    fn one_of<'a>(&mut self, all: &[&'a str]) -> &'a str {
        all[self.below(all.len())]
    }
}

/// A composed delivery: path and role word of every stem, and the title where all names have it.
fn delivery(dice: &mut Dice) -> (Vec<(String, &'static str)>, Option<&'static str>) {
    let count = 1 + dice.below(60);
    let (first, second) = (dice.one_of(TITLES), dice.one_of(TITLES));
    let (behind, mark) =
        (dice.one_of(&["", "_92bpm", "_92bpm_Dm", " 120 bpm F#m"]), dice.one_of(&["_", " ", " - "]));
    let end = dice.one_of(&["", "_48k24b", " 24bit", "_v3"]);
    // All names have the title; none; most; two songs; half of them in capitals and in one word.
    let manner = dice.below(5);
    let mut stems: Vec<(String, &'static str)> = Vec::new();
    while stems.len() < count {
        let role = dice.one_of(ROLES);
        let title = match manner {
            0 => Some(first.to_owned()),
            1 => None,
            2 => (dice.below(5) > 0).then(|| first.to_owned()),
            3 => Some(if dice.below(2) == 0 { first } else { second }.to_owned()),
            _ => Some(if dice.below(2) == 0 {
                first.to_owned()
            } else {
                first.to_uppercase().replace(' ', "")
            }),
        };
        let prefix = title.map_or(String::new(), |title| format!("{title}{behind}{mark}"));
        let track = if dice.below(10) == 0 { format!("{:02} ", stems.len()) } else { String::new() };
        let path = format!("{track}{prefix}{role}{}{end}.wav", dice.one_of(DETAILS));
        if stems.iter().all(|(known, _)| *known != path) {
            stems.push((path, role));
        }
    }
    (stems, (manner == 0).then_some(first))
}

#[test]
fn no_role_word_is_lost_and_all_labels_differ() {
    let mut dice = Dice(24);
    let mut single = 0;
    for round in 0..DELIVERIES {
        let (stems, title) = delivery(&mut dice);
        single += usize::from(stems.len() == 1);
        let paths: Vec<&str> = stems.iter().map(|(path, _)| path.as_str()).collect();
        let options = LabelOptions {
            max_chars: 31,
            charset: if round % 2 == 0 { Charset::Ascii } else { Charset::Unicode },
            separator: '_',
            number: true,
            order: KICK_AND_BASS_FIRST.to_vec(),
        };
        let found: Vec<String> =
            labels(&inputs(&paths), &[], &options).into_iter().flatten().map(|label| label.text).collect();
        let distinct: BTreeSet<String> = found.iter().map(|label| fold(label)).collect();
        assert_eq!(distinct.len(), stems.len(), "{found:?}");
        for ((path, role), label) in stems.iter().zip(&found) {
            let words = format!("{}_", label.split_once('_').map_or("", |(_, text)| text)).to_lowercase();
            let role = format!("{}_", role.replace(' ', "_").to_lowercase());
            let at = words.find(&role);
            assert!(
                at.is_some_and(|at| at == 0 || words.as_bytes()[at - 1] == b'_'),
                "{path}: {label} has lost {role}"
            );
            assert!(label.chars().count() <= 31, "{label}");
        }
        if let Some(title) = title.filter(|_| stems.len() > 12) {
            let first = title.split(' ').next().unwrap().to_lowercase();
            let left: Vec<&String> =
                found.iter().filter(|label| label.to_lowercase().contains(&first)).collect();
            assert!(left.is_empty() || title == "BassStreet", "{title}: {left:?}");
        }
    }
    assert!(single > 0, "deliveries of one stem are among them");
}
