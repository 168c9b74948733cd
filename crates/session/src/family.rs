//! The families that a stem can be of, and the groups that they are sorted in. Knows no name and no word of one.

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
    /// Whether it is a part of a drum kit: one player plays them all, and every microphone hears all of it.
    pub fn is_of_kit(self) -> bool {
        matches!(
            self,
            Self::Kick | Self::Snare | Self::Hat | Self::Toms | Self::Cymbals | Self::Overheads | Self::Room
        )
    }

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
