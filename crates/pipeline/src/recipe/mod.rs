//! Recipes: a versioned TOML file that lists the stages in order, with their settings.

mod order;
mod parse;
mod schema;
mod shipped;
mod units;

use std::fmt;

use globset::{GlobBuilder, GlobSet, GlobSetBuilder};
use loadin_record::manifest::RecipeRecord;

pub use schema::schema;
pub use shipped::{DEFAULT, Shipped, find_shipped, shipped};
pub use units::{Level, Peak, PeakKind, RATES_HZ, Rate, Ratio, Span};

use crate::stages::Settings;

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
    base: Settings,
    chosen: Vec<(GlobSet, Settings)>,
}

impl Recipe {
    /// Reads and checks a recipe.
    ///
    /// # Errors
    /// All mistakes that were found, each with line and column.
    pub fn parse(text: &str) -> Result<Self, RecipeErrors> {
        parse::parse(text)
    }

    /// The recipe as the manifest names it.
    pub fn record(&self) -> RecipeRecord {
        RecipeRecord { name: self.name.clone(), revision: self.revision, sha256: self.sha256() }
    }

    /// SHA-256 of the text, in hex.
    pub fn sha256(&self) -> String {
        loadin_record::digest::text_digest(&self.text)
    }

    /// The stage of that name.
    pub fn stage(&self, name: &str) -> Option<&RecipeStage> {
        self.stages.iter().find(|stage| stage.name() == name)
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

/// Globs on paths inside the delivery; letter case does not matter, and `*` crosses folders.
///
/// # Errors
/// When a glob cannot be read.
pub fn globs(patterns: &[String]) -> Result<GlobSet, String> {
    let mut set = GlobSetBuilder::new();
    for pattern in patterns {
        let glob = GlobBuilder::new(pattern).case_insensitive(true).literal_separator(false).build();
        set.add(glob.map_err(|error| format!("found the glob \"{pattern}\": {}", error.kind()))?);
    }
    set.build().map_err(|error| error.to_string())
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
pub struct RecipeErrors(Vec<RecipeError>);

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
