//! # channel-fix
//!
//! *What it does:* gives a stem the channels that it really has: two identical channels become one, a dead
//! channel goes, two mono files of a pair may become one stereo stem, mono may become two equal channels.
//! *Reads:* the residual of the two channels over every block, never their correlation.
//! *Decides:* which channels stay. *Changes:* the channel count, never the level.
//! *Settings:* `dual-mono`, `dead-channel`, `pairs`, `layout`.
//! *Sources:* the polarity null as the test for dual mono: common practice, no source.

use loadin_audio::{Block, Decibels};
use loadin_record::finding::{Finding, Id};
use loadin_record::manifest::Change;
use loadin_record::survey::{Measures, Survey};
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::{Draft, DraftStem};
use crate::shape::Shape;
use crate::stages::stage::{NOT_RENDERED, Processor};
use crate::values::Ratio;

/// The channel layout that outputs shall have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Layout {
    /// Each stem has the channels that it really has.
    AsIs,
    /// Mono wherever that loses nothing; a real stereo stem stays stereo, as a finding.
    Mono,
    /// Mono stems are written to two equal channels.
    Stereo,
}

/// What to do with a fault that can be mended without loss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Fold {
    /// Keep the one real channel.
    Fold,
    /// Leave the stem as it is.
    Keep,
}

/// What to do with two mono files that look like left and right.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Pairs {
    /// Report them.
    Report,
    /// Join them to one stereo stem.
    Join,
}

/// Settings of `channel-fix`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Two channels that are identical in every block.
    pub dual_mono: Fold,
    /// Identical means: L − R is at most one step of the source, or this far below the block's peak.
    pub dual_mono_residual: Ratio,
    /// A stereo stem with one silent channel.
    pub dead_channel: Fold,
    /// Two mono files named like left and right.
    pub pairs: Pairs,
    /// The wanted layout.
    pub layout: Layout,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            dual_mono: Fold::Fold,
            dual_mono_residual: Ratio(-90.0),
            dead_channel: Fold::Fold,
            pairs: Pairs::Report,
            layout: Layout::AsIs,
        }
    }
}

/// Decision of `channel-fix`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The channels stay.
    Leave {
        /// Why.
        why: String,
    },
    /// One channel stays.
    KeepOne {
        /// Which, from 0.
        channel: usize,
        /// How many there were.
        of: usize,
        /// Whether the other one was silent; else it was equal.
        other_silent: bool,
        /// Why.
        why: String,
    },
    /// The only channel is written twice.
    Double {
        /// Channel that is kept first, where one of several is; else 0.
        channel: usize,
        /// How many there were.
        of: usize,
        /// Why.
        why: String,
    },
    /// Two files have become left and right.
    Join {
        /// The file on the left.
        left: String,
        /// The file on the right.
        right: String,
        /// Frames that the left file ends before the right one; silence stands there.
        #[serde(default)]
        left_short_frames: u64,
        /// The same of the right file.
        #[serde(default)]
        right_short_frames: u64,
        /// Why.
        why: String,
    },
}

impl Decision {
    /// Which of so many channels stay, in their order; one that is doubled stands twice.
    pub fn kept(&self, channels: usize) -> Vec<usize> {
        match self {
            Self::Leave { .. } | Self::Join { .. } => (0..channels).collect(),
            Self::KeepOne { channel, .. } => vec![*channel],
            Self::Double { channel, .. } => vec![*channel; 2],
        }
    }
}

/// Whether the two channels are identical in every block, within `residual` of the block's peak.
pub fn is_dual_mono(measures: &Measures, residual: f64) -> bool {
    measures.active_frames > 0
        && measures.relation.as_ref().is_some_and(|relation| relation.worst_difference_ratio <= residual)
}

/// The silent channel of a stereo stem whose other channel sounds.
pub fn dead_channel(measures: &Measures) -> Option<usize> {
    let silent: Vec<bool> = measures.channels.iter().map(|channel| channel.sample.peak() < 1e-9).collect();
    match silent[..] {
        [true, false] => Some(0),
        [false, true] => Some(1),
        _ => None,
    }
}

/// Decides the channels of every stem.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    draft
        .stems
        .iter_mut()
        .zip(settings)
        .map(|(stem, settings)| {
            let decision = if stem.is_active() {
                decide_one(settings, stem)
            } else {
                Decision::Leave { why: NOT_RENDERED.to_owned() }
            };
            apply(&decision, stem);
            decision
        })
        .collect()
}

