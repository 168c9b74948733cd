//! From text to a checked recipe. Every mistake is collected with its place, so that one look mends them all.

use std::ops::Range;

use toml::de::{DeTable, DeValue, Deserializer};
use toml::{Spanned, de};

use super::{FORMAT_VERSION, Recipe, RecipeError, RecipeErrors, RecipeStage, globs, order, schema};
use crate::stages::{self, Settings};

type Table<'t> = DeTable<'t>;
type Value<'t> = Spanned<DeValue<'t>>;

/// Reads and checks a recipe.
pub(super) fn parse(text: &str) -> Result<Recipe, RecipeErrors> {
    let mut notes = Notes { text, errors: Vec::new() };
    let recipe = match DeTable::parse(text) {
        Ok(table) => read(table.get_ref(), &mut notes),
        Err(error) => {
            notes.toml(&error, 0..0);
            None
        }
    };
    notes.errors.sort_by_key(|error| (error.line, error.column));
    match recipe {
        Some(recipe) if notes.errors.is_empty() => Ok(recipe),
        _ => Err(RecipeErrors(notes.errors)),
    }
}

/// The mistakes so far.
pub(super) struct Notes<'t> {
    text: &'t str,
    errors: Vec<RecipeError>,
}

impl Notes<'_> {
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

    fn toml(&mut self, error: &de::Error, fallback: Range<usize>) {
        let span = error.span().unwrap_or(fallback);
        self.add(span, explain(error.message()));
    }
}

/// The parser's word for a wrong choice, in the form "found …, allowed is …", with the nearest name.
fn explain(message: &str) -> String {
    let Some(rest) = message.strip_prefix("unknown variant ") else { return message.trim().to_owned() };
    let mut quoted = rest.split('`').skip(1).step_by(2);
    let found = quoted.next().unwrap_or_default().to_owned();
    let allowed: Vec<&str> = quoted.collect();
    format!("found \"{found}\", allowed is {}{}", list(&allowed), nearest(&found, &allowed))
}

fn list(names: &[&str]) -> String {
    names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ")
}

/// "; did you mean …?" where a name is near enough.
fn nearest(found: &str, names: &[&str]) -> String {
    let best = names.iter().map(|name| (strsim::normalized_damerau_levenshtein(found, name), name));
    match best.max_by(|a, b| a.0.total_cmp(&b.0)) {
        Some((likeness, name)) if likeness > 0.3 => format!("; did you mean \"{name}\"?"),
        _ => String::new(),
    }
}

const TOP_KEYS: &[&str] = &["recipe", "name", "revision", "stage"];

