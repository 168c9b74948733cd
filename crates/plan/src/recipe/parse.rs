//! From text to a checked recipe. Every mistake is collected with its place, so that one look mends them all.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue, Deserializer};

use super::order;
use super::recipe::{FORMAT_VERSION, Placed, Recipe, RecipeStage};
use super::schema;
use crate::mistakes::{Gathered, Mistakes, describe, explain, integer, list, nearest, wrong_type};
use crate::stages::{self, Settings};
use crate::values::{GlobError, Globs};

type Table<'t> = DeTable<'t>;
type Value<'t> = Spanned<DeValue<'t>>;

impl Recipe {
    /// Reads and checks a recipe.
    ///
    /// # Errors
    /// All mistakes that were found, each with line and column.
    pub fn parse(text: &str) -> Result<Self, Mistakes> {
        parse(text)
    }
}

fn parse(text: &str) -> Result<Recipe, Mistakes> {
    let mut mistakes = Gathered::new(text);
    let recipe = match DeTable::parse(text) {
        Ok(table) => read(table.get_ref(), &mut mistakes),
        Err(error) => {
            mistakes.toml(&error, 0..0);
            None
        }
    };
    match recipe {
        Some(recipe) if mistakes.is_empty() => Ok(recipe),
        _ => Err(mistakes.into_errors()),
    }
}

const TOP_KEYS: &[&str] = &["recipe", "name", "revision", "stage"];

fn read(table: &Table<'_>, mistakes: &mut Gathered<'_>) -> Option<Recipe> {
    for key in table.keys() {
        let name = key.get_ref().as_ref();
        if !TOP_KEYS.contains(&name) {
            let text = format!("found \"{name}\", allowed is {}{}", list(TOP_KEYS), nearest(name, TOP_KEYS));
            mistakes.add(key.span(), text);
        }
    }
    version(table, mistakes);
    let name = text_of(table, "name", "a name such as name = \"mix-prep\"", mistakes);
    let revision = revision(table, mistakes);
    let stages = stages_of(table, mistakes);
    // A stage that could not be read would be missed in its place, and the order called wrong for it.
    if mistakes.is_empty() {
        order::check(&stages, mistakes);
    }
    Some(Recipe {
        name: name?,
        revision: revision?,
        stages: stages.into_iter().map(|placed| placed.stage).collect(),
        text: mistakes.text().to_owned(),
        answers: None,
    })
}

fn version(table: &Table<'_>, mistakes: &mut Gathered<'_>) {
    match table.get("recipe") {
        None => mistakes.add(0..0, format!("found no format version, needed is recipe = {FORMAT_VERSION}")),
        Some(value) if integer(value.get_ref()) == Some(FORMAT_VERSION) => {}
        Some(value) => {
            let found = describe(value.get_ref());
            mistakes.add(
                value.span(),
                format!("found format version {found}, this program reads {FORMAT_VERSION}"),
            );
        }
    }
}

fn revision(table: &Table<'_>, mistakes: &mut Gathered<'_>) -> Option<u32> {
    let Some(value) = table.get("revision") else {
        mistakes.add(0..0, "found no revision, needed is a whole number such as revision = 1");
        return None;
    };
    let number =
        integer(value.get_ref()).and_then(|number| u32::try_from(number).ok()).filter(|number| *number > 0);
    if number.is_none() {
        mistakes.add(
            value.span(),
            format!("found {}, allowed is a whole number from 1 on", describe(value.get_ref())),
        );
    }
    number
}

fn text_of(table: &Table<'_>, key: &str, needed: &str, mistakes: &mut Gathered<'_>) -> Option<String> {
    let Some(value) = table.get(key) else {
        mistakes.add(0..0, format!("found no {key}, needed is {needed}"));
        return None;
    };
    let text = value.get_ref().as_str().filter(|text| !text.trim().is_empty());
    if text.is_none() {
        mistakes.add(value.span(), format!("found {}, needed is {needed}", describe(value.get_ref())));
    }
    text.map(str::to_owned)
}

fn stages_of(table: &Table<'_>, mistakes: &mut Gathered<'_>) -> Vec<Placed> {
    let Some(value) = table.get("stage") else {
        mistakes.add(0..0, "found no stage, needed is at least [[stage]] with stage = \"decode\"");
        return Vec::new();
    };
    let Some(list) = value.get_ref().as_array() else {
        mistakes.add(value.span(), "found a value, needed are [[stage]] tables");
        return Vec::new();
    };
    list.iter().filter_map(|entry| stage_of(entry, mistakes)).collect()
}