fn decide_one(settings: &Settings, stem: &mut DraftStem<'_>) -> Decision {
    let of = stem.channels.len();
    if let [left, right] = stem.sources[..] {
        return joined(left, right);
    }
    let measures = stem.measures(0);
    let dead = dead_channel(measures);
    let one = match dead {
        Some(dead) if settings.dead_channel == Fold::Fold => {
            Some((1 - dead, "the other channel is silent".to_owned()))
        }
        None if settings.dual_mono == Fold::Fold
            && is_dual_mono(measures, settings.dual_mono_residual.amplitude()) =>
        {
            Some((0, identical(measures)))
        }
        _ => None,
    };
    match (settings.layout, of, one) {
        (Layout::Stereo, 1, _) => {
            Decision::Double { channel: 0, of, why: "the recipe asks for stereo".to_owned() }
        }
        (Layout::Stereo, 2, Some((channel, why))) => {
            if dead.is_some() {
                Decision::Double { channel, of, why: format!("{why}, and the recipe asks for stereo") }
            } else {
                Decision::Leave { why: "both channels are equal, as the recipe asks for stereo".to_owned() }
            }
        }
        (_, 2, Some((channel, why))) => Decision::KeepOne { channel, of, other_silent: dead.is_some(), why },
        (layout, 2, None) => {
            let (why, stereo) = two_kept(settings, measures);
            if layout == Layout::Mono {
                stem.note(Finding::new(Id::LayoutKept, stereo).with("layout", "stereo"));
            }
            Decision::Leave { why: why.to_owned() }
        }
        (_, 1, _) => Decision::Leave { why: "it has one channel".to_owned() },
        _ => Decision::Leave { why: format!("it has {of} channels") },
    }
}

/// Why two channels stay, and the same to whoever has asked for mono.
fn two_kept(settings: &Settings, measures: &Measures) -> (&'static str, &'static str) {
    if measures.active_frames == 0 {
        ("both channels are silent", "stereo without any sound: it stays as it is")
    } else if dead_channel(measures).is_some() {
        (
            "one of its two channels is silent, and the recipe keeps it",
            "stereo with one silent channel: dead-channel = \"keep\" keeps it",
        )
    } else if is_dual_mono(measures, settings.dual_mono_residual.amplitude()) {
        (
            "its two channels are equal, and the recipe keeps both",
            "stereo with two equal channels: dual-mono = \"keep\" keeps both",
        )
    } else {
        (
            "its two channels differ",
            "stereo with two different channels: a mono version would lose one of them",
        )
    }
}

fn identical(measures: &Measures) -> String {
    let relation = measures.relation.as_ref().expect("dual mono is proven by the relation");
    if relation.max_difference == 0.0 {
        "both channels are identical".to_owned()
    } else {
        format!("both channels are equal within {:.1} dBFS", Decibels::from_ratio(relation.max_difference).0)
    }
}

fn joined(left: &Survey, right: &Survey) -> Decision {
    let frames = |side: &Survey| side.measures.as_ref().map_or(0, |measures| measures.source_frames);
    let (left_frames, right_frames) = (frames(left), frames(right));
    let length = if left_frames == right_frames { ", length" } else { "" };
    Decision::Join {
        left: left.path.clone(),
        right: right.path.clone(),
        left_short_frames: right_frames.saturating_sub(left_frames),
        right_short_frames: left_frames.saturating_sub(right_frames),
        why: format!("two mono files of one start{length} and rate, named left and right"),
    }
}

fn apply(decision: &Decision, stem: &mut DraftStem<'_>) {
    match decision {
        Decision::Leave { .. } | Decision::Join { .. } => {}
        Decision::KeepOne { channel, .. } => {
            stem.channels = vec![stem.channels[*channel].clone()];
        }
        Decision::Double { channel, .. } => {
            let kept = stem.channels[*channel].clone();
            stem.channels = vec![kept.clone(), kept];
        }
    }
}

struct Channels {
    keep: usize,
    double: bool,
}

impl Processor for Channels {
    fn process(&mut self, block: &mut Block) {
        block.keep_channel(self.keep);
        if self.double {
            block.duplicate_channel();
        }
    }
}

/// The selection of channels; joined files arrive joined.
pub fn processor(decision: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } | Decision::Join { .. } => None,
        Decision::KeepOne { channel, .. } => Some(Box::new(Channels { keep: *channel, double: false })),
        Decision::Double { channel, .. } => Some(Box::new(Channels { keep: *channel, double: true })),
    }
}

/// The change of channels.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::KeepOne { channel, of, other_silent, why } => {
            let change = Change::new("channel-fix", "channels", *of, 1, "channels", why);
            Some(change.with("kept", *channel).with("other_silent", *other_silent))
        }
        Decision::Double { channel, of, why } => {
            Some(Change::new("channel-fix", "channels", *of, 2, "channels", why).with("kept", *channel))
        }
        Decision::Join { left, right, left_short_frames, right_short_frames, why } => {
            let files = format!("{left} + {right}");
            let change = Change::new("channel-fix", "files", files, "left + right", "files", why);
            let change = change.with("left", left.as_str()).with("right", right.as_str());
            // Silence behind the shorter file, in frames of the source.
            Some(match (*left_short_frames, *right_short_frames) {
                (0, 0) => change,
                (0, right) => change.with("right_short_frames", right),
                (left, _) => change.with("left_short_frames", left),
            })
        }
    }
}

#[cfg(test)]
mod tests;
