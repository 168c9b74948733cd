//! # decode
//!
//! *What it does:* says which files are stems, and which of them go on.
//! *Reads:* the surveys. *Decides:* go on, set aside, or failed. *Changes:* nothing.
//! *Settings:* `silent`, `duplicates`, `damage`, `lossy`, `leave-out`, `references`, `loudness`, `outside-links`.
//! *Sources:* damage must never become a silent gap: common practice, no source.

use loadin_record::manifest::Change;
use loadin_record::survey::{Measures, Survey};
use loadin_record::written::Measured;
use loadin_session::copy_rank;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::{Draft, DraftStem};
use crate::shape::{Fate, Shape};
use crate::stages::stage::Processor;
use crate::values::Globs;

/// What to do with a stem that is a doubtful guest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Guest {
    /// Prepare it like the others.
    Keep,
    /// Do not prepare it; the manifest says so.
    SetAside,
}

/// What to do with a stem that has lost audio.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Damage {
    /// The stem fails; the others go on.
    Fail,
    /// What is lost becomes silence of exactly that length, as a finding.
    Keep,
}

/// What to do with a link that leads out of the delivery.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OutsideLink {
    /// It is not read, and a finding says so: whoever made the delivery need not have the right to what it leads to.
    Refuse,
    /// The file that it leads to is read as if it were in the delivery.
    Read,
}

/// Settings of `decode`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Stems in which nothing sounds from start to end.
    pub silent: Guest,
    /// Stems with the same audio as an earlier one.
    pub duplicates: Guest,
    /// Stems that were stored with a lossy codec.
    pub lossy: Guest,
    /// Stems with lost audio.
    pub damage: Damage,
    /// Stems to leave out, as globs on the path.
    #[schemars(with = "Vec<String>")]
    pub leave_out: Globs,
    /// Further references beside the rough mix, as globs on the path; references are never part of a link.
    #[schemars(with = "Vec<String>")]
    pub references: Globs,
    /// Whether to measure integrated loudness (ITU-R BS.1770).
    pub loudness: bool,
    /// Files that are links out of the delivery.
    pub outside_links: OutsideLink,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            silent: Guest::SetAside,
            duplicates: Guest::Keep,
            lossy: Guest::Keep,
            damage: Damage::Fail,
            leave_out: Globs::default(),
            references: Globs::default(),
            loudness: false,
            outside_links: OutsideLink::Refuse,
        }
    }
}

/// Decision of `decode`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The stem is read as it is.
    Leave {
        /// Why.
        why: String,
    },
    /// The stem is not prepared.
    SetAside {
        /// Why.
        why: String,
    },
    /// The stem cannot be prepared.
    Fail {
        /// What is wrong.
        why: String,
    },
}

const ASK_AGAIN: &str = "ask for the file again, or set damage = \"keep\" in the decode stage";

/// Decides for every stem whether it goes on.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    // What is at work already goes before whatever has the same audio and came later.
    let at_work: Vec<bool> = draft.stems.iter().map(|stem| draft.is_at_work(stem)).collect();
    let named = |stem: &DraftStem<'_>| (content(stem), stem.path().to_owned());
    let mut seen: Vec<_> = draft.stems.iter().filter(|stem| draft.is_at_work(stem)).map(named).collect();
    let left = || Decision::Leave { why: "read as it is".to_owned() };
    let mut decisions: Vec<Decision> = draft.stems.iter().map(|_| left()).collect();
    // Of two with one sound the one goes that is named as a copy.
    let mut order: Vec<usize> = (0..draft.stems.len()).collect();
    order.sort_by_cached_key(|&index| copy_rank(draft.stems[index].path()));
    for index in order {
        let stem = &mut draft.stems[index];
        let decision = decide_one(&settings[index], stem, if at_work[index] { &[] } else { &seen });
        match &decision {
            Decision::Leave { .. } => seen.push(named(stem)),
            Decision::SetAside { why } => stem.fate = Fate::SetAside { why: why.clone() },
            Decision::Fail { why } => stem.fate = Fate::Fail { why: why.clone() },
        }
        decisions[index] = decision;
    }
    decisions
}

fn decide_one(settings: &Settings, stem: &DraftStem<'_>, seen: &[(String, String)]) -> Decision {
    let aside = |why: String| Decision::SetAside { why };
    // What the engineer leaves out need not be readable.
    if let Some(("answers", why)) = &stem.left_out {
        return aside(why.clone());
    }
    if let Some(failure) = stem.sources.iter().find_map(|survey| survey.measures.as_ref().err()) {
        return Decision::Fail { why: failure.text.clone() };
    }
    if let Some((_, why)) = &stem.left_out {
        return aside(why.clone());
    }
    if settings.damage == Damage::Fail
        && let Some(why) = stem.sources.iter().find_map(|survey| lost_sound(survey))
    {
        return Decision::Fail { why: format!("{why}; {ASK_AGAIN}") };
    }
    if settings.damage == Damage::Fail
        && let Some(beyond) = measures(stem).find_map(|m| m.beyond)
    {
        return Decision::Fail { why: format!("{}; {ASK_AGAIN}", beyond.sentence()) };
    }
    if settings.silent == Guest::SetAside
        && measures(stem).all(|measures| measures.active_frames == 0)
        && let Some(silence) = measures(stem).find_map(Measures::silence)
    {
        return aside(format!("it is {silence}"));
    }
    if settings.lossy == Guest::SetAside
        && stem.sources.iter().any(|s| s.format.as_ref().is_some_and(|f| f.lossy))
    {
        return aside("it was stored with a lossy codec".to_owned());
    }
    let own = content(stem);
    match seen.iter().find(|(digest, _)| *digest == own) {
        Some((_, first)) if settings.duplicates == Guest::SetAside => {
            aside(format!("it has the same audio as \"{first}\""))
        }
        _ => Decision::Leave { why: "read as it is".to_owned() },
    }
}

/// What of a file's sound is missing, and from where on.
fn lost_sound(survey: &Survey) -> Option<String> {
    let (measures, format) = (survey.measures.as_ref().ok()?, survey.format.as_ref()?);
    let seconds = |frames: u64| frames as f64 / f64::from(format.rate_hz.max(1));
    let first = measures.damage.first()?;
    let lost: u64 = measures.damage.iter().map(|damage| damage.frames).sum();
    let (lost, from) = (seconds(lost), seconds(first.start_frame));
    Some(format!("{lost:.3} s of it are missing, from {from:.3} s on ({})", first.cause))
}

fn measures<'a>(stem: &DraftStem<'a>) -> impl Iterator<Item = &'a Measures> {
    stem.sources.clone().into_iter().filter_map(|survey| survey.measures.as_ref().ok())
}

fn content(stem: &DraftStem<'_>) -> String {
    measures(stem).map(|m| m.content.as_str()).collect::<Vec<_>>().join("+")
}

/// Reading changes nothing.
pub fn processor(_: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    None
}

/// Reading changes nothing.
pub fn change(_: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    None
}

#[cfg(test)]
mod tests;
