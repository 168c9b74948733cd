//! Reads values out of TOML tables; whatever is wrong is noted with what was found and what is allowed.

use std::ops::Range;

use loadin_session::said::Place;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::mistakes::{Gathered, describe, integer, list, nearest};

/// A value with its place in the text.
pub(super) type Value<'t> = Spanned<DeValue<'t>>;

/// A table of the text, and what messages call it.
#[derive(Clone, Copy)]
pub(super) struct Table<'a, 't> {
    pub(super) table: &'a DeTable<'t>,
    pub(super) called: &'a str,
}

impl<'a, 't> Table<'a, 't> {
    /// A table that may have these keys alone.
    pub(super) fn new(
        table: &'a DeTable<'t>,
        called: &'a str,
        keys: &[&str],
        mistakes: &mut Gathered<'_>,
    ) -> Self {
        for key in table.keys() {
            let found = key.get_ref().as_ref();
            if !keys.contains(&found) {
                let text = format!(
                    "found \"{found}\", allowed in {called} is {}{}",
                    list(keys),
                    nearest(found, keys)
                );
                mistakes.add(key.span(), text);
            }
        }
        Self { table, called }
    }

    /// The value of a key.
    pub(super) fn get(self, key: &str) -> Option<&'a Value<'t>> {
        self.table.get(key)
    }

    /// What `read` makes of the value of a key; a value that it cannot read is noted.
    pub(super) fn read<T>(
        self,
        key: &str,
        allowed: &str,
        mistakes: &mut Gathered<'_>,
        read: impl Fn(&DeValue<'t>) -> Option<T>,
    ) -> Option<T> {
        let value = self.get(key)?;
        let read = read(value.get_ref());
        if read.is_none() {
            refuse(key, value, allowed, mistakes);
        }
        read
    }

    /// A text that is not empty.
    pub(super) fn text(self, key: &str, allowed: &str, mistakes: &mut Gathered<'_>) -> Option<String> {
        self.read(key, allowed, mistakes, text_of)
    }

    /// A text that must be there.
    pub(super) fn needed(
        self,
        key: &str,
        span: Range<usize>,
        allowed: &str,
        mistakes: &mut Gathered<'_>,
    ) -> Option<String> {
        if self.get(key).is_none() {
            mistakes.add(span, format!("found {} without {key}, needed is {allowed}", self.called));
        }
        self.text(key, allowed, mistakes)
    }

    /// One of several words.
    pub(super) fn choice<T: Copy>(
        self,
        key: &str,
        all: &[T],
        word: impl Fn(T) -> &'static str,
        mistakes: &mut Gathered<'_>,
    ) -> Option<T> {
        let value = self.get(key)?;
        let chosen = chosen(value, all, &word);
        if chosen.is_none() {
            refuse_word(key, value, all, &word, mistakes);
        }
        chosen
    }

    /// A list of such words; one word is a list too.
    pub(super) fn choices<T: Copy>(
        self,
        key: &str,
        all: &[T],
        word: impl Fn(T) -> &'static str,
        mistakes: &mut Gathered<'_>,
    ) -> Option<Vec<T>> {
        let value = self.get(key)?;
        let several: Vec<&Value<'t>> = match value.get_ref() {
            DeValue::Array(list) => list.iter().collect(),
            _ => vec![value],
        };
        let mut found = Vec::new();
        for value in several {
            match chosen(value, all, &word) {
                Some(one) => found.push(one),
                None => refuse_word(key, value, all, &word, mistakes),
            }
        }
        Some(found)
    }

    /// True or false.
    pub(super) fn boolean(self, key: &str, mistakes: &mut Gathered<'_>) -> Option<bool> {
        self.read(key, "true or false", mistakes, DeValue::as_bool)
    }

    /// A place, as `place` reads it.
    pub(super) fn place(
        self,
        key: &str,
        allowed: &str,
        frames: bool,
        mistakes: &mut Gathered<'_>,
    ) -> Option<Place> {
        let fits = |place: &Place| frames || !matches!(place, Place::Frames(_));
        self.read(key, allowed, mistakes, |value| Place::read(value.as_str()?).filter(fits))
    }
}

/// Notes that a value is not what is allowed.
pub(super) fn refuse(key: &str, value: &Value<'_>, allowed: &str, mistakes: &mut Gathered<'_>) {
    let found = describe(value.get_ref());
    mistakes.add(value.span(), format!("{key}: found {found}, allowed is {allowed}"));
}

fn chosen<T: Copy>(value: &Value<'_>, all: &[T], word: impl Fn(T) -> &'static str) -> Option<T> {
    let found = value.get_ref().as_str()?;
    all.iter().copied().find(|one| word(*one).eq_ignore_ascii_case(found))
}

fn refuse_word<T: Copy>(
    key: &str,
    value: &Value<'_>,
    all: &[T],
    word: impl Fn(T) -> &'static str,
    mistakes: &mut Gathered<'_>,
) {
    let words: Vec<&str> = all.iter().map(|one| word(*one)).collect();
    let near = value.get_ref().as_str().map_or_else(String::new, |found| nearest(found, &words));
    let found = describe(value.get_ref());
    mistakes.add(value.span(), format!("{key}: found {found}, allowed is {}{near}", list(&words)));
}

/// A text that is not empty.
pub(super) fn text_of(value: &DeValue<'_>) -> Option<String> {
    value.as_str().filter(|text| !text.trim().is_empty()).map(str::to_owned)
}

/// A whole or a decimal number.
pub(super) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    if let Some(whole) = integer(value) {
        return i32::try_from(whole).ok().map(f64::from);
    }
    value.as_float()?.as_str().replace('_', "").parse().ok()
}

/// More tables of a kind than anybody answers: each may have a glob, and to compile one takes time and memory.
const MOST_TABLES: usize = 3_000;

/// The tables of a list such as `[[stem]]`, each with its place.
pub(super) fn tables<'a, 't>(
    table: &'a DeTable<'t>,
    key: &str,
    mistakes: &mut Gathered<'_>,
) -> Vec<(&'a DeTable<'t>, Range<usize>)> {
    let Some(value) = table.get(key) else { return Vec::new() };
    let needed = format!("found a value, needed are [[{key}]] tables");
    let Some(list) = value.get_ref().as_array() else {
        mistakes.add(value.span(), needed);
        return Vec::new();
    };
    if list.len() > MOST_TABLES {
        let text = format!("found {} [[{key}]] tables, allowed are {MOST_TABLES}", list.len());
        mistakes.add(value.span(), text);
        return Vec::new();
    }
    let mut found = Vec::new();
    for entry in list {
        match entry.get_ref().as_table() {
            Some(table) => found.push((table, entry.span())),
            None => mistakes.add(entry.span(), needed.clone()),
        }
    }
    found
}
