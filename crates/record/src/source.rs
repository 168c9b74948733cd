//! A delivered file as the manifest has it.
//!
//! It knows the survey that it is made from, and nothing of what becomes of the file.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::finding::{level_db, round_to};
use crate::survey::{Measures, Survey};

/// A delivered file.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SourceRecord {
    /// Path inside the delivery.
    pub path: String,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 in hex; null when the file could not be read.
    pub sha256: Option<String>,
    /// Container, by content.
    pub container: Option<String>,
    /// Codec.
    pub codec: Option<String>,
    /// Rate in Hz.
    pub rate_hz: Option<u32>,
    /// Channel count.
    pub channels: Option<u16>,
    /// Valid bits a sample.
    pub bits: Option<u16>,
    /// Whether the samples are floats.
    pub float: Option<bool>,
    /// Frames.
    pub frames: Option<u64>,
    /// Time stamp in frames since midnight, at the file's own rate.
    pub timestamp_frames: Option<u64>,
    /// Sample peak.
    pub peak_dbfs: Option<f64>,
    /// True peak.
    pub true_peak_dbtp: Option<f64>,
    /// Integrated loudness, where the recipe asks for it.
    pub loudness_lufs: Option<f64>,
}

/// What a survey says of a delivered file.
pub fn source_record(survey: &Survey) -> SourceRecord {
    let format = survey.format.as_ref();
    let measures = survey.measures.as_ref().ok();
    let true_peak =
        |m: &Measures| m.channels.iter().map(|channel| channel.true_peak.peak()).fold(0.0, f64::max);
    SourceRecord {
        path: survey.path.clone(),
        bytes: survey.bytes,
        sha256: Some(survey.sha256.clone()).filter(|sum| !sum.is_empty()),
        container: format.map(|f| f.container.clone()),
        codec: format.map(|f| f.codec.clone()),
        rate_hz: format.map(|f| f.rate_hz),
        channels: format.map(|f| f.channels),
        bits: format.map(|f| f.bits),
        float: format.map(|f| f.float),
        frames: measures.map(|m| m.source_frames).or(format.and_then(|f| f.frames)),
        timestamp_frames: format.and_then(|f| f.timestamp_frames),
        peak_dbfs: measures.and_then(|m| level_db(m.source_peak)),
        true_peak_dbtp: measures.and_then(|m| level_db(true_peak(m))),
        loudness_lufs: measures.and_then(|m| m.loudness_lufs).and_then(|lufs| round_to(lufs, 2)),
    }
}
