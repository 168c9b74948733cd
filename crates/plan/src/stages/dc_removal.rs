//! # dc-removal
//!
//! *What it does:* subtracts one constant a channel; never a filter, so no phase and no bass is touched.
//! *Reads:* the level at which the channel rests, how it moves, and how the sound begins and ends. *Decides:* subtract or
//! leave. *Changes:* what sounds, at the source's rate whatever stands first in the recipe; digital silence of 10 ms or
//! more stays digital silence.
//! *Settings:* `threshold`.
//! *Sources:* no public norm exists for the threshold; -60 dBFS is common practice, no source.
//!
//! A mean is an offset only where it stands in the rests as well: an asymmetric sound has a mean while it sounds, and
//! rests at nothing. The constant is the level of the rests. Where a stem never rests, its quieter stretches tell: what
//! an asymmetric sound leans to one side falls with its level, an offset does not. Where one level is held throughout,
//! only the edges can tell, where the sound begins and ends: there an offset is a step that the source has itself. Where
//! that says nothing either, it stays. And an offset that was faded out into digital silence stays, since without it the
//! fade would end in a step.

use loadin_audio::{Block, DcRemover, Decibels};
use loadin_record::manifest::Change;
use loadin_record::survey::OffsetFacts;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::{Draft, DraftStem};
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
        /// Whether there is digital silence, which stays.
        #[serde(default)]
        silence: bool,
        /// Why.
        why: String,
    },
}

/// What the mean of a channel is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// An offset: it stands in the rests as well.
    Steady,
    /// The rests are at several levels.
    Drifting,
    /// An offset, but faded where the sound meets digital silence or the ends of the file.
    Faded,
    /// It is there only while something sounds.
    OfTheSound,
    /// Nothing rests, and nothing is quiet enough to tell.
    Unproven,
    /// There is too little sound to tell.
    Unknown,
}

impl Verdict {
    /// Why an offset that is not steady stays; `None` where nothing is to be removed or it can be.
    fn doubt(self) -> Option<&'static str> {
        match self {
            Self::Steady | Self::OfTheSound => None,
            Self::Drifting => Some("the offset is not proven to be steady: the rests are at several levels"),
            Self::Faded => {
                Some("the offset fades where the sound meets silence: without it there would be a step")
            }
            Self::Unproven => {
                Some("the offset is not proven: the stem never rests, and an asymmetric sound has a mean too")
            }
            Self::Unknown => Some("the offset is not proven to be steady: there is too little sound to tell"),
        }
    }
}

/// Judges the mean of a channel.
pub fn judge(offset: &OffsetFacts) -> Verdict {
    if !offset.certain {
        return Verdict::Unknown;
    }
    let level = offset.level.abs();
    if offset.spread > level / 2.0 {
        return Verdict::Drifting;
    }
    // At rest it stands still beside zero; or the sound's own lean is too small at that level to be the reason.
    let rests = offset.swing <= level / 4.0 || offset.swing * offset.lean <= level / 2.0;
    // What is nearer to nothing than to the offset has no step of the offset's size.
    let faded = offset.least_edge < level / 2.0;
    let at_offset = |sample: f64| (sample - offset.level).abs() <= level / 4.0;
    match (rests, faded) {
        (true, false) => Verdict::Steady,
        (true, true) => Verdict::Faded,
        (false, true) => Verdict::OfTheSound,
        (false, false) if at_offset(offset.edges.min) && at_offset(offset.edges.max) => Verdict::Steady,
        (false, false) => Verdict::Unproven,
    }
}

/// Decides for every stem which constants are subtracted.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let stems = draft.stems.iter_mut().zip(settings);
    stems
        .map(|(stem, settings)| {
            let decision = decide_one(settings, stem);
            if let Decision::Subtract { constants, .. } = &decision {
                for (channel, constant) in stem.channels.iter_mut().zip(constants) {
                    channel.shift -= constant;
                }
                stem.touch();
            }
            decision
        })
        .collect()
}

fn decide_one(settings: &Settings, stem: &DraftStem<'_>) -> Decision {
    let leave = |why: &str| Decision::Leave { why: why.to_owned() };
    if !stem.is_active() {
        return leave(NOT_RENDERED);
    }
    let facts = || stem.channels.iter().map(|channel| (stem.offset(channel), channel.scale));
    let over = |level: f64| level.abs() > settings.threshold.amplitude();
    let judged: Vec<(f64, Verdict)> =
        facts().map(|(offset, scale)| (offset.level * scale, judge(offset))).collect();
    let mut loud = judged.iter().filter(|(level, _)| over(*level)).map(|(_, verdict)| *verdict);
    if let Some(why) = loud.clone().find_map(Verdict::doubt) {
        return leave(why);
    }
    if loud.clone().all(|verdict| verdict == Verdict::OfTheSound) {
        let only = "the mean is there only while it sounds: it is the sound's, no offset";
        return if loud.next().is_some() {
            leave(only)
        } else {
            leave(&format!("no offset above {}", settings.threshold))
        };
    }
    let constant = |&(level, verdict): &(f64, Verdict)| {
        if over(level) && verdict == Verdict::Steady { level } else { 0.0 }
    };
    Decision::Subtract {
        constants: judged.iter().map(constant).collect(),
        silence: facts().any(|(offset, _)| offset.silent > 0),
        why: format!("a steady offset above {}", settings.threshold),
    }
}

impl Processor for DcRemover {
    fn process(&mut self, block: &mut Block) {
        DcRemover::process(self, block);
    }

    fn finish(&mut self, block: &mut Block) {
        DcRemover::finish(self, block);
    }
}

/// The subtraction, at the source's rate: where the rate changes it comes before that (see [`crate::plan::StemPlan::offsets`]).
pub fn processor(decision: &Decision, shape: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Subtract { constants, .. } => {
            Some(Box::new(DcRemover::new(constants.clone(), shape.source_rate_hz())))
        }
    }
}

/// The change of offset.
pub fn change(decision: &Decision, shape: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Subtract { constants, silence, why } => {
            let largest =
                constants.iter().fold(0.0f64, |most, c| if c.abs() > most.abs() { *c } else { most });
            let level = loadin_record::finding::rounded(Decibels::from_ratio(largest).0, 2);
            let change = Change::new("dc-removal", "offset", level, serde_json::Value::Null, "dBFS", why);
            let change = change.with("constants", constants.clone()).with("silence", *silence);
            Some(change.with("rate_hz", shape.source_rate_hz()))
        }
    }
}

#[cfg(test)]
mod tests;
