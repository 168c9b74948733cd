//! # resample
//!
//! *What it does:* brings a stem to the target rate, linear phase, first and last frame in place.
//! *Reads:* the rates. *Decides:* the target rate. *Changes:* the sound's rate and length.
//! *Settings:* `rate`.
//! *Sources:* the majority rate of a delivery as its target: common practice, no source.

use loadin_audio::{Block, Resampler, rescale_frames};
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::Draft;
use crate::shape::Shape;
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::Rate;

/// Settings of `resample`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// The wanted rate.
    pub rate: Rate,
}

impl Default for Settings {
    fn default() -> Self {
        Self { rate: Rate::Majority }
    }
}

impl Settings {
    /// The rate that a stem of `source_hz` is brought to.
    pub fn target_hz(&self, source_hz: u32, majority_hz: u32) -> u32 {
        match self.rate {
            Rate::Source => source_hz,
            Rate::Majority => majority_hz,
            Rate::Fixed(hz) => hz,
        }
    }
}

/// The rate that most of `rates_hz` have; of equals, the higher. `None` for an empty list.
pub fn majority(rates_hz: impl IntoIterator<Item = u32>) -> Option<u32> {
    let mut counts = std::collections::BTreeMap::<u32, usize>::new();
    for rate in rates_hz {
        *counts.entry(rate).or_default() += 1;
    }
    counts.into_iter().max_by_key(|&(rate, count)| (count, rate)).map(|(rate, _)| rate)
}

/// Decision of `resample`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The rate stays.
    Leave {
        /// Why.
        why: String,
    },
    /// The rate changes.
    Convert {
        /// From, in Hz.
        from_hz: u32,
        /// To, in Hz.
        to_hz: u32,
        /// Frames that come in.
        from_frames: u64,
        /// Frames that go out: `round(n · to / from)`.
        to_frames: u64,
        /// Why.
        why: String,
    },
}

/// Decides the rate of every stem.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let majority_hz = draft.majority_hz;
    draft
        .stems
        .iter_mut()
        .zip(settings)
        .map(|(stem, settings)| {
            if !stem.is_active() {
                return Decision::Leave { why: NOT_RENDERED.to_owned() };
            }
            let (from_hz, to_hz) = (stem.rate_hz, settings.target_hz(stem.rate_hz, majority_hz));
            if from_hz == to_hz {
                return Decision::Leave { why: format!("it is at {to_hz} Hz already") };
            }
            let (from_frames, to_frames) = (stem.frames, rescale_frames(stem.frames, from_hz, to_hz));
            stem.rate_hz = to_hz;
            stem.frames = to_frames;
            stem.touch();
            let why = match settings.rate {
                Rate::Majority => format!("most stems of the delivery are at {to_hz} Hz"),
                _ => format!("the recipe asks for {to_hz} Hz"),
            };
            Decision::Convert { from_hz, to_hz, from_frames, to_frames, why }
        })
        .collect()
}

/// A change of rate.
pub struct Converter(pub Resampler);

impl Processor for Converter {
    fn process(&mut self, block: &mut Block) {
        self.0.process(block);
    }

    fn finish(&mut self, block: &mut Block) {
        self.0.finish(block);
    }
}

/// The rate converter.
pub fn processor(decision: &Decision, shape: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Convert { from_hz, to_hz, .. } => {
            Some(Box::new(Converter(Resampler::new(*from_hz, *to_hz, shape.source_channels()))))
        }
    }
}

/// The change of rate.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Convert { from_hz, to_hz, why, .. } => {
            Some(Change::new("resample", "rate", *from_hz, *to_hz, "Hz", why))
        }
    }
}