fn read(table: &Table<'_>, notes: &mut Notes<'_>) -> Option<Recipe> {
    for key in table.keys() {
        let name = key.get_ref().as_ref();
        if !TOP_KEYS.contains(&name) {
            let text = format!("found \"{name}\", allowed is {}{}", list(TOP_KEYS), nearest(name, TOP_KEYS));
            notes.add(key.span(), text);
        }
    }
    version(table, notes);
    let name = text_of(table, "name", "a name such as name = \"mix-prep\"", notes);
    let revision = revision(table, notes);
    let stages = stages_of(table, notes);
    // A stage that could not be read would be missed in its place, and the order called wrong for it.
    if notes.errors.is_empty() {
        order::check(&stages, notes);
    }
    Some(Recipe {
        name: name?,
        revision: revision?,
        stages: stages.into_iter().map(|placed| placed.stage).collect(),
        text: notes.text.to_owned(),
    })
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn version(table: &Table<'_>, notes: &mut Notes<'_>) {
    match table.get("recipe") {
        None => notes.add(0..0, format!("found no format version, needed is recipe = {FORMAT_VERSION}")),
        Some(value) if integer(value.get_ref()) == Some(FORMAT_VERSION) => {}
        Some(value) => {
            let found = describe(value.get_ref());
            notes.add(
                value.span(),
                format!("found format version {found}, this program reads {FORMAT_VERSION}"),
            );
        }
    }
}

fn revision(table: &Table<'_>, notes: &mut Notes<'_>) -> Option<u32> {
    let Some(value) = table.get("revision") else {
        notes.add(0..0, "found no revision, needed is a whole number such as revision = 1");
        return None;
    };
    let number =
        integer(value.get_ref()).and_then(|number| u32::try_from(number).ok()).filter(|number| *number > 0);
    if number.is_none() {
        notes.add(
            value.span(),
            format!("found {}, allowed is a whole number from 1 on", describe(value.get_ref())),
        );
    }
    number
}

fn text_of(table: &Table<'_>, key: &str, needed: &str, notes: &mut Notes<'_>) -> Option<String> {
    let Some(value) = table.get(key) else {
        notes.add(0..0, format!("found no {key}, needed is {needed}"));
        return None;
    };
    let text = value.get_ref().as_str().filter(|text| !text.trim().is_empty());
    if text.is_none() {
        notes.add(value.span(), format!("found {}, needed is {needed}", describe(value.get_ref())));
    }
    text.map(str::to_owned)
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("\"{text}\""),
        DeValue::Integer(number) => number.as_str().to_owned(),
        DeValue::Float(number) => number.as_str().to_owned(),
        DeValue::Boolean(value) => value.to_string(),
        other => format!("a value of type {}", other.type_str()),
    }
}

/// A stage and where it stands.
pub(super) struct Placed {
    pub(super) stage: RecipeStage,
    pub(super) span: Range<usize>,
}

fn stages_of(table: &Table<'_>, notes: &mut Notes<'_>) -> Vec<Placed> {
    let Some(value) = table.get("stage") else {
        notes.add(0..0, "found no stage, needed is at least [[stage]] with stage = \"decode\"");
        return Vec::new();
    };
    let Some(list) = value.get_ref().as_array() else {
        notes.add(value.span(), "found a value, needed are [[stage]] tables");
        return Vec::new();
    };
    list.iter().filter_map(|entry| stage_of(entry, notes)).collect()
}

fn stage_of(entry: &Value<'_>, notes: &mut Notes<'_>) -> Option<Placed> {
    let Some(table) = entry.get_ref().as_table() else {
        notes.add(entry.span(), "found a value, needed is a [[stage]] table");
        return None;
    };
    let Some(named) = table.get("stage") else {
        notes.add(
            entry.span(),
            format!("found a stage without a name, needed is stage = one of {}", list(stages::NAMES)),
        );
        return None;
    };
    let name = named.get_ref().as_str().unwrap_or_default();
    if !stages::NAMES.contains(&name) {
        let found = describe(named.get_ref());
        let text = format!(
            "found stage {found}, allowed is {}{}",
            list(stages::NAMES),
            nearest(name, stages::NAMES)
        );
        notes.add(named.span(), text);
        return None;
    }
    let base = settings(name, table, &["stage", "for"], entry.span(), notes);
    let chosen = chosen(name, table, notes);
    Some(Placed { stage: RecipeStage { base: base?, chosen }, span: named.span() })
}

