//! What a name says of a stem's role. A wrong answer costs an engineer more than none, so doubt stays "unsorted".

use crate::token::{Token, stem_of, tokens, without_digits};

macro_rules! words {
    ($(#[$doc:meta])* $type:ident { $($variant:ident $name:literal,)* }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $type {
            $(#[doc = $name] $variant,)*
        }

        impl $type {
            /// The word in papers.
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// All of them, in order.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];
        }
    };
}

words! {
    /// The family that a stem is sorted in.
    Group {
        KickAndBass "kick and bass",
        Drums "drums",
        Percussion "percussion",
        Guitars "guitars",
        Keys "keys",
        Synths "synths",
        Orchestra "strings and brass",
        LeadVocals "lead vocals",
        VocalDoubles "vocal doubles",
        BackingVocals "backing vocals",
        Effects "effects",
        Unsorted "unsorted",
        Reference "reference",
    }
}

words! {
    /// What a stem is.
    Family {
        Kick "kick",
        Snare "snare",
        Hat "hat",
        Toms "toms",
        Cymbals "cymbals",
        Overheads "overheads",
        Room "room",
        Loop "drum loop",
        Percussion "percussion",
        Bass "bass",
        Guitar "guitar",
        Keys "keys",
        Synth "synth",
        Pad "pad",
        Strings "strings",
        Brass "brass",
        LeadVocal "lead vocal",
        VocalDouble "vocal double",
        BackingVocal "backing vocal",
        Effect "effect",
        Unsorted "unsorted",
    }
}

impl Family {
    /// The group that the family belongs to.
    pub fn group(self) -> Group {
        match self {
            Self::Kick | Self::Bass => Group::KickAndBass,
            Self::Snare
            | Self::Hat
            | Self::Toms
            | Self::Cymbals
            | Self::Overheads
            | Self::Room
            | Self::Loop => Group::Drums,
            Self::Percussion => Group::Percussion,
            Self::Guitar => Group::Guitars,
            Self::Keys => Group::Keys,
            Self::Synth | Self::Pad => Group::Synths,
            Self::Strings | Self::Brass => Group::Orchestra,
            Self::LeadVocal => Group::LeadVocals,
            Self::VocalDouble => Group::VocalDoubles,
            Self::BackingVocal => Group::BackingVocals,
            Self::Effect => Group::Effects,
            Self::Unsorted => Group::Unsorted,
        }
    }
}

/// What a name says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Role {
    /// What the stem is.
    pub family: Family,
    /// The words that say so; empty for `Unsorted`.
    pub matched: String,
}

impl Role {
    /// The group that the stem is sorted in.
    pub fn group(&self) -> Group {
        self.family.group()
    }
}