fn stage_of(entry: &Value<'_>, mistakes: &mut Gathered<'_>) -> Option<Placed> {
    let Some(table) = entry.get_ref().as_table() else {
        mistakes.add(entry.span(), "found a value, needed is a [[stage]] table");
        return None;
    };
    let Some(named) = table.get("stage") else {
        mistakes.add(
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
        mistakes.add(named.span(), text);
        return None;
    }
    let base = settings(name, table, &["stage", "for"], entry.span(), mistakes);
    let chosen = chosen(name, table, mistakes);
    Some(Placed { stage: RecipeStage { base: base?, chosen }, span: named.span() })
}

/// Reads the settings of a table; its `own` keys are not settings.
fn settings(
    name: &str,
    table: &Table<'_>,
    own: &[&str],
    span: Range<usize>,
    mistakes: &mut Gathered<'_>,
) -> Option<Settings> {
    let allowed = schema::keys(name);
    let allowed: Vec<&str> = allowed.iter().map(String::as_str).collect();
    let before = mistakes.count();
    for (key, value) in table.iter().filter(|(key, _)| !own.contains(&key.get_ref().as_ref())) {
        let found = key.get_ref().as_ref();
        if !allowed.contains(&found) {
            let choice = if allowed.is_empty() { "no setting".to_owned() } else { list(&allowed) };
            mistakes.add(
                key.span(),
                format!("found \"{found}\", allowed in {name} is {choice}{}", nearest(found, &allowed)),
            );
            continue;
        }
        if !check_globs(found, value, mistakes) {
            continue;
        }
        // One setting at a time, so that every wrong one is named.
        let mut one = Table::new();
        one.insert(key.clone(), value.clone());
        if let Some(Err(error)) = Settings::read(name, Deserializer::from(Spanned::new(span.clone(), one))) {
            let near = error.span().filter(|at| at.start >= value.span().start && at.end <= value.span().end);
            let text = match wrong_type(error.message()) {
                Some(needed) => format!(
                    "found {}, allowed is {needed}{}",
                    describe(value.get_ref()),
                    schema::example(name, found, integer(value.get_ref()).is_some())
                        .map_or(String::new(), |example| format!(", such as {found} = {example}"))
                ),
                None => explain(error.message()),
            };
            mistakes.add(near.unwrap_or(value.span()), format!("{found}: {text}"));
        }
    }
    if mistakes.count() > before {
        return None;
    }
    let rest: Table<'_> = table
        .iter()
        .filter(|(key, _)| !own.contains(&key.get_ref().as_ref()))
        .map(|(key, value)| (key.clone(), value.clone()))
        .collect();
    Settings::read(name, Deserializer::from(Spanned::new(span, rest)))?.ok()
}

/// Settings that hold globs are checked glob by glob, so that each wrong one is named at its place.
fn check_globs(key: &str, value: &Value<'_>, mistakes: &mut Gathered<'_>) -> bool {
    if !matches!(key, "leave-out" | "references") {
        return true;
    }
    let entries = value.get_ref().as_array().into_iter().flat_map(|list| list.iter());
    let wrong: Vec<(Range<usize>, GlobError)> = entries
        .filter_map(|entry| {
            let error = Globs::new(vec![entry.get_ref().as_str()?.to_owned()]).err()?;
            Some((entry.span(), error))
        })
        .collect();
    let right = wrong.is_empty();
    for (span, error) in wrong {
        mistakes.add(span, error.to_string());
    }
    right
}

/// The `[[stage.for]]` tables, each laid over the stage's own settings.
fn chosen(name: &str, table: &Table<'_>, mistakes: &mut Gathered<'_>) -> Vec<(Globs, Settings)> {
    let Some(value) = table.get("for") else { return Vec::new() };
    let Some(list) = value.get_ref().as_array() else {
        mistakes.add(value.span(), "found a value, needed are [[stage.for]] tables");
        return Vec::new();
    };
    if schema::NOT_BY_STEM.contains(&name) {
        mistakes.add(value.span(), format!("{name} cannot differ by stem: all stems of a delivery share it"));
        return Vec::new();
    }
    list.iter().filter_map(|entry| one_chosen(name, table, entry, mistakes)).collect()
}

fn one_chosen(
    name: &str,
    base: &Table<'_>,
    entry: &Value<'_>,
    mistakes: &mut Gathered<'_>,
) -> Option<(Globs, Settings)> {
    let table = entry.get_ref().as_table()?;
    let Some(stems) = table.get("stems") else {
        mistakes
            .add(entry.span(), "found a for table without stems, needed is stems = a glob such as \"*ref*\"");
        return None;
    };
    let patterns: Option<Vec<String>> = match stems.get_ref() {
        DeValue::String(glob) => Some(vec![glob.to_string()]),
        DeValue::Array(list) => list.iter().map(|glob| glob.get_ref().as_str().map(str::to_owned)).collect(),
        _ => None,
    };
    let Some(patterns) = patterns.filter(|patterns| !patterns.is_empty()) else {
        mistakes.add(stems.span(), "stems: needed is a glob such as \"*ref*\", or a list of them");
        return None;
    };
    let set = match Globs::new(patterns) {
        Ok(set) => set,
        Err(error) => {
            mistakes.add(stems.span(), error.to_string());
            return None;
        }
    };
    // Mistakes of the table itself are named where they stand; those of the base have been named already.
    settings(name, table, &["stems"], entry.span(), mistakes)?;
    let mut laid: Table<'_> = base.iter().map(|(key, value)| (key.clone(), value.clone())).collect();
    for (key, value) in table.iter().filter(|(key, _)| key.get_ref().as_ref() != "stems") {
        laid.insert(key.clone(), value.clone());
    }
    laid.remove("for");
    laid.remove("stage");
    let merged = Settings::read(name, Deserializer::from(Spanned::new(entry.span(), laid)))?.ok()?;
    Some((set, merged))
}
