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

#[cfg(test)]
mod tests {
    use loadin_record::evidence::Evidence;

    use super::*;
    use crate::drafting;
    use crate::recipe::Recipe;
    use crate::shape::Fate;
    use crate::stages::{self, resample, trim_silence};
    use crate::testing::{processed, recipe, stem, surveys, with_draft};

    const PATHS: [&str; 6] =
        ["Bass.wav", "Hat.wav", "Rough mix.wav", "Snare.wav", "Torn.wav", "Unused snare.wav"];

    /// The scopes of a delivery in which three stems take part: a bass and two drums. The rough mix is a reference, and two
    /// stems are not rendered.
    fn scopes(links: [LinkScope; 6]) -> Vec<(Linked, Vec<usize>)> {
        with_draft(&recipe(""), PATHS.map(stem), |draft| {
            draft.stems[4].fate = Fate::Fail { why: "x".to_owned() };
            draft.stems[5].fate = Fate::SetAside { why: "x".to_owned() };
            LinkScope::scopes(&links, draft)
        })
    }

    fn named(scopes: &[(&str, &[usize])]) -> Vec<(Linked, Vec<usize>)> {
        scopes.iter().map(|&(name, members)| (name.parse().unwrap(), members.to_vec())).collect()
    }

    #[test]
    fn a_link_is_of_the_delivery_unless_the_recipe_says_otherwise() {
        assert_eq!(LinkScope::default(), LinkScope::Delivery);
        for (scope, word) in
            [(LinkScope::Stem, "stem"), (LinkScope::Group, "group"), (LinkScope::Delivery, "delivery")]
        {
            assert_eq!(serde_json::to_value(scope).unwrap(), word);
            assert_eq!(serde_json::from_value::<LinkScope>(word.into()).unwrap(), scope);
        }
    }

    #[test]
    fn linked_stems_decide_together_and_references_and_what_is_not_rendered_stay_out() {
        for (link, wanted) in [
            (LinkScope::Delivery, named(&[("delivery", &[0, 1, 3])])),
            (LinkScope::Group, named(&[("group kick and bass", &[0]), ("group drums", &[1, 3])])),
            (
                LinkScope::Stem,
                named(&[("stem Bass.wav", &[0]), ("stem Hat.wav", &[1]), ("stem Snare.wav", &[3])]),
            ),
        ] {
            assert_eq!(scopes([link; 6]), wanted, "{link:?}");
        }
    }

    #[test]
    fn each_stem_is_linked_as_its_own_settings_say() {
        let mut links = [LinkScope::Delivery; 6];
        links[1] = LinkScope::Group;
        assert_eq!(scopes(links), named(&[("delivery", &[0, 3]), ("group drums", &[1])]));
    }

    #[test]
    fn a_delivery_of_nothing_has_no_scope() {
        let (recipe, surveys, evidence): (Recipe, _, _) = (recipe(""), surveys([]), Evidence::default());
        let draft = drafting::draft(&recipe, &surveys, &evidence, None);
        assert!(LinkScope::scopes(&[], &draft).is_empty());
    }

    #[test]
    fn settings_are_found_among_those_of_their_own_stage_alone() {
        let settings = stages::Settings::Resample(resample::Settings::default());
        assert_eq!(resample::Settings::of(&settings), Some(&resample::Settings::default()));
        assert_eq!(trim_silence::Settings::of(&settings), None);
    }

    /// A processor that says nothing of before and after.
    struct Halve;

    impl Processor for Halve {
        fn process(&mut self, block: &mut Block) {
            block.iter_mut().flatten().for_each(|sample| *sample /= 2.0);
        }
    }

    #[test]
    fn a_processor_adds_nothing_before_and_after_unless_it_says_so() {
        let mut block = Block::new(1);
        Halve.begin(&mut block);
        assert!(block.is_empty());
        assert_eq!(processed(Box::new(Halve), &[vec![1.0, 0.5, 0.25]], 2), [[0.5, 0.25, 0.125]]);
    }
}