/// Phrases of one word or more, each with its family; a longer phrase wins over a shorter one, and of equals the
/// later one in the name loses. Common practice, no source.
const PHRASES: &[(Family, &[&str])] = &[
    (
        Family::Kick,
        &[
            "kick",
            "kik",
            "kck",
            "k in",
            "k out",
            "bd",
            "kd",
            "bass drum",
            "bassdrum",
            "sub kick",
            "subkick",
            "kick sub",
        ],
    ),
    (
        Family::Snare,
        &[
            "snare",
            "snr",
            "sn",
            "sd",
            "rim",
            "rimshot",
            "sidestick",
            "snare top",
            "snare bot",
            "sn top",
            "sn bot",
        ],
    ),
    (Family::Hat, &["hat", "hats", "hh", "hihat", "hi hat", "hihats", "hi hats", "ohh", "chh"]),
    (Family::Toms, &["tom", "toms", "ft", "floor", "floor tom", "rack tom"]),
    (Family::Cymbals, &["ride", "crash", "cym", "cymbal", "cymbals", "china", "splash"]),
    (Family::Overheads, &["oh", "ohs", "overhead", "overheads"]),
    (Family::Room, &["rm", "room", "rooms", "amb", "ambience", "drum room", "drums room"]),
    (
        Family::Loop,
        &["drm", "drum", "drums", "loop", "beat", "drum loop", "drum bus", "drums bus", "break", "drum mix"],
    ),
    (
        Family::Percussion,
        &[
            "perc",
            "percussion",
            "shk",
            "shaker",
            "tamb",
            "tambourine",
            "conga",
            "congas",
            "bongo",
            "bongos",
            "clap",
            "claps",
            "clp",
            "snap",
            "snaps",
            "cowbell",
            "triangle",
            "perc loop",
        ],
    ),
    (
        Family::Bass,
        &[
            "bass",
            "bs",
            "ba",
            "sub",
            "sub bass",
            "bass synth",
            "synth bass",
            "bass di",
            "bass amp",
            "bass gtr",
            "bass guitar",
        ],
    ),
    (
        Family::Guitar,
        &[
            "gtr",
            "gtrs",
            "guitar",
            "guitars",
            "eg",
            "ag",
            "egtr",
            "agtr",
            "acu gtr",
            "elec gtr",
            "e gtr",
            "ac gtr",
            "el gtr",
            "lead gtr",
            "lead guitar",
            "rhy gtr",
            "acoustic guitar",
            "electric guitar",
            "acu",
            "elec",
            "nylon",
            "banjo",
            "mandolin",
            "ukulele",
            "acoustic",
            "rhy",
        ],
    ),
    (
        Family::Keys,
        &[
            "pno",
            "piano",
            "keys",
            "key",
            "rhodes",
            "wurli",
            "org",
            "organ",
            "clav",
            "ep",
            "e piano",
            "electric piano",
            "harpsichord",
            "celesta",
        ],
    ),
    (
        Family::Synth,
        &[
            "syn",
            "synth",
            "lead syn",
            "lead synth",
            "syn lead",
            "synth lead",
            "arp",
            "plk",
            "pluck",
            "plucks",
            "pl",
            "bells",
            "bell",
        ],
    ),
    (Family::Pad, &["pad", "pads", "pd", "strings pad", "string pad", "synth pad", "choir pad"]),
    (
        Family::Strings,
        &["strings", "str", "vln", "vla", "vc", "violin", "violins", "viola", "cello", "celli"],
    ),
    (
        Family::Brass,
        &[
            "brass",
            "tpt",
            "tbn",
            "hn",
            "sax",
            "trumpet",
            "trombone",
            "horn",
            "horns",
            "flute",
            "clarinet",
            "woodwinds",
        ],
    ),
    (
        Family::LeadVocal,
        &[
            "lv",
            "lead vox",
            "lead vocal",
            "lead vocals",
            "lead voc",
            "lead voice",
            "ld vox",
            "main vox",
            "main vocal",
            "vox lead",
            "vocal lead",
            "vox",
            "vocal",
            "vocals",
            "voc",
            "voice",
            "vox main",
        ],
    ),
    (
        Family::VocalDouble,
        &[
            "lv dbl",
            "lv double",
            "lvd",
            "lead vox dbl",
            "lead vox double",
            "lead vocal dbl",
            "lead vocal double",
            "vox dbl",
            "vox double",
            "vocal dbl",
            "vocal double",
            "lead voice double",
            "voice double",
        ],
    ),
    (
        Family::BackingVocal,
        &[
            "bv",
            "bvs",
            "bgv",
            "bgvs",
            "back vox",
            "backing vox",
            "backing vocal",
            "backing vocals",
            "background vocals",
            "harm",
            "harms",
            "harmony",
            "harmonies",
            "choir",
            "gang",
            "gang vox",
            "stack",
            "adlib",
            "adlibs",
            "ad lib",
            "ooh",
            "oohs",
            "aah",
            "aahs",
            "vox harm",
            "vocal harm",
            "vocal harmony",
            "voice harm",
            "voice harmony",
            "vox adlib",
            "vox stack",
        ],
    ),
    (
        Family::Effect,
        &[
            "fx",
            "sfx",
            "riser",
            "risers",
            "impact",
            "impacts",
            "sweep",
            "sweeps",
            "rev cym",
            "reverse cymbal",
            "reverse cym",
            "noise",
            "whoosh",
            "vox fx",
            "vocal fx",
            "drum fx",
            "uplifter",
            "downlifter",
            "snare verb",
            "vox verb",
            "vocal verb",
            "verb",
            "reverb",
            "delay",
            "vox delay",
            "noise sweep",
        ],
    ),
];

/// Words that make a family doubtful when they stand beside it: "808" may be a kick or a bass, "room" may be that
/// of a voice, "lead" alone may be anything.
const CONTRADICTIONS: &[(Family, &[&str], Family)] = &[
    (Family::Room, &["vox", "vocal", "vocals", "voice", "lv", "bgv", "bv"], Family::LeadVocal),
    (Family::Room, &["gtr", "guitar"], Family::Guitar),
    (Family::Room, &["piano", "pno"], Family::Keys),
];

/// Says what a stem is by its path inside the delivery. The file name speaks first; folders only where it is silent.
pub fn role_of(path: &str) -> Role {
    let name = role_in(stem_of(path));
    if name.family != Family::Unsorted {
        return name;
    }
    let folders: Vec<&str> = path.split('/').collect();
    folders
        .iter()
        .rev()
        .skip(1)
        .map(|folder| role_in(folder))
        .find(|role| role.family != Family::Unsorted)
        .unwrap_or(name)
}

