//! Findings: what was noticed, with evidence. A finding never changes audio.

use loadin_audio::Decibels;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How much a finding matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Good to know.
    Note,
    /// A person should look or listen.
    Attention,
    /// Something is missing or cannot be used.
    Problem,
}

impl Severity {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Attention => "attention",
            Self::Problem => "problem",
        }
    }
}

/// How far a stem can be worked with.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Readiness {
    /// Nothing stands against it.
    Ready,
    /// It can be used, and somebody must say whether it is right.
    InQuestion,
    /// There is nothing of it that could be used.
    NotUsable,
}

impl Readiness {
    /// All, the best first.
    pub const ALL: [Self; 3] = [Self::Ready, Self::InQuestion, Self::NotUsable];

    /// The words in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Ready => "ready",
            Self::InQuestion => "usable, in question",
            Self::NotUsable => "not usable",
        }
    }
}

macro_rules! ids {
    ($($variant:ident $id:literal $severity:ident $readiness:ident $doc:literal,)*) => {
        /// What kind of thing was noticed. The id is stable; papers and scripts may rely on it.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
        pub enum Id {
            $(#[doc = $doc] #[serde(rename = $id)] $variant,)*
        }

        impl Id {
            /// All kinds.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The id as it stands in the manifest.
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $id,)* }
            }

            /// The severity of this kind.
            pub fn severity(self) -> Severity {
                match self { $(Self::$variant => Severity::$severity,)* }
            }

            /// Where an open finding of this kind puts the stem that has it; `Ready` leaves it where it is.
            pub fn readiness(self) -> Readiness {
                match self { $(Self::$variant => Readiness::$readiness,)* }
            }
        }
    };
}

// The columns: kind, id, severity, where it puts a stem (the verdict's one table), what it is.
ids! {
    ClippedRuns "clipped-runs" Attention InQuestion "Runs of equal samples at full scale.",
    FlatTops "flat-tops" Attention InQuestion "Runs of equal samples at the file's own ceiling, below full scale.",
    FloatOver "float-over" Note Ready "Float samples above full scale.",
    Silent "silent" Attention NotUsable "Nothing but digital silence.",
    Truncated "truncated" Problem InQuestion "The file ends before its header says.",
    Damaged "damaged" Problem InQuestion "Audio inside the file could not be decoded.",
    HeaderRepaired "header-repaired" Attention InQuestion "A wrong header field was read around.",
    LengthUnstated "length-unstated" Attention InQuestion "The file does not say how many frames it has.",
    NotFinite "not-finite" Problem InQuestion "Samples that are not numbers, or infinite.",
    Unreadable "unreadable" Problem NotUsable "The file cannot be read as audio.",
    DualMono "dual-mono" Note Ready "Two identical channels.",
    NearMono "near-mono" Note Ready "Two channels that differ very little.",
    DeadChannel "dead-channel" Attention InQuestion "One channel of a stereo file is silent.",
    InvertedChannel "inverted-channel" Attention InQuestion "Two channels that cancel when summed.",
    DcOffset "dc-offset" Note Ready "A steady offset.",
    DcDrift "dc-drift" Attention InQuestion "An offset that changes.",
    DcDoubt "dc-doubt" Note Ready "A mean that no rest shows to be an offset.",
    Duplicate "duplicate" Attention InQuestion "The same audio as another stem.",
    NearDuplicate "near-duplicate" Attention InQuestion "Nearly the same audio as another stem.",
    SiblingOffset "sibling-offset" Attention InQuestion "The same source as another stem, with a constant delay.",
    SiblingPolarity "sibling-polarity" Attention InQuestion "The same source as another stem, upside down.",
    RateLabelDoubt "rate-label-doubt" Attention InQuestion "A length that differs from the others' by the ratio of two clocks.",
    Lossy "lossy-source" Attention InQuestion "The source was stored with a lossy codec.",
    MixedRates "mixed-rates" Note Ready "The delivery has several sampling rates.",
    MixedLengths "mixed-lengths" Note Ready "The stems differ in length.",
    SeveralSongs "several-songs" Attention Ready "Folders that look like songs of their own.",
    StampsRefused "stamps-refused" Attention Ready "Time stamps that are not plausible together.",
    StampDoubt "stamp-doubt" Attention InQuestion "The place of one stem is not certain.",
    PlaceFound "place-found" Attention InQuestion "The rough mix has a stem without a stamp at another place than its file start says.",
    StampContradicted "stamp-contradicted" Attention InQuestion "The rough mix has a stem at another place than its time stamp says.",
    MissingStem "missing-stem" Attention Ready "Something in the rough mix that is in no stem.",
    NotInRough "not-in-rough-mix" Attention InQuestion "A stem that is not in the rough mix.",
    RoughNotJudged "rough-mix-not-judged" Note Ready "A rough mix that does not show whether stems are missing.",
    RoughProcessed "rough-mix-processed" Note Ready "A rough mix that was processed, and so shows less.",
    NotCompared "not-in-comparison" Note Ready "A stem that was not compared with the rough mix.",
    LevelInRough "level-in-rough-mix" Note Ready "A stem whose level in the rough mix is unlike that of all others.",
    PolarityInRough "polarity-in-rough-mix" Attention InQuestion "A stem that is upside down in the rough mix.",
    PlaceFraction "place-fraction" Note Ready "A stem stands a fraction of a frame beside its time stamp.",
    Moved "moved" Note Ready "A stem was placed later than the start by its time stamp.",
    NameCollision "name-collision" Note Ready "Two names would have become one.",
    SidePair "side-pair" Note Ready "Two mono files that look like one stereo pair.",
    PairRefused "pair-refused" Attention InQuestion "Two files named like a pair that cannot be one.",
    LayoutKept "layout-kept" Note Ready "A stereo stem that cannot become mono without loss.",
    FarBelow "far-below-others" Note Ready "A stem that is far quieter than all others.",
    GainLimited "gain-limited" Attention Ready "The gain stops short of the target.",
    GainByOne "gain-by-one" Note Ready "One stem alone lowers all others that share its gain.",
    LateOverTarget "late-over-target" Attention Ready "A stem that came late is louder than the target at the gain that the others have.",
    SourceGone "source-gone" Attention InQuestion "A source is not in the delivery any more; its output stays.",
    ReplacementUnusable "replacement-unusable" Problem InQuestion "Another file has a stem's name and cannot be used; the old output stays.",
    OutputEdited "output-edited" Attention InQuestion "An output is not as it was prepared: somebody has edited it.",
    LateCut "late-cut" Attention InQuestion "A stem that came late passes the start or end that the others have.",
    OverFullScale "over-full-scale" Attention InQuestion "The prepared sound would pass full scale in integers.",
    FactsDisagree "facts-disagree" Attention Ready "Names, notes and MIDI files state different tempi, meters, keys or titles.",
    KeyDoubt "key-doubt" Attention Ready "The stems sound like another key than the stated one.",
    TempoDoubt "tempo-doubt" Attention Ready "The stems sound like another tempo than the stated one.",
    SoundsLike "sounds-like" Note Ready "What a stem sounds like whose name says nothing: a proposal.",
    NoteUnread "note-unread" Note Ready "A note or MIDI file could not be read.",
    NoteSays "note-says" Attention Ready "What a text note says of missing, late or replaced files.",
    ReferenceCut "reference-cut" Note Ready "The reference goes on after the common end.",
}

