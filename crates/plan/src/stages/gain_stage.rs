//! # gain-stage
//!
//! *What it does:* one gain for linked stems, so that the loudest of them peaks at the target and the balance
//! of the delivery survives.
//! *Reads:* the peak of every stem after the stages before. *Decides:* one gain a link.
//! *Changes:* the level. *Settings:* `target`, `link`, `round-down`, `max-boost`, `never-lower`.
//! *Sources:* dBTP as in ITU-R BS.1770; -6 dBFS as the default: common practice, no source.

use loadin_audio::{Block, Decibels, with_simd};
use loadin_record::finding::{Finding, Id, round_to, rounded};
use loadin_record::link::{LinkGain, Linked};
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::Draft;
use crate::shape::Shape;
use crate::stages::stage::{LinkScope, NOT_RENDERED, Processor};
use crate::values::{Peak, PeakKind, Ratio};

/// Steps to which a gain is rounded down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum RoundDown {
    /// Not at all: the target is met exactly.
    #[serde(rename = "none")]
    None,
    /// To tenths of a decibel.
    #[serde(rename = "0.1 dB")]
    Tenth,
    /// To whole decibels.
    #[serde(rename = "1 dB")]
    Whole,
}

/// Settings of `gain-stage`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// The peak that the loudest linked stem is brought to; the unit says how it is measured.
    pub target: Peak,
    /// Which stems share one gain.
    pub link: LinkScope,
    /// Steps to which the gain is rounded down.
    pub round_down: RoundDown,
    /// The gain is never more than this.
    pub max_boost: Ratio,
    /// Whether stems above the target stay as they are.
    pub never_lower: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            target: Peak { db: -6.0, kind: PeakKind::Sample },
            link: LinkScope::Delivery,
            round_down: RoundDown::None,
            max_boost: Ratio(40.0),
            never_lower: false,
        }
    }
}

/// Decision of `gain-stage`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The level stays.
    Leave {
        /// Why.
        why: String,
    },
    /// The level changes.
    Gain {
        /// The gain in dB.
        gain_db: f64,
        /// The factor that every sample is multiplied by.
        coefficient: f64,
        /// The peak that is expected afterwards, in the target's unit.
        peak_db: f64,
        /// How that peak is measured.
        unit: String,
        /// Why.
        why: String,
    },
}

/// Gains nearer to nothing than this are nothing: one quantising step at -6 dBFS in 24 bits is less.
const NOTHING_DB: f64 = 0.001;

/// Room below full scale for the last rounding and its dither, so that a target of 0 dBFS cannot clip.
const CEILING_DB: f64 = -0.001;

/// The gain of a link whose loudest peak is `peak_db`, and whether the bound on boost stopped it.
fn gain_db(settings: &Settings, peak_db: f64) -> (f64, bool) {
    let wanted = settings.target.db.min(CEILING_DB) - peak_db;
    let stepped = match settings.round_down {
        RoundDown::None => wanted,
        RoundDown::Tenth => (wanted * 10.0 + 1e-6).floor() / 10.0,
        RoundDown::Whole => (wanted + 1e-6).floor(),
    };
    let bounded = stepped.min(settings.max_boost.0);
    let gain = if settings.never_lower { bounded.max(0.0) } else { bounded };
    // The gain is exactly the number in the manifest, so that whoever reads it there can multiply by the same factor.
    ((gain * PER_DB + 1e-4).floor() / PER_DB, stepped > settings.max_boost.0)
}

/// Steps of a gain in a decibel.
const PER_DB: f64 = 1e6;

/// Decides one gain for every link.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let links: Vec<LinkScope> = settings.iter().map(|s| s.link).collect();
    let mut decisions: Vec<Decision> =
        draft.stems.iter().map(|stem| Decision::Leave { why: unlinked(stem.is_active()) }).collect();
    for (scope, members) in LinkScope::scopes(&links, draft) {
        // Every member of a scope has the settings of its first one: a link is one decision.
        let own = &settings[members[0]];
        let peak = members.iter().map(|&i| draft.stems[i].peak(own.target.kind)).fold(0.0, f64::max);
        if peak <= 0.0 {
            for &index in &members {
                decisions[index] = Decision::Leave { why: "there is no sound".to_owned() };
            }
            continue;
        }
        let peak_db = Decibels::from_ratio(peak).0;
        let ((gain, limited), loudest_db) = match draft.pin.and_then(|pin| pin.gain(&scope)) {
            Some(pinned) => ((pinned.gain_db, false), pinned.loudest_db),
            None => (gain_db(own, peak_db), round_to(peak_db, 6).unwrap_or(0.0)),
        };
        draft.link.gains.push(LinkGain { scope: scope.clone(), gain_db: gain, loudest_db });
        for &index in &members {
            decisions[index] = one(own, gain, loudest_db, &scope, draft, index);
            note_late(own, draft, index);
            if limited {
                let text = format!(
                    "the gain stops at {}, the recipe's bound; the peak stays below the target",
                    own.max_boost
                );
                draft.stems[index]
                    .note(Finding::new(Id::GainLimited, text).with("peak_db", rounded(peak_db, 2)));
            }
        }
    }
    decisions
}

/// A late stem has the gain of those before it, even where that brings it above the target.
fn note_late(own: &Settings, draft: &mut Draft<'_>, index: usize) {
    let late = draft.is_late(&draft.stems[index]);
    let stem = &mut draft.stems[index];
    let over = Decibels::from_ratio(stem.peak(own.target.kind)).0 - own.target.db;
    if late && over > 0.01 {
        let text = format!(
            "it came late and peaks {over:.2} dB above the target at the gain that the others have; --relink gives all stems a new gain"
        );
        stem.note(Finding::new(Id::LateOverTarget, text).with("over_db", rounded(over, 2)));
    }
}

fn unlinked(active: bool) -> String {
    if active { "a reference keeps its level".to_owned() } else { NOT_RENDERED.to_owned() }
}

fn one(
    own: &Settings,
    gain_db: f64,
    peak_db: f64,
    scope: &Linked,
    draft: &mut Draft<'_>,
    index: usize,
) -> Decision {
    let unit = own.target.kind.unit();
    if gain_db.abs() < NOTHING_DB {
        return Decision::Leave {
            why: format!(
                "the loudest peak of the {scope} is at {peak_db:.2} {unit}, where it shall be or as near as the steps allow"
            ),
        };
    }
    let coefficient = Decibels(gain_db).ratio();
    let stem = &mut draft.stems[index];
    for channel in &mut stem.channels {
        channel.scale *= coefficient;
        channel.shift *= coefficient;
    }
    stem.touch();
    Decision::Gain {
        gain_db,
        coefficient,
        peak_db: Decibels::from_ratio(stem.peak(own.target.kind)).0,
        unit: unit.to_owned(),
        why: format!(
            "the loudest peak of the {scope} is at {peak_db:.2} {unit}, the target is {}",
            own.target
        ),
    }
}

/// Multiplies every sample.
pub struct Gain(pub f64);

impl Processor for Gain {
    fn process(&mut self, block: &mut Block) {
        let coefficient = self.0;
        for channel in block.iter_mut() {
            with_simd(
                #[inline(always)]
                || {
                    for sample in channel {
                        *sample *= coefficient;
                    }
                },
            );
        }
    }
}

/// The multiplication.
pub fn processor(decision: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Gain { coefficient, .. } => Some(Box::new(Gain(*coefficient))),
    }
}

/// The change of level.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Gain { gain_db, why, .. } => {
            Some(Change::new("gain-stage", "gain", 0, *gain_db, "dB", why))
        }
    }
}

#[cfg(test)]
mod tests;
