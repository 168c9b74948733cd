//! # label
//!
//! *What it does:* gives every stem a clear, unique name and a place in the order of groups.
//! *Reads:* the names of the delivery. *Decides:* name and order. *Changes:* the file name.
//! *Settings:* `max-chars`, `charset`, `separator`, `number`, `order`.
//! *Sources:* names of at most 31 characters without accents and signs: common practice, no source.

use loadin_session as session;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{NOT_RENDERED, Processor};
use crate::findings::{Finding, Id};
use crate::manifest::Change;
use crate::plan::{Draft, StemPlan};
use crate::render::Measured;

/// Characters that a name may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Charset {
    /// Letters a to z and digits; accents are taken off.
    Ascii,
    /// Every letter and digit.
    Unicode,
}

/// The order of the groups.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// Kick and bass, drums, percussion, instruments, vocals, effects.
    KickAndBassFirst,
    /// Drums, percussion, bass, instruments, effects, vocals.
    DrumsFirst,
    /// Vocals, then kick and bass, drums and the rest.
    VocalsFirst,
}

/// What stands between words.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Separator {
    /// An underscore.
    #[serde(rename = "_")]
    Underscore,
    /// A hyphen.
    #[serde(rename = "-")]
    Hyphen,
    /// A space.
    #[serde(rename = " ")]
    Space,
}

/// Lengths that a name may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
pub struct MaxChars(#[schemars(range(min = 12, max = 80))] u8);

impl<'de> Deserialize<'de> for MaxChars {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let found = i64::deserialize(deserializer)?;
        let allowed = u8::try_from(found).ok().filter(|chars| (12..=80).contains(chars));
        allowed
            .map(Self)
            .ok_or_else(|| serde::de::Error::custom(format!("found {found}, allowed is 12 to 80 characters")))
    }
}

/// Settings of `label`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Longest name in characters, the order number included, the extension not.
    pub max_chars: MaxChars,
    /// Characters that a name may hold.
    pub charset: Charset,
    /// What stands between words.
    pub separator: Separator,
    /// Whether the order number stands first.
    pub number: bool,
    /// The order of the groups.
    pub order: Order,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            max_chars: MaxChars(31),
            charset: Charset::Ascii,
            separator: Separator::Underscore,
            number: true,
            order: Order::KickAndBassFirst,
        }
    }
}

/// Decision of `label`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "do", rename_all = "kebab-case")]
pub enum Decision {
    /// The stem gets no name.
    Leave {
        /// Why.
        why: String,
    },
    /// The stem gets this name.
    Name {
        /// The delivered name.
        from: String,
        /// The new one, without extension.
        to: String,
        /// Words that many names share and that were left out.
        stripped: Vec<String>,
        /// Why.
        why: String,
    },
}

fn options(settings: &Settings) -> session::LabelOptions {
    session::LabelOptions {
        max_chars: usize::from(settings.max_chars.0),
        charset: match settings.charset {
            Charset::Ascii => session::Charset::Ascii,
            Charset::Unicode => session::Charset::Unicode,
        },
        separator: match settings.separator {
            Separator::Underscore => '_',
            Separator::Hyphen => '-',
            Separator::Space => ' ',
        },
        number: settings.number,
        order: match settings.order {
            Order::KickAndBassFirst => session::KICK_AND_BASS_FIRST,
            Order::DrumsFirst => session::DRUMS_FIRST,
            Order::VocalsFirst => session::VOCALS_FIRST,
        }
        .to_vec(),
    }
}

/// Decides the names of all stems as a set.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let inputs: Vec<session::LabelInput> = draft
        .stems
        .iter()
        .map(|stem| session::LabelInput {
            path: stem.path().to_owned(),
            role: stem.role.clone(),
            group: stem.group,
            wanted: stem.is_active(),
            kept: draft.pin.and_then(|pin| pin.stem(stem.path())?.label.clone()),
        })
        .collect();
    let mut decisions = vec![Decision::Leave { why: NOT_RENDERED.to_owned() }; draft.stems.len()];
    let Some(own) = settings.first() else { return decisions };
    for (index, label) in session::labels(&inputs, &options(own)).into_iter().enumerate() {
        let Some(label) = label else { continue };
        let stem = &mut draft.stems[index];
        if label.collided {
            let text = format!("another stem would have had the same name; this one is \"{}\"", label.text);
            stem.note(Finding::new(Id::NameCollision, text).with("label", label.text.as_str()));
        }
        stem.label = Some(label.text.clone());
        decisions[index] = Decision::Name {
            from: stem.path().to_owned(),
            to: label.text,
            stripped: label.stripped,
            why: "short, unique, in the order of the groups".to_owned(),
        };
    }
    decisions
}

/// A name changes no sound.
pub fn processor(_: &Decision, _: &StemPlan) -> Option<Box<dyn Processor>> {
    None
}

/// The change of name.
pub fn change(decision: &Decision, _: &StemPlan, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Name { from, to, stripped, why } => Some(
            Change::new("label", "name", from.as_str(), to.as_str(), "", why)
                .with("left_out", stripped.clone()),
        ),
    }
}
