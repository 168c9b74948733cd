//! # dc-removal
//!
//! *What it does:* subtracts one constant a channel; never a filter, so no phase and no bass is touched.
//! *Reads:* the mean of the sounding parts and how steady it is. *Decides:* subtract or leave.
//! *Changes:* sounding frames; stretches of digital silence stay digital silence.
//! *Settings:* `threshold`.
//! *Sources:* no public norm exists for the threshold; -60 dBFS is common practice, no source.

use loadin_audio::{Block, DcRemover, Decibels};
use loadin_record::manifest::Change;
use loadin_record::survey::ChannelMeasures;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::Draft;
use crate::shape::Shape;
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::Level;

/// Settings of `dc-removal`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// An offset above this level is removed where it is steady.
    pub threshold: Level,
}

impl Default for Settings {
    fn default() -> Self {
        Self { threshold: Level(-60.0) }
    }
}

/// Decision of `dc-removal`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The offset stays.
    Leave {
        /// Why.
        why: String,
    },
    /// One constant a channel is subtracted.
    Subtract {
        /// The constants, as amplitudes.
        constants: Vec<f64>,
        /// Why.
        why: String,
    },
}

/// How an offset behaves along the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steadiness {
    /// The same from start to end.
    Steady,
    /// It changes, or it comes and goes.
    Drifting,
    /// There is too little sound to tell.
    Unknown,
}

/// Judges an offset: steady when 80 % of the smoothed means lie within half of the mean, around the mean.
pub fn steadiness(channel: &ChannelMeasures) -> Steadiness {
    if !channel.mean_certain {
        return Steadiness::Unknown;
    }
    let half = channel.mean.abs() * 0.5;
    if channel.mean_spread <= half && (channel.mean_median - channel.mean).abs() <= half {
        Steadiness::Steady
    } else {
        Steadiness::Drifting
    }
}

/// Decides for every stem which constants are subtracted.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    draft
        .stems
        .iter_mut()
        .zip(settings)
        .map(|(stem, settings)| {
            if !stem.is_active() {
                return Decision::Leave { why: NOT_RENDERED.to_owned() };
            }
            let threshold = settings.threshold.amplitude();
            let offsets: Vec<(f64, Steadiness)> = stem
                .channels
                .iter()
                .map(|channel| {
                    let measured = &stem.measures(channel.source).channels[channel.channel];
                    (measured.mean * channel.scale, steadiness(measured))
                })
                .collect();
            let over = |offset: f64| offset.abs() > threshold;
            if !offsets.iter().any(|&(offset, _)| over(offset)) {
                return Decision::Leave { why: format!("no offset above {}", settings.threshold) };
            }
            if offsets.iter().any(|&(offset, steady)| over(offset) && steady != Steadiness::Steady) {
                return Decision::Leave { why: "the offset is not proven to be steady".to_owned() };
            }
            let constants: Vec<f64> = offsets.iter().map(|&(o, _)| if over(o) { o } else { 0.0 }).collect();
            for (channel, constant) in stem.channels.iter_mut().zip(&constants) {
                channel.shift -= constant;
            }
            stem.touch();
            Decision::Subtract { constants, why: format!("a steady offset above {}", settings.threshold) }
        })
        .collect()
}

impl Processor for DcRemover {
    fn process(&mut self, block: &mut Block) {
        DcRemover::process(self, block);
    }

    fn finish(&mut self, block: &mut Block) {
        DcRemover::finish(self, block);
    }
}

/// The subtraction.
pub fn processor(decision: &Decision, shape: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Subtract { constants, .. } => {
            Some(Box::new(DcRemover::new(constants.clone(), shape.output.rate_hz)))
        }
    }
}

/// The change of offset.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Subtract { constants, why } => {
            let largest =
                constants.iter().fold(0.0f64, |most, c| if c.abs() > most.abs() { *c } else { most });
            let level = loadin_record::finding::rounded(Decibels::from_ratio(largest).0, 2);
            let change = Change::new("dc-removal", "offset", level, serde_json::Value::Null, "dBFS", why);
            Some(change.with("constants", constants.clone()))
        }
    }
}
