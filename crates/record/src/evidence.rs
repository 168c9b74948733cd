//! What comparing the stems has shown: evidence for findings and for the manifest, never a change.
//!
//! It knows no sound and no sketch; `analysis` makes it.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::finding::Finding;
use crate::music::{Confidence, Fact, Facts};
pub use crate::polarity::Polarity;
use crate::rough_mix::RoughMix;

/// Everything that was found out by comparing sketches.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Evidence {
    /// Related stems, and how they stand to each other; sorted by their paths.
    pub siblings: Vec<Sibling>,
    /// Stems of which the rough mix says where they stand; sorted by their paths.
    pub places: Vec<StemPlace>,
    /// What the rough mix shows, where there is one.
    pub rough_mix: Option<RoughMix>,
    /// What is estimated of the music.
    pub music: Estimates,
    /// What stems sound like whose names say nothing, by path.
    pub proposals: BTreeMap<String, Proposal>,
}

/// Two related stems, and how they stand to each other. Measured on the middle of their channels, below about 2.5 kHz.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sibling {
    /// Path of the first inside the delivery.
    pub a: String,
    /// Path of the second.
    pub b: String,
    /// By how many frames the second is later than the first.
    pub lag_frames: i64,
    /// Rate of those frames in Hz.
    pub rate_hz: u32,
    /// Correlation coefficient at that lag, −1 to 1.
    pub correlation: f64,
    /// Whether they have the same polarity there.
    pub polarity: Polarity,
}

/// Where a stem stands by the rough mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Place")]
pub struct StemPlace {
    /// Path of the stem inside the delivery.
    pub path: String,
    /// Path of the rough mix.
    pub by: String,
    /// First frame of the stem after the common start.
    pub start_frames: i64,
    /// Where its time stamp puts it instead, in the same frames; null where none says.
    #[serde(default)]
    pub stated_frames: Option<i64>,
    /// Rate of those frames in Hz.
    pub rate_hz: u32,
    /// The next best place.
    pub second_best_frames: i64,
    /// Height of the best peak of the correlation relative to the next best.
    pub peak_ratio: f64,
    /// Standard deviation of the place in frames.
    pub uncertainty_frames: f64,
}

/// What a stem sounds like. A proposal: nothing follows from it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Proposal {
    /// "a bass", "held chords".
    pub sounds_like: String,
    /// How clear it is, 0.5 to 1.
    pub confidence: f64,
    /// What it rests on, in words.
    pub by: String,
}

/// Facts of their own names (`…_estimate`), and the questions that they raise.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Estimates {
    /// The facts, for the manifest. What is `Estimated` is sure enough to work with, what is `Unsure` is not.
    pub facts: Facts,
    /// Where a sure estimate contradicts a statement.
    pub findings: Vec<Finding>,
}

/// The tempo in quarter notes a minute.
pub const TEMPO: &str = "tempo_bpm_estimate";

/// The key.
pub const KEY: &str = "key_estimate";

/// The first downbeat that is played, in seconds after the common start of the stems as delivered.
pub const DOWNBEAT: &str = "first_downbeat_seconds_estimate";

/// The sections, each with `seconds`, `name` and `bars`.
pub const SECTIONS: &str = "sections_estimate";

impl Estimates {
    /// Puts a fact down; `source` says what was measured on which stems, and how sure it is.
    pub fn put(&mut self, name: &str, value: impl Into<Value>, sure: bool, source: String) {
        let confidence = if sure { Confidence::Estimated } else { Confidence::Unsure };
        let fact = Fact { value: value.into(), source, confidence, statements: Vec::new() };
        self.facts.insert(name.to_owned(), fact);
    }
}