fn role_in(name: &str) -> Role {
    let keys: Vec<String> = tokens(name).iter().flat_map(key_words).collect();
    let mut best: Option<(usize, usize, Family, String)> = None;
    for (family, phrases) in PHRASES {
        for phrase in *phrases {
            let words: Vec<&str> = phrase.split(' ').collect();
            let Some(at) = keys.windows(words.len()).position(|window| window.iter().eq(words.iter())) else {
                continue;
            };
            let better = best.as_ref().is_none_or(|(length, place, ..)| {
                words.len() > *length || (words.len() == *length && at < *place)
            });
            if better {
                best = Some((words.len(), at, *family, (*phrase).to_owned()));
            }
        }
    }
    let Some((_, _, family, matched)) = best else {
        return toms(&keys).unwrap_or(Role { family: Family::Unsorted, matched: String::new() });
    };
    for (doubtful, beside, rather) in CONTRADICTIONS {
        if family == *doubtful && keys.iter().any(|key| beside.contains(&key.as_str())) {
            return Role { family: *rather, matched };
        }
    }
    Role { family, matched }
}

/// The words of a token that may name a role: without digits, and without a plural or a side behind it.
fn key_words(token: &Token) -> Vec<String> {
    let bare = without_digits(&token.key);
    // "T1" is a tom only among other signs of it; "808" is a kick as often as a bass.
    if bare.is_empty() || bare == "t" { vec![token.key.clone()] } else { vec![bare] }
}

/// "T1" to "T4" alone may as well be track numbers: only a floor or rack beside them makes them toms.
fn toms(keys: &[String]) -> Option<Role> {
    let numbered = keys.iter().any(|key| matches!(key.as_str(), "t1" | "t2" | "t3" | "t4"));
    let sure = keys.iter().any(|key| matches!(key.as_str(), "rack" | "floor"));
    (numbered && sure).then(|| Role { family: Family::Toms, matched: "t1-t4".to_owned() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tokens_of_the_table() {
        let rows: &[(&str, Family)] = &[
            ("Kick In", Family::Kick),
            ("k out.wav", Family::Kick),
            ("BD_01", Family::Kick),
            ("Sub Kick", Family::Kick),
            ("bass drum", Family::Kick),
            ("snare_top", Family::Snare),
            ("SN bot", Family::Snare),
            ("SD2", Family::Snare),
            ("HiHat", Family::Hat),
            ("ohh", Family::Hat),
            ("Hats L", Family::Hat),
            ("Floor Tom", Family::Toms),
            ("Tom1", Family::Toms),
            ("OH L", Family::Overheads),
            ("Overheads", Family::Overheads),
            ("Room mono", Family::Room),
            ("Ride", Family::Cymbals),
            ("Drums", Family::Loop),
            ("Shaker", Family::Percussion),
            ("Clap", Family::Percussion),
            ("Bass DI", Family::Bass),
            ("Synth Bass", Family::Bass),
            ("Bass Guitar", Family::Bass),
            ("AcuGtr_R", Family::Guitar),
            ("Lead Gtr", Family::Guitar),
            ("EG 2", Family::Guitar),
            ("Piano", Family::Keys),
            ("Rhodes", Family::Keys),
            ("Lead Synth", Family::Synth),
            ("Pluck", Family::Synth),
            ("Strings Pad", Family::Pad),
            ("Vln 1", Family::Strings),
            ("Sax", Family::Brass),
            ("LV", Family::LeadVocal),
            ("Lead Vox", Family::LeadVocal),
            ("Main Vocal", Family::LeadVocal),
            ("Lead Vox Dbl", Family::VocalDouble),
            ("LV double", Family::VocalDouble),
            ("BGVs", Family::BackingVocal),
            ("Vox Harm 2", Family::BackingVocal),
            ("Choir", Family::BackingVocal),
            ("Riser", Family::Effect),
            ("SFX 3", Family::Effect),
        ];
        for (name, family) in rows {
            assert_eq!(role_of(name).family, *family, "{name}");
        }
    }

    /// The traps: common practice, no source.
    #[test]
    fn traps() {
        let rows: &[(&str, Family)] = &[
            ("what is this", Family::Unsorted),
            ("Lead", Family::Unsorted),
            ("T1", Family::Unsorted),
            ("808", Family::Unsorted),
            ("Audio_01", Family::Unsorted),
            ("ooh 1", Family::BackingVocal),
            ("snare verb", Family::Effect),
            ("vox fx", Family::Effect),
            ("Vox Room", Family::LeadVocal),
            ("bass synth", Family::Bass),
            ("sub kick", Family::Kick),
            ("Choir Pad", Family::Pad),
            ("Chat", Family::Unsorted),
        ];
        for (name, family) in rows {
            assert_eq!(role_of(name).family, *family, "{name}");
        }
    }

    #[test]
    fn folders_speak_where_the_name_is_silent() {
        assert_eq!(role_of("Drums/Audio 03.wav").family, Family::Loop);
        assert_eq!(role_of("Drums/Kick.wav").family, Family::Kick);
    }
}
