//! Groups inside of each other, and their folders: where a stem lies below the folder of the outputs. Knows no path and no
//! file name.

use crate::detail::{Details, section_place};
use crate::family::Group;
use crate::label::LabelOptions;
use crate::order::in_order;

/// The folder of a group, `/` between its parts: `02_Drums`, `08_Vocals/3_Backing/4_Chorus`. The three groups of voices
/// lie in one, and backing voices that name a section of the song in a folder of that section.
///
/// It follows from the order of all groups and from the stem alone, so that a stem that comes later moves no other one.
/// Letters, digits and the separator are all that stands in it, and no part is a name that some system keeps.
pub fn group_folder(group: Group, details: &Details, options: &LabelOptions) -> String {
    let order = in_order(&options.order);
    let mut outer: Vec<&str> = Vec::new();
    for name in order.iter().map(|group| parts(*group).0) {
        if !outer.contains(&name) {
            outer.push(name);
        }
    }
    let inner: Vec<&str> = order.iter().filter_map(|group| parts(*group).1).collect();
    let (own, voice) = parts(group);
    let mut folders = vec![named(own, place(&outer, own), 2, options)];
    folders.extend(voice.map(|voice| named(voice, place(&inner, voice), 1, options)));
    if group == Group::BackingVocals
        && let Some(text) = details.section_words()
    {
        folders.push(named(&text, details.section_rank().0, 1, options));
    }
    folders.join("/")
}

/// A place among the nested groups: names from the outermost to the innermost, and where each stands among its like.
pub type GroupPlace = Vec<(usize, String)>;

/// Where a group stands in an order of groups that may leave some out, nested as in [`group_folder`]: "vocals", "backing",
/// "chorus 2". `section` is the section of the song that a name says, in words.
pub fn group_place(group: Group, section: Option<&str>, order: &[Group]) -> GroupPlace {
    let order = in_order(order);
    let (own, voice) = parts(group);
    let of = |is: &dyn Fn(Group) -> bool| order.iter().position(|group| is(*group)).unwrap_or(order.len());
    let mut places = vec![(of(&|group| parts(group).0 == own), own.to_owned())];
    places.extend(voice.map(|voice| (of(&|group| parts(group).1 == Some(voice)), voice.to_owned())));
    if let Some(section) = section.filter(|_| group == Group::BackingVocals) {
        places.push((section_place(section), section.to_owned()));
    }
    places
}

/// Name of the outer folder, and of the one inside it.
fn parts(group: Group) -> (&'static str, Option<&'static str>) {
    match group {
        Group::LeadVocals => ("vocals", Some("lead")),
        Group::VocalDoubles => ("vocals", Some("doubles")),
        Group::BackingVocals => ("vocals", Some("backing")),
        other => (other.as_str(), None),
    }
}

/// Counted from 1.
fn place(names: &[&str], own: &str) -> usize {
    names.iter().position(|name| *name == own).unwrap_or(names.len()) + 1
}

fn named(words: &str, number: usize, digits: usize, options: &LabelOptions) -> String {
    let separator = options.separator.to_string();
    let mut text = words.replace([' ', '-'], &separator);
    text[..1].make_ascii_uppercase();
    if options.number { format!("{number:0digits$}{separator}{text}") } else { text }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::order::{DRUMS_FIRST, KICK_AND_BASS_FIRST, VOCALS_FIRST};
    use crate::role::role_of;
    use crate::safe_name::{Charset, is_reserved};

    fn options(order: &[Group], number: bool) -> LabelOptions {
        LabelOptions { max_chars: 31, charset: Charset::Ascii, separator: '_', number, order: order.to_vec() }
    }

    fn folder(name: &str, options: &LabelOptions) -> String {
        let role = role_of(name);
        group_folder(role.group(), &role.details, options)
    }

    #[test]
    fn groups_stand_in_the_order_of_the_recipe() {
        let own = options(KICK_AND_BASS_FIRST, true);
        for (name, wanted) in [
            ("Kick.wav", "01_Kick_and_bass"),
            ("Snare.wav", "02_Drums"),
            ("Cello.wav", "07_Strings_and_brass"),
            ("LV.wav", "08_Vocals/1_Lead"),
            ("LV Dbl.wav", "08_Vocals/2_Doubles"),
            ("BV.wav", "08_Vocals/3_Backing"),
            ("BV Chorus High.wav", "08_Vocals/3_Backing/4_Chorus"),
            ("BV Chorus 2 High.wav", "08_Vocals/3_Backing/4_Chorus_2"),
            ("BV Prechorus.wav", "08_Vocals/3_Backing/3_Pre_chorus"),
            ("Riser.wav", "09_Effects"),
            ("Audio 7.wav", "10_Unsorted"),
        ] {
            assert_eq!(folder(name, &own), wanted, "{name}");
        }
        assert_eq!(folder("BV.wav", &options(VOCALS_FIRST, true)), "01_Vocals/3_Backing");
        assert_eq!(folder("Kick.wav", &options(DRUMS_FIRST, true)), "03_Kick_and_bass");
        assert_eq!(folder("BV Chorus.wav", &options(DRUMS_FIRST, false)), "Vocals/Backing/Chorus");
        let short = options(&[Group::BackingVocals, Group::Drums], true);
        assert_eq!(folder("BV.wav", &short), "01_Vocals/1_Backing");
        assert_eq!(folder("LV.wav", &short), "01_Vocals/2_Lead");
        assert_eq!(folder("Kick.wav", &short), "03_Kick_and_bass", "what is not named comes behind");
    }

    /// The same nesting and the same order, whichever of the two is asked.
    #[test]
    fn groups_nest_as_their_folders_do() {
        for order in [KICK_AND_BASS_FIRST, DRUMS_FIRST, VOCALS_FIRST] {
            let names =
                ["Kick.wav", "Snare.wav", "LV.wav", "LV Dbl.wav", "BV.wav", "BV Intro.wav", "BV Outro 2.wav"];
            let mut all: Vec<(String, GroupPlace)> = Vec::new();
            for name in names {
                let role = role_of(name);
                let section = role.details.section_words();
                let place = group_place(role.group(), section.as_deref(), order);
                let plain = folder(name, &options(order, false)).to_lowercase().replace('_', " ");
                let nested: Vec<&str> = place.iter().map(|(_, name)| name.as_str()).collect();
                assert_eq!(nested.join("/"), plain, "{name}");
                all.push((folder(name, &options(order, true)), place));
            }
            all.sort_by(|a, b| a.0.cmp(&b.0));
            assert!(all.is_sorted_by(|a, b| a.1 <= b.1), "{all:?}");
        }
    }

    #[test]
    fn every_folder_is_safe_and_its_own() {
        let orders = [KICK_AND_BASS_FIRST, DRUMS_FIRST, VOCALS_FIRST];
        for (order, number) in orders.into_iter().flat_map(|order| [(order, true), (order, false)]) {
            let own = options(order, number);
            let all: BTreeSet<String> = Group::ALL
                .iter()
                .map(|group| group_folder(*group, &Details::default(), &own).to_lowercase())
                .collect();
            assert_eq!(all.len(), Group::ALL.len());
            let sections = ["Intro", "Verse 1", "Pre", "Chorus 2", "Hook", "Drop", "Bridge", "Outro"];
            let sections = sections.map(|section| folder(&format!("BV {section}.wav"), &own));
            for part in all.iter().chain(&sections).flat_map(|folder| folder.split('/')) {
                assert!(part.chars().all(|c| c.is_ascii_alphanumeric() || c == '_'), "{part}");
                assert!(!is_reserved(part), "{part}");
            }
        }
    }
}
