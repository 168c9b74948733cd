//! Names and the roles that they state. Tokens and traps: common practice, no source.

use crate::family::Family::{
    self, BackingVocal, Bass, Brass, Cymbals, Effect, Guitar, Hat, Keys, Kick, LeadVocal, Loop, Overheads,
    Pad, Percussion, Room, Snare, Strings, Synth, Toms, Unsorted, VocalDouble,
};
use crate::family::Group;
use crate::role::role_of;

fn check(rows: &[(Family, &[&str])]) {
    let wrong: Vec<String> = rows
        .iter()
        .flat_map(|(family, names)| names.iter().map(move |name| (*family, *name, role_of(name))))
        .filter(|(family, _, found)| *family != found.family)
        .map(|(family, name, found)| format!("{name}: {family:?} wanted, {found:?} found"))
        .collect();
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn tokens_of_drums() {
    check(&[
        (
            Kick,
            &[
                "Kick",
                "kik",
                "K In",
                "k out.wav",
                "BD_01",
                "KD",
                "bass drum",
                "Sub Kick",
                "KickIn",
                "Kick Out",
                "Kick2",
                "Kick Sub",
            ],
        ),
        (
            Snare,
            &[
                "Snare",
                "SNR",
                "sn",
                "SD2",
                "SN top",
                "SN bot",
                "snare_top",
                "Snare Bottom",
                "Rim",
                "Snare Drum",
            ],
        ),
        (Hat, &["Hat", "HH", "HiHat", "hi-hat", "ohh", "CHH", "Hats L"]),
        (Toms, &["Tom", "Toms", "Tom1", "Tom 2", "FT", "Floor", "Floor Tom", "T1 rack", "T2_floor"]),
        (Overheads, &["OH", "OH L", "OHs", "OHL", "OHR", "Overhead", "Overheads R"]),
        (Room, &["RM", "Room", "Room mono", "amb", "Drum Room"]),
        (Cymbals, &["Ride", "Crash 1", "Cym", "China", "Splash"]),
        (
            Percussion,
            &[
                "Perc",
                "SHK",
                "Shaker",
                "Tamb",
                "Conga",
                "Clap",
                "clp",
                "Snap",
                "Perc Loop",
                "Congas_R",
                "Tambourine",
            ],
        ),
        (Loop, &["DRM", "Drums", "Loop", "Beat", "Drum Bus", "drum loop 2", "Drum Machine"]),
    ]);
}

#[test]
fn tokens_of_instruments() {
    check(&[
        (Bass, &["Bass", "BS", "ba", "Sub", "Sub Bass", "Bass DI", "Bass Amp", "Bass_Guitar"]),
        (
            Guitar,
            &[
                "GTR", "Guitar", "EG 2", "AG", "acu", "Elec", "E Gtr", "strat", "RHY", "AcuGtr_R",
                "Lead Gtr", "gtr1L", "EGtr",
            ],
        ),
        (Keys, &["Pno", "Piano", "Keys", "Rhodes", "Wurli", "Org", "Clav", "Organ", "E-Piano", "EP"]),
        (Synth, &["Syn", "Synth", "Lead Syn", "Arp", "PLK", "Pluck", "PL", "Lead Synth", "Synths"]),
        (Pad, &["Pad", "PD", "Strings Pad", "Synth Pad", "Pads L"]),
        (Strings, &["Vln 1", "VLA", "vc", "Str", "Strings", "Cello"]),
        (Brass, &["Tpt", "TBN", "hn", "Sax", "Brass", "Horns"]),
    ]);
}

#[test]
fn tokens_of_voices_and_effects() {
    check(&[
        (
            LeadVocal,
            &[
                "LV",
                "Lead Vox",
                "Lead Vocal",
                "Ld Vox",
                "Main Vox",
                "Vox",
                "LeadVox",
                "Vocal 1",
                "LEAD VOX comp",
            ],
        ),
        (VocalDouble, &["LV dbl", "LV Double", "LVD", "Lead Vox Dbl", "Vox Double L", "Dbl", "Double 2"]),
        (
            BackingVocal,
            &[
                "BV",
                "BGV",
                "BVs",
                "BGVs L+R",
                "Back Vox",
                "Harm",
                "Choir",
                "Gang",
                "Stack 1",
                "Adlib",
                "Ad-Lib",
                "BV2R",
                "bgv1L",
                "Vox Harm 2",
            ],
        ),
        (Effect, &["FX", "SFX 3", "Riser", "Impact", "Sweep", "Rev Cym", "Noise", "Whoosh", "Noise Sweep"]),
    ]);
}

#[test]
fn longer_phrases_and_clear_words_win() {
    check(&[
        (Kick, &["Room Kick", "Synth Kick", "Drums Kick", "kick drum room"]),
        (Snare, &["snare room", "Drum Snare", "Room Snare"]),
        (
            Bass,
            &[
                "bass synth",
                "Synth Bass",
                "Bass Pluck",
                "Sub Bass Synth",
                "Double Bass",
                "Bass loop",
                "Arp Bass",
            ],
        ),
        (Percussion, &["Gang Claps", "Steel Drums", "Hand Drum", "Beat Clap"]),
        (
            Guitar,
            &[
                "Harmony Gtr",
                "Gtr Harmony",
                "Gtr Arp",
                "Arp Gtr",
                "Loop Guitar",
                "Room Guitar",
                "Lead Guitar",
                "Gtr Dbl",
                "Double Gtr",
                "Gtr Noise",
            ],
        ),
        (Keys, &["Piano Room", "Room Piano", "Organ Loop", "E Piano amb"]),
        (Pad, &["Choir Pad", "Vox Pad", "Str Pad"]),
        (Strings, &["Strings Room", "Synth Strings"]),
        (Brass, &["Bass Clarinet", "Bass Trombone", "Tenor Sax"]),
        (Loop, &["Synth Drums", "Drum mix"]),
        (LeadVocal, &["Vox Room", "Room Vox", "Vox Tuned", "Lead Vox (wet)"]),
        (
            BackingVocal,
            &["Room BV", "BV Room", "Harmony Vox", "Gang Vox", "ooh 1", "Oohs", "Bass Voice", "BV Dbl"],
        ),
        (
            Effect,
            &[
                "snare verb",
                "vox fx",
                "Lead Vox FX",
                "LV Verb",
                "Vox Delay",
                "Bass Drop",
                "Sub Drop",
                "Vox Throws",
                "Drum FX",
            ],
        ),
        (Synth, &["Synth Lead", "Vox Synth", "Pluck Synth"]),
    ]);
}

/// A wrong group costs more than none.
#[test]
fn doubt_stays_unsorted() {
    check(&[(
        Unsorted,
        &[
            "what is this",
            "Chat",
            "Lead",
            "Lead 2",
            "LD",
            "Lead Dbl",
            "T1",
            "T4",
            "808",
            "Audio_01",
            "DI",
            "Amp",
            "Dry",
            "Wet",
            "tuned",
            "FINAL USE THESE",
            "48k24b",
            "Heartbeat",
            "Roomy",
            "Kickstart",
            "Bassoonist",
            "Padlock",
            "Stringent",
            "Key Dm",
            "Track 12",
            "Mono",
            "L",
            "R",
            "v2",
            "",
            "...",
            "\u{1F3B5}",
            "Take 3 comp",
        ],
    )]);
}

#[test]
fn titles_and_dates_do_not_speak() {
    check(&[
        (LeadVocal, &["Night Bells ft Somebody_Vox", "Some EP_Vox", "Str33t_48k24b_Lead Vox"]),
        (Guitar, &["2024-05-01 Gtr", "07 - Gtr 1_92bpm_Dm"]),
    ]);
}

#[test]
fn folders_speak_where_the_name_is_silent() {
    assert_eq!(role_of("Drums/Audio 03.wav").family, Loop);
    assert_eq!(role_of("Drums/Kick.wav").family, Kick);
    assert_eq!(role_of("Vocals/BGV/Audio 1.wav").family, BackingVocal);
    assert_eq!(role_of("Drums/Kick.wav").matched, "kick");
}

#[test]
fn every_family_has_its_group() {
    let groups: std::collections::BTreeSet<Group> = Family::ALL.iter().map(|family| family.group()).collect();
    assert_eq!(groups.len() + 1, Group::ALL.len(), "all but the references");
    assert!(!groups.contains(&Group::Reference));
}
