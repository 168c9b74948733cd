//! A recipe as a value: the stages in order, with their settings for every stem. It knows no text that it is read from
//! but the one that it keeps.

use std::collections::BTreeMap;
use std::ops::Range;

use loadin_record::digest::text_digest;
use loadin_record::manifest::RecipeRecord;
use loadin_session::is_reference;

use crate::answers::{Answers, Left, Song, StemAnswer};
use crate::stages::stage::OfStage;
use crate::stages::{Settings, decode, resample};
use crate::values::Globs;

/// The format version that this program reads.
pub const FORMAT_VERSION: i64 = 1;

/// A sound recipe.
#[derive(Debug, Clone)]
pub struct Recipe {
    /// Its name.
    pub name: String,
    /// Its revision, 1 or more.
    pub revision: u32,
    /// The stages in order.
    pub stages: Vec<RecipeStage>,
    /// The text, byte for byte.
    pub text: String,
    /// What the engineer says of the delivery that it is used for: it goes before the recipe where both speak of a stem.
    pub answers: Option<Answers>,
}

/// A stage and where it stands in the text.
pub(super) struct Placed {
    pub(super) stage: RecipeStage,
    pub(super) span: Range<usize>,
}

/// One stage with its settings.
#[derive(Debug, Clone)]
pub struct RecipeStage {
    pub(super) base: Settings,
    pub(super) chosen: Vec<(Globs, Settings)>,
}

impl Recipe {
    /// The recipe as the manifest names it.
    pub fn record(&self) -> RecipeRecord {
        RecipeRecord { name: self.name.clone(), revision: self.revision, sha256: self.sha256() }
    }

    /// SHA-256 of the text, in hex.
    pub fn sha256(&self) -> String {
        text_digest(&self.text)
    }

    /// The recipe for one delivery, of which the engineer says this.
    #[must_use]
    pub fn answered(&self, answers: Option<Answers>) -> Self {
        Self { answers, ..self.clone() }
    }

    /// The recipe for one delivery whose files have moved: by the paths of now, those by which answers may speak of them.
    #[must_use]
    pub fn following(&self, said_as: &BTreeMap<String, String>) -> Self {
        let answers = self.answers.as_ref().map(|answers| answers.following(said_as));
        Self { answers, ..self.clone() }
    }

    /// One digest, in hex, for the recipe and what the engineer says.
    pub fn with_answers_sha256(&self) -> String {
        match &self.answers {
            None => self.sha256(),
            Some(answers) => text_digest(&format!("{} {}", self.sha256(), answers.sha256())),
        }
    }

    /// What the answers say of the stem at `path`.
    pub fn said_of(&self, path: &str) -> StemAnswer {
        self.answers.as_ref().map(|answers| answers.of(path)).unwrap_or_default()
    }

    /// The path by which the answers speak of the stem at `path`, where that is one that it had before.
    pub fn said_as(&self, path: &str) -> Option<String> {
        self.answers.as_ref().and_then(|answers| answers.said_as(path)).map(str::to_owned)
    }

    /// What the answers say of the song.
    pub fn song(&self) -> Option<&Song> {
        self.answers.as_ref().map(|answers| &answers.song)
    }

    /// Who leaves out the file at `path`, "answers" or "recipe", and in which words; `None` where it takes part. Whoever asks,
    /// asks here.
    pub fn leaves_out(&self, path: &str) -> Option<(&'static str, String)> {
        match self.answers.as_ref().and_then(|answers| answers.leaves_out(path)) {
            Some(Left::Out(why)) => Some(("answers", why)),
            Some(Left::In) => None,
            None => {
                let settings = self.settings::<decode::Settings>(path)?;
                let out = settings.leave_out.is_match(path);
                out.then(|| ("recipe", "the recipe leaves it out".to_owned()))
            }
        }
    }

    /// Whether the file at `path` is read where it is a link that leads out of the delivery.
    pub fn reads_outside(&self, path: &str) -> bool {
        let settings = self.settings::<decode::Settings>(path);
        settings.is_some_and(|settings| settings.outside_links == decode::OutsideLink::Read)
    }

    /// The settings of a stage for the stem at `path`; `None` where the recipe has no such stage.
    pub fn settings<S: OfStage<Of = Settings>>(&self, path: &str) -> Option<&S> {
        self.stages.iter().find_map(|stage| S::of(stage.for_stem(path)))
    }

    /// The settings of a stage that holds for the delivery as a whole; `None` where the recipe has no such stage.
    pub fn base<S: OfStage<Of = Settings>>(&self) -> Option<&S> {
        self.stages.iter().find_map(|stage| S::of(stage.base()))
    }

    /// The rate that the source at `path` is brought to, in Hz.
    pub fn target_hz(&self, path: &str, source_hz: u32, majority_hz: u32) -> u32 {
        let settings = self.settings::<resample::Settings>(path);
        settings.map_or(source_hz, |settings| settings.target_hz(source_hz, majority_hz))
    }

