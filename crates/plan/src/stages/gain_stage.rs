//! # gain-stage
//!
//! *What it does:* one gain for linked stems, so that the loudest of them peaks at the target and the balance
//! of the delivery survives.
//! *Reads:* the peak of every stem after the stages before. *Decides:* one gain a link.
//! *Changes:* the level. *Settings:* `target`, `link`, `round-down`, `max-boost`, `max-cut`, `never-lower`.
//! *Sources:* dBTP as in ITU-R BS.1770; -6 dBFS as the default: common practice, no source.

use loadin_audio::{Block, Decibels, with_simd};
use loadin_record::finding::{Finding, Id, round_to, rounded};
use loadin_record::link::{LinkGain, Linked};
use loadin_record::manifest::Change;
use loadin_record::written::Measured;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::{Draft, DraftStem};
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
    /// And no stem is lowered by more than this.
    pub max_cut: Ratio,
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
            max_cut: Ratio(40.0),
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
        /// The peak that is expected afterwards, in the target's unit; none for silence.
        peak_db: Option<f64>,
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

/// A stem that lowers all others of its link by more than this is named: common practice, no source.
const BY_ONE_DB: f64 = 3.0;

/// The gain of a link whose loudest peak is `peak_db`, and whether a bound stopped it.
fn gain_db(settings: &Settings, peak_db: f64) -> (f64, bool) {
    let wanted = settings.target.db.min(CEILING_DB) - peak_db;
    let stepped = match settings.round_down {
        RoundDown::None => wanted,
        RoundDown::Tenth => (wanted * 10.0 + 1e-6).floor() / 10.0,
        RoundDown::Whole => (wanted + 1e-6).floor(),
    };
    let wanted = if settings.never_lower { stepped.max(0.0) } else { stepped };
    let gain = wanted.min(settings.max_boost.0).max(-settings.max_cut.0);
    // The gain is exactly the number in the manifest, so that whoever reads it there can multiply by the same factor.
    ((gain * PER_DB + 1e-4).floor() / PER_DB, gain.to_bits() != wanted.to_bits())
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
        let Some(loudest) = Loudest::of(own, draft, &members) else {
            for &index in &members {
                decisions[index] = Decision::Leave { why: "there is no sound".to_owned() };
            }
            continue;
        };
        let pinned = draft.pin.and_then(|pin| pin.gain(&scope)).cloned();
        let (link, limited) = if let Some(pinned) = pinned {
            (LinkGain { scope, ..pinned }, false)
        } else {
            loudest.note_alone(own, &scope, draft);
            let (gain_db, limited) = gain_db(own, loudest.peak_db);
            let loudest_db = round_to(loudest.peak_db, 6).unwrap_or(0.0);
            let decided_by = Some(draft.stems[loudest.index].path().to_owned());
            (LinkGain { scope, gain_db, loudest_db, decided_by }, limited)
        };
        for &index in &members {
            decisions[index] = one(own, &link, &mut draft.stems[index]);
            note_late(own, draft, index);
            if limited {
                draft.stems[index].note(stopped(own, link.gain_db, loudest.peak_db));
            }
        }
        draft.link.gains.push(link);
    }
    decisions
}

/// The loudest stem of a link.
struct Loudest {
    index: usize,
    peak_db: f64,
    /// The peak of the loudest other one.
    next_db: f64,
}

impl Loudest {
    /// `None` where there is no sound.
    fn of(own: &Settings, draft: &Draft<'_>, members: &[usize]) -> Option<Self> {
        let mut peaks: Vec<(f64, usize)> =
            members.iter().map(|&index| (draft.stems[index].peak(own.target.kind), index)).collect();
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
        let &(peak, index) = peaks.first().filter(|(peak, _)| *peak > 0.0)?;
        let next = peaks.get(1).map_or(0.0, |(peak, _)| *peak);
        Some(Self { index, peak_db: Decibels::from_ratio(peak).0, next_db: Decibels::from_ratio(next).0 })
    }

    /// Says where it alone lowers all others.
    fn note_alone(&self, own: &Settings, scope: &Linked, draft: &mut Draft<'_>) {
        if !self.next_db.is_finite() {
            return;
        }
        let (with, without) = (gain_db(own, self.peak_db).0, gain_db(own, self.next_db).0);
        let lowered = without.min(0.0) - with;
        if lowered > BY_ONE_DB {
            let text = format!(
                "it alone lowers all others of the {scope} by {lowered:.2} dB: it peaks at {:.2} {unit}, the next one at {:.2} {unit}",
                self.peak_db,
                self.next_db,
                unit = own.target.kind.unit()
            );
            let finding = Finding::new(Id::GainByOne, text).with("lowered_db", rounded(lowered, 2));
            draft.stems[self.index].note(finding.with("peak_db", rounded(self.peak_db, 2)));
        }
    }
}

/// The gain stops at a bound.
fn stopped(own: &Settings, gain_db: f64, peak_db: f64) -> Finding {
    let text = if gain_db < 0.0 {
        format!("the gain stops at -{}, the recipe's bound; the peak stays above the target", own.max_cut)
    } else {
        format!("the gain stops at {}, the recipe's bound; the peak stays below the target", own.max_boost)
    };
    Finding::new(Id::GainLimited, text).with("peak_db", rounded(peak_db, 2))
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

fn one(own: &Settings, link: &LinkGain, stem: &mut DraftStem<'_>) -> Decision {
    let (unit, scope) = (own.target.kind.unit(), &link.scope);
    let whose = match &link.decided_by {
        Some(path) if !matches!(scope, Linked::Stem(_)) => format!(", that of \"{path}\", is"),
        _ => " is".to_owned(),
    };
    let loudest = format!("the loudest peak of the {scope}{whose} at {:.2} {unit}", link.loudest_db);
    if link.gain_db.abs() < NOTHING_DB {
        return Decision::Leave {
            why: format!("{loudest}, where it shall be or as near as the steps allow"),
        };
    }
    let coefficient = Decibels(link.gain_db).ratio();
    for channel in &mut stem.channels {
        channel.scale *= coefficient;
        channel.shift *= coefficient;
    }
    stem.touch();
    Decision::Gain {
        gain_db: link.gain_db,
        coefficient,
        peak_db: Some(Decibels::from_ratio(stem.peak(own.target.kind)).0).filter(|db| db.is_finite()),
        unit: unit.to_owned(),
        why: format!("{loudest}, the target is {}", own.target),
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
