//! A recipe as a value: the stages in order, with their settings for every stem. It knows no text that it is read from
//! but the one that it keeps.

use std::fmt;

use loadin_record::digest::text_digest;
use loadin_record::manifest::RecipeRecord;
use loadin_session::is_reference;

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

    /// Whether the file at `path` is the rough mix or another reference, which is never part of a link: by its name, or by
    /// a glob of the decode stage. Whoever asks, asks here.
    pub fn is_reference(&self, path: &str) -> bool {
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

/// One mistake in a recipe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipeError {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What was found, what is allowed, what to do.
    pub text: String,
}

/// All mistakes of a recipe, in the order of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RecipeErrors(pub(super) Vec<RecipeError>);

impl RecipeErrors {
    /// The mistakes.
    pub fn iter(&self) -> impl Iterator<Item = &RecipeError> {
        self.0.iter()
    }
}

impl fmt::Display for RecipeErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, error) in self.0.iter().enumerate() {
            let end = if index + 1 < self.0.len() { "\n" } else { "" };
            write!(f, "{}:{}: {}{end}", error.line, error.column, error.text)?;
        }
        Ok(())
    }
}

impl std::error::Error for RecipeErrors {}

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

    #[test]
    fn mistakes_print_one_a_line_with_their_places() {
        let mistake = |line, column| RecipeError { line, column, text: "wrong".to_owned() };
        let errors = RecipeErrors(vec![mistake(1, 2), mistake(3, 4)]);
        assert_eq!(errors.to_string(), "1:2: wrong\n3:4: wrong");
        assert_eq!(errors.iter().count(), 2);
    }
}
