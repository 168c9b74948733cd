//! # label
//!
//! *What it does:* gives every stem a clear, unique name and a place in the order of groups.
//! *Reads:* the names of the delivery. *Decides:* name, order and folder. *Changes:* the file name.
//! *Settings:* `max-chars`, `charset`, `separator`, `number`, `order`, `group-folders`, `session-file`.
//! *Sources:* names of at most 31 characters without accents and signs: common practice, no source.

mod order;

use std::collections::BTreeSet;

use loadin_session as session;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use self::order::Order;

use loadin_record::finding::{Finding, Id};
use loadin_record::manifest::Change;
use loadin_record::written::Measured;

use crate::draft::{Draft, DraftStem};
use crate::shape::Shape;
use crate::stages::stage::{NOT_RENDERED, Processor};

/// Characters that a name may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Charset {
    /// Letters a to z and digits; accents are taken off.
    Ascii,
    /// Every letter and digit.
    Unicode,
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
    /// Whether every group has a folder of its own below `audio/`.
    pub group_folders: bool,
    /// Whether a session file is written, which opens the prepared stems with names, order, groups and colours.
    pub session_file: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            max_chars: MaxChars(31),
            charset: Charset::Ascii,
            separator: Separator::Underscore,
            number: true,
            order: Order::default(),
            group_folders: false,
            session_file: true,
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
        /// The folder of its group below `audio/`; empty where the recipe asks for none.
        #[serde(default)]
        folder: String,
        /// Words that many names share and that were left out.
        stripped: Vec<String>,
        /// Why.
        why: String,
    },
}

impl Settings {
    /// Every group, in the order of the recipe.
    pub fn group_order(&self) -> Vec<session::Group> {
        let order = self.order.groups();
        let missing = session::Group::ALL.iter().filter(|group| !order.contains(group)).copied();
        order.iter().copied().chain(missing).collect()
    }
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
        order: settings.order.groups(),
    }
}

/// The stems as the labels need them. What has a label keeps it; where two would keep one, the halves of a pair that is
/// none any more, the second gets a new one.
fn inputs(draft: &Draft<'_>) -> Vec<session::LabelInput> {
    let mut given = BTreeSet::new();
    let input = |stem: &DraftStem<'_>| {
        let pinned = draft.pin.and_then(|pin| pin.stem(stem.path()));
        let pinned = pinned.filter(|pinned| given.insert(pinned.name()));
        // A stem that was made anew and is called otherwise keeps its number.
        let renamed = pinned.filter(|pinned| pinned.renamed);
        session::LabelInput {
            // A joined stem is neither of its sides.
            path: match stem.sources.len() {
                1 => stem.path().to_owned(),
                _ => session::without_side(stem.path()).unwrap_or_else(|| stem.path().to_owned()),
            },
            role: stem.role.clone(),
            group: stem.group,
            wanted: stem.is_active(),
            said: stem.said.label.clone(),
            number_of: renamed.and_then(|pinned| pinned.label.clone()),
            kept: pinned.filter(|_| renamed.is_none()).and_then(|pinned| pinned.label.clone()),
        }
    };
    draft.stems.iter().map(input).collect()
}

/// Labels that are no stem's of this draft and that none of them may get: once given is given for ever.
fn taken(draft: &Draft<'_>) -> Vec<String> {
    let Some(pin) = draft.pin else { return Vec::new() };
    let sources = || draft.stems.iter().flat_map(|stem| &stem.sources);
    let gone = pin.stems.iter().filter(|(path, _)| !sources().any(|source| source.path == **path));
    gone.filter_map(|(_, stem)| stem.label.clone()).chain(pin.taken.iter().cloned()).collect()
}

/// Decides the names of all stems as a set.
pub fn decide(settings: &[Settings], draft: &mut Draft<'_>) -> Vec<Decision> {
    let inputs = inputs(draft);
    let mut decisions = vec![Decision::Leave { why: NOT_RENDERED.to_owned() }; draft.stems.len()];
    let Some(own) = settings.first() else { return decisions };
    let options = options(own);
    let labels = session::labels(&inputs, &taken(draft), &options);
    let holders: Vec<Option<String>> =
        (0..labels.len()).map(|index| holder(&labels, &inputs, index)).collect();
    for (index, label) in labels.into_iter().enumerate() {
        let Some(label) = label else { continue };
        let pinned = draft.pin.and_then(|pin| pin.stem(draft.stems[index].path()));
        let pinned = pinned.filter(|pinned| inputs[index].kept.is_some() && !pinned.renewed);
        let stem = &mut draft.stems[index];
        if label.collided {
            let other = match &holders[index] {
                Some(other) => format!("\"{other}\""),
                None => "a stem that came earlier".to_owned(),
            };
            let text =
                format!("{other} has the name that this one would have had; this one is \"{}\"", label.text);
            stem.note(Finding::new(Id::NameCollision, text).with("label", label.text.as_str()));
        }
        stem.label = Some(label.text.clone());
        stem.folder = match pinned {
            Some(pinned) => pinned.folder.clone(),
            None if own.group_folders => session::group_folder(stem.group, &stem.role.details, &options),
            None => String::new(),
        };
        decisions[index] = Decision::Name {
            from: stem.path().to_owned(),
            to: label.text,
            folder: stem.folder.clone(),
            stripped: label.stripped,
            why: "short, unique, in the order of the groups".to_owned(),
        };
    }
    decisions
}

/// The path of the stem that has the name which a stem would have had; `None` where its name is a number behind nobody's.
fn holder(labels: &[Option<session::Label>], inputs: &[session::LabelInput], index: usize) -> Option<String> {
    // The order number stands first, and the number of a name that was taken last.
    let bare =
        |label: &session::Label| label.text.trim_start_matches(|c: char| c.is_ascii_digit()).to_lowercase();
    let own = labels[index].as_ref().filter(|label| label.collided).map(bare)?;
    let wished = own.trim_end_matches(|c: char| c.is_ascii_digit());
    let wished = &wished[..wished.len().saturating_sub(1)];
    let is_holder = |other: &usize| labels[*other].as_ref().is_some_and(|label| bare(label) == wished);
    (0..labels.len()).find(is_holder).map(|other| inputs[other].path.clone())
}

/// A name changes no sound.
pub fn processor(_: &Decision, _: Shape<'_>) -> Option<Box<dyn Processor>> {
    None
}

/// The change of name.
pub fn change(decision: &Decision, _: Shape<'_>, _: &Measured) -> Option<Change> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Name { from, to, folder, stripped, why } => {
            let change = Change::new("label", "name", from.as_str(), to.as_str(), "", why)
                .with("left_out", stripped.clone());
            Some(if folder.is_empty() { change } else { change.with("folder", folder.as_str()) })
        }
    }
}

#[cfg(test)]
mod tests;