impl Id {
    /// Whether it is about what was decided when the stem was prepared: a later visit keeps it with the output.
    pub fn is_of_a_decision(self) -> bool {
        matches!(
            self,
            Self::StampDoubt
                | Self::PlaceFound
                | Self::StampContradicted
                | Self::Moved
                | Self::PlaceFraction
                | Self::GainByOne
                | Self::NameCollision
                | Self::LayoutKept
                | Self::GainLimited
                | Self::LateOverTarget
                | Self::LateCut
                | Self::OverFullScale
                | Self::ReferenceCut
        )
    }

    /// Whether it is about how a prepared stem stands at a visit: the next one says it anew.
    pub fn is_of_a_visit(self) -> bool {
        matches!(self, Self::SourceGone | Self::ReplacementUnusable | Self::OutputEdited)
    }
}

/// Something that was noticed about one stem or about the delivery.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// What kind.
    pub id: Id,
    /// How much it matters.
    pub severity: Severity,
    /// One sentence for people.
    pub text: String,
    /// Numbers and places that prove it.
    pub evidence: serde_json::Map<String, serde_json::Value>,
    /// What was answered; absent where it is open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub answer: Option<Answer>,
}

/// The answer to a finding: it is not asked again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Answer {
    /// In words.
    pub text: String,
    /// Who gave it; absent where nobody says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When; absent where nobody says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Whether what was found is meant so.
    pub accepts: bool,
    /// `answers`, or `recipe` for a setting that says what shall be done.
    pub source: String,
}

impl Answer {
    /// Who gave it and when, in words: "the client, 2026-11-30".
    pub fn given(&self) -> String {
        let source = (self.source == "recipe").then_some("the recipe");
        let who = self.by.as_deref().or(source);
        who.into_iter().chain(self.date.as_deref()).collect::<Vec<_>>().join(", ")
    }
}

impl Finding {
    /// A finding with the severity of its kind and no evidence yet.
    pub fn new(id: Id, text: impl Into<String>) -> Self {
        Self {
            id,
            severity: id.severity(),
            text: text.into(),
            evidence: serde_json::Map::new(),
            answer: None,
        }
    }

    /// Adds a piece of evidence.
    #[must_use]
    pub fn with(mut self, key: &str, value: impl Into<serde_json::Value>) -> Self {
        self.evidence.insert(key.to_owned(), value.into());
        self
    }
}

/// A number for the manifest: `digits` decimals, no minus zero; what is not finite becomes null.
pub fn rounded(value: f64, digits: i32) -> serde_json::Value {
    round_to(value, digits).map_or(serde_json::Value::Null, Into::into)
}

/// `value` with `digits` decimals, where it is finite.
pub fn round_to(value: f64, digits: i32) -> Option<f64> {
    let scale = 10f64.powi(digits);
    let rounded = (value * scale).round() / scale;
    rounded.is_finite().then_some(if rounded == 0.0 { 0.0 } else { rounded })
}

/// An amplitude (1.0 is full scale) as a level in dB for the manifest, with three decimals; `None` for silence.
pub fn level_db(amplitude: f64) -> Option<f64> {
    round_to(Decibels::from_ratio(amplitude).0, 3)
}
