//! The mistakes of a recipe while it is read, each with its place in the text.

use std::ops::Range;

use toml::de;

use super::recipe::{RecipeError, RecipeErrors, RecipeStage};

/// A stage and where it stands.
pub(super) struct Placed {
    pub(super) stage: RecipeStage,
    pub(super) span: Range<usize>,
}

/// The mistakes so far.
pub(super) struct Mistakes<'t> {
    text: &'t str,
    errors: Vec<RecipeError>,
}

impl<'t> Mistakes<'t> {
    /// None yet.
    pub(super) fn new(text: &'t str) -> Self {
        Self { text, errors: Vec::new() }
    }

    /// The text that is read.
    pub(super) fn text(&self) -> &'t str {
        self.text
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.errors.len()
    }

    /// Whether there are none.
    pub(super) fn is_empty(&self) -> bool {
        self.errors.is_empty()
    }

    /// All of them, in the order of the text.
    pub(super) fn into_errors(mut self) -> RecipeErrors {
        self.errors.sort_by_key(|error| (error.line, error.column));
        RecipeErrors(self.errors)
    }

    /// Notes a mistake at a place of the text.
    pub(super) fn add(&mut self, span: Range<usize>, text: impl Into<String>) {
        let before = self.text.get(..span.start.min(self.text.len())).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        self.errors.push(RecipeError {
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            text: text.into(),
        });
    }

    /// Notes what the parser says, at its place or at `fallback`.
    pub(super) fn toml(&mut self, error: &de::Error, fallback: Range<usize>) {
        let span = error.span().unwrap_or(fallback);
        self.add(span, explain(error.message()));
    }
}

/// The parser's word for a wrong choice, in the form "found …, allowed is …", with the nearest name.
pub(super) fn explain(message: &str) -> String {
    let Some(rest) = message.strip_prefix("unknown variant ") else { return message.trim().to_owned() };
    let mut quoted = rest.split('`').skip(1).step_by(2);
    let found = quoted.next().unwrap_or_default().to_owned();
    let allowed: Vec<&str> = quoted.collect();
    format!("found \"{found}\", allowed is {}{}", list(&allowed), nearest(&found, &allowed))
}

pub(super) fn list(names: &[&str]) -> String {
    names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ")
}

/// "; did you mean …?" where a name is near enough.
pub(super) fn nearest(found: &str, names: &[&str]) -> String {
    let best = names.iter().map(|name| (strsim::normalized_damerau_levenshtein(found, name), name));
    match best.max_by(|a, b| a.0.total_cmp(&b.0)) {
        Some((likeness, name)) if likeness > 0.3 => format!("; did you mean \"{name}\"?"),
        _ => String::new(),
    }
}
