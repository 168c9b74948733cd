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