/// Reads the settings of a table; its `own` keys are not settings.
fn settings(
    name: &str,
    table: &Table<'_>,
    own: &[&str],
    span: Range<usize>,
    notes: &mut Notes<'_>,
) -> Option<Settings> {
    let allowed = schema::keys(name);
    let allowed: Vec<&str> = allowed.iter().map(String::as_str).collect();
    let before = notes.errors.len();
    for (key, value) in table.iter().filter(|(key, _)| !own.contains(&key.get_ref().as_ref())) {
        let found = key.get_ref().as_ref();
        if !allowed.contains(&found) {
            let choice = if allowed.is_empty() { "no setting".to_owned() } else { list(&allowed) };
            notes.add(
                key.span(),
                format!("found \"{found}\", allowed in {name} is {choice}{}", nearest(found, &allowed)),
            );
            continue;
        }
        // One setting at a time, so that every wrong one is named.
        let mut one = Table::new();
        one.insert(key.clone(), value.clone());
        if let Some(Err(error)) = Settings::read(name, Deserializer::from(Spanned::new(span.clone(), one))) {
            let near = error.span().filter(|at| at.start >= value.span().start && at.end <= value.span().end);
            notes.add(near.unwrap_or(value.span()), format!("{found}: {}", explain(error.message())));
        }
        check_globs(found, value, notes);
    }
    if notes.errors.len() > before {
        return None;
    }
    let rest: Table<'_> = table
        .iter()
        .filter(|(key, _)| !own.contains(&key.get_ref().as_ref()))
        .map(|(key, value)| (key.clone(), value.clone()))
        .collect();
    Settings::read(name, Deserializer::from(Spanned::new(span, rest)))?.ok()
}

/// Settings that hold globs are checked as globs.
fn check_globs(key: &str, value: &Value<'_>, notes: &mut Notes<'_>) {
    if !matches!(key, "leave-out" | "references") {
        return;
    }
    for entry in value.get_ref().as_array().into_iter().flat_map(|list| list.iter()) {
        if let Some(Err(error)) = entry.get_ref().as_str().map(|glob| globs(&[glob.to_owned()])) {
            notes.add(entry.span(), error);
        }
    }
}

/// Settings that must be one for the whole delivery.
const NOT_BY_STEM: &[&str] = &["align-starts", "label"];

/// The `[[stage.for]]` tables, each laid over the stage's own settings.
fn chosen(name: &str, table: &Table<'_>, notes: &mut Notes<'_>) -> Vec<(globset::GlobSet, Settings)> {
    let Some(value) = table.get("for") else { return Vec::new() };
    let Some(list) = value.get_ref().as_array() else {
        notes.add(value.span(), "found a value, needed are [[stage.for]] tables");
        return Vec::new();
    };
    if NOT_BY_STEM.contains(&name) {
        notes.add(value.span(), format!("{name} cannot differ by stem: all stems of a delivery share it"));
        return Vec::new();
    }
    list.iter().filter_map(|entry| one_chosen(name, table, entry, notes)).collect()
}

fn one_chosen(
    name: &str,
    base: &Table<'_>,
    entry: &Value<'_>,
    notes: &mut Notes<'_>,
) -> Option<(globset::GlobSet, Settings)> {
    let table = entry.get_ref().as_table()?;
    let Some(stems) = table.get("stems") else {
        notes
            .add(entry.span(), "found a for table without stems, needed is stems = a glob such as \"*ref*\"");
        return None;
    };
    let patterns: Option<Vec<String>> = match stems.get_ref() {
        DeValue::String(glob) => Some(vec![glob.to_string()]),
        DeValue::Array(list) => list.iter().map(|glob| glob.get_ref().as_str().map(str::to_owned)).collect(),
        _ => None,
    };
    let Some(patterns) = patterns.filter(|patterns| !patterns.is_empty()) else {
        notes.add(stems.span(), "stems: needed is a glob such as \"*ref*\", or a list of them");
        return None;
    };
    let set = match globs(&patterns) {
        Ok(set) => set,
        Err(error) => {
            notes.add(stems.span(), error);
            return None;
        }
    };
    // Mistakes of the table itself are named where they stand; those of the base have been named already.
    settings(name, table, &["stems"], entry.span(), notes)?;
    let mut laid: Table<'_> = base.iter().map(|(key, value)| (key.clone(), value.clone())).collect();
    for (key, value) in table.iter().filter(|(key, _)| key.get_ref().as_ref() != "stems") {
        laid.insert(key.clone(), value.clone());
    }
    laid.remove("for");
    laid.remove("stage");
    let merged = Settings::read(name, Deserializer::from(Spanned::new(entry.span(), laid)))?.ok()?;
    Some((set, merged))
}
