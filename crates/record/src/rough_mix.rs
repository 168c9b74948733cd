//! What the rough mix shows of the stems, and the one sentence that says whether it could show anything. Values only.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::evidence::Polarity;

/// What the rough mix shows. Measured on the middle of all channels, below about 2.5 kHz.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
pub struct RoughMix {
    /// Path inside the delivery.
    pub path: String,
    /// By how many frames it is later than the stems; null where they do not agree about it.
    pub delay_frames: Option<f64>,
    /// Rate of those frames in Hz.
    pub rate_hz: u32,
    /// How much too fast it runs against the stems, in parts of a million.
    pub drift_ppm: Option<f64>,
    /// Its polarity against the stems.
    pub polarity: Option<Polarity>,
    /// Why nothing is said of missing stems; null where it could be judged.
    pub cannot_judge: Option<String>,
    /// How the mix was processed, as far as that shows; null where it is a plain sum of the stems.
    #[serde(default)]
    pub processed: Option<String>,
    /// The seconds from its start that were compared, where it is longer; null where all of it was.
    #[serde(default)]
    pub first_seconds: Option<f64>,
    /// Level of what no stem explains, relative to the mix.
    pub unexplained_db: Option<f64>,
    /// Below this level, relative to the mix, what is missing would not be told from what the processing has made.
    #[serde(default)]
    pub floor_db: Option<f64>,
    /// Gain of every stem in it in dB, as delivered, by the stem's path.
    pub gains_db: BTreeMap<String, f64>,
    /// Stems that are upside down in it against most others.
    #[serde(default)]
    pub inverted: Vec<String>,
    /// What is in it and in no stem.
    pub gaps: Vec<RoughGap>,
    /// Stems that are not in it.
    pub absent: Vec<String>,
    /// Stems that were not compared, each with the reason.
    #[serde(default)]
    pub left_out: BTreeMap<String, String>,
    /// Of versions of one part, which one it has.
    #[serde(default)]
    pub versions: Vec<MixedVersion>,
}

/// A stretch of the rough mix that is in no stem.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RoughGap {
    /// Where it begins after the common start of the stems.
    pub from_seconds: f64,
    /// Where it ends.
    pub to_seconds: f64,
    /// The band that holds most of it.
    pub low_hz: f64,
    /// Its upper end.
    pub high_hz: f64,
    /// Its level relative to the mean of the mix.
    pub level_db: f64,
    /// How sure it is that no compared stem explains it, 0 to 1.
    #[serde(default)]
    pub confidence: f64,
}

/// Two versions of one part, and which of them the rough mix has.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MixedVersion {
    /// Path of the version that is in it.
    pub heard: String,
    /// Path of the one that is not.
    pub other: String,
}
