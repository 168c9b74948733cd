//! What was measured on an output while it was written, and what became of the metadata beside its samples.
//!
//! It does not know who writes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What was measured on a stem while it was written.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Measured {
    /// Frames written.
    pub frames: u64,
    /// Sample peak of what was written, as an amplitude.
    pub peak: f64,
    /// Samples that did not fit and were held at full scale.
    pub clipped: u64,
    /// SHA-256 of the sample data alone, in hex.
    pub audio_sha256: String,
    /// What became of the metadata.
    pub metadata: Vec<MetadataRecord>,
}

/// What became of one chunk of metadata.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct MetadataRecord {
    /// Its four characters, with the type of a list: `bext`, `cue`, `LIST INFO`.
    pub chunk: String,
    /// What became of it.
    pub fate: MetadataFate,
    /// What was changed, or why it was dropped; null for one that is as it was.
    pub why: Option<String>,
    /// The texts in it, readable; the file has their bytes.
    pub texts: Vec<String>,
}

/// What became of a chunk.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MetadataFate {
    /// It is in the output as it was.
    Kept,
    /// It is in the output with other numbers.
    Moved,
    /// It was not in the source: the recipe asks for it.
    Added,
    /// It is not in the output.
    Dropped,
}