    /// Whether the file at `path` is the rough mix or another reference, which is never part of a link: by the answers, by its
    /// name, or by a glob of the decode stage. Whoever asks, asks here.
    pub fn is_reference(&self, path: &str) -> bool {
        let said = self.said_of(path);
        if let Some(reference) = said.reference {
            return reference;
        }
        // Who says what a stem is says that it is one.
        if said.group().is_some() {
            return false;
        }
        let by_glob = self.settings::<decode::Settings>(path);
        by_glob.is_some_and(|settings| settings.references.is_match(path)) || is_reference(path).is_some()
    }
}

impl RecipeStage {
    /// The stage's name.
    pub fn name(&self) -> &'static str {
        self.base.name()
    }

    /// The settings for stems that no `for` table chooses.
    pub fn base(&self) -> &Settings {
        &self.base
    }

    /// The settings for the stem at `path`: those of the last `for` table that chooses it.
    pub fn for_stem(&self, path: &str) -> &Settings {
        let chosen = self.chosen.iter().rev().find(|(stems, _)| stems.is_match(path));
        chosen.map_or(&self.base, |(_, settings)| settings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stages::stage::LinkScope;
    use crate::stages::{align_starts, gain_stage, label};
    use crate::testing;

    const FOR_TWO: &str = r#"
[[stage]]
stage = "resample"
rate = "96 kHz"
[[stage.for]]
stems = "*fx*"
rate = "source"
[[stage]]
stage = "gain-stage"
link = "group"
[[stage.for]]
stems = ["*fx*", "Drums/*"]
link = "stem"
[[stage.for]]
stems = "*loud fx*"
link = "delivery"
"#;

    #[test]
    fn the_last_table_that_chooses_a_stem_has_the_say_and_the_base_has_it_for_the_rest() {
        let recipe = testing::recipe(FOR_TWO);
        let link = |path: &str| recipe.settings::<gain_stage::Settings>(path).unwrap().link;
        for (path, wanted) in [
            ("Vox.wav", LinkScope::Group),
            ("drums/Kick.wav", LinkScope::Stem),
            ("FX 1.wav", LinkScope::Stem),
            ("Drums/Loud FX.wav", LinkScope::Delivery),
        ] {
            assert_eq!(link(path), wanted, "{path}");
        }
        assert_eq!(recipe.base::<gain_stage::Settings>().unwrap().link, LinkScope::Group);
        assert_eq!(recipe.base::<label::Settings>(), Some(&label::Settings::default()));
        assert_eq!(recipe.settings::<align_starts::Settings>("Vox.wav"), None);
        assert_eq!(recipe.base::<align_starts::Settings>(), None);
        let names: Vec<&str> = recipe.stages.iter().map(RecipeStage::name).collect();
        assert_eq!(names, ["decode", "resample", "gain-stage", "label", "re-encode"]);
    }

    #[test]
    fn the_target_rate_is_the_recipes_for_that_stem_and_the_sources_where_nothing_is_resampled() {
        let recipe = testing::recipe(FOR_TWO);
        assert_eq!(recipe.target_hz("Vox.wav", 44_100, 48_000), 96_000);
        assert_eq!(recipe.target_hz("FX.wav", 44_100, 48_000), 44_100);
        assert_eq!(testing::recipe("").target_hz("Vox.wav", 44_100, 48_000), 44_100);
        let majority = testing::recipe("[[stage]]\nstage = \"resample\"\n");
        assert_eq!(majority.target_hz("Vox.wav", 44_100, 48_000), 48_000);
    }

    #[test]
    fn a_reference_is_one_by_its_name_or_by_a_glob_of_decode() {
        let by_name = testing::recipe("");
        let by_glob = testing::recipe("references = [\"*Amp*\"]");
        let by_choice = testing::recipe("[[stage.for]]\nstems = \"Old/*\"\nreferences = [\"*\"]\n");
        for (recipe, path, wanted) in [
            (&by_name, "Rough Mix.wav", true),
            (&by_name, "Bass Amp.wav", false),
            (&by_glob, "Rough Mix.wav", true),
            (&by_glob, "Bass Amp.wav", true),
            (&by_glob, "a/bass amp.wav", true),
            (&by_glob, "Bass DI.wav", false),
            (&by_choice, "Old/Bass.wav", true),
            (&by_choice, "Bass.wav", false),
        ] {
            assert_eq!(recipe.is_reference(path), wanted, "{path}");
        }
    }

    #[test]
    fn the_manifest_names_a_recipe_by_name_revision_and_digest_of_its_text() {
        let recipe = testing::recipe("");
        let record = recipe.record();
        assert_eq!((record.name.as_str(), record.revision), ("test", 1));
        assert_eq!(record.sha256, text_digest(&recipe.text));
        assert_ne!(record.sha256, testing::recipe(" ").sha256());
    }
}
