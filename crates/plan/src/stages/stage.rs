//! What all stages have in common: how they change sound, which stems share a decision, and how their settings are found.
//! It knows none of them.

use loadin_audio::Block;
use loadin_record::link::Linked;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::draft::Draft;

/// A change of sound in a stream. It keeps what it needs between blocks and never sees the whole file.
pub trait Processor: Send {
    /// Leaves in the empty `block` a piece of what comes before the first frame; called until it leaves nothing.
    fn begin(&mut self, _block: &mut Block) {}

    /// Takes the frames of `block` and leaves in it what is ready; that may be nothing.
    fn process(&mut self, block: &mut Block);

    /// Leaves in the empty `block` a piece of what remains after the last frame; called until it leaves nothing.
    fn finish(&mut self, _block: &mut Block) {}
}

/// Which stems share one decision.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
#[schemars(rename = "Link")]
pub enum LinkScope {
    /// Every stem for itself.
    Stem,
    /// The stems of one group.
    Group,
    /// All stems of the delivery.
    #[default]
    Delivery,
}

impl LinkScope {
    /// The linked active stems, as lists of indices with what links them; references take no part.
    pub fn scopes(links: &[Self], draft: &Draft<'_>) -> Vec<(Linked, Vec<usize>)> {
        let mut scopes: Vec<(Linked, Vec<usize>)> = Vec::new();
        for (index, stem) in draft.linked() {
            let scope = match links[index] {
                Self::Stem => Linked::Stem(stem.path().to_owned()),
                Self::Group => Linked::Group(stem.group.as_str().to_owned()),
                Self::Delivery => Linked::Delivery,
            };
            match scopes.iter_mut().find(|(known, _)| *known == scope) {
                Some((_, members)) => members.push(index),
                None => scopes.push((scope, vec![index])),
            }
        }
        scopes
    }
}

/// The reason that every stage gives for a stem that is not rendered.
pub const NOT_RENDERED: &str = "the stem is not rendered";

/// Settings of one stage among those of all.
pub trait OfStage: Sized {
    /// The settings of any stage.
    type Of;

    /// These settings, if they are of this stage.
    fn of(settings: &Self::Of) -> Option<&Self>;
}
