//! Facts of the music as the manifest has them: stated, measured or estimated, each with its source.
//!
//! It does not know where a fact comes from: statements are read in `pipeline`, estimates are made in `analysis`.

use std::collections::BTreeMap;

use loadin_session::facts::Meter;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// A fact of the music.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fact {
    /// What is known; null where the statements contradict each other.
    pub value: Value,
    /// Where it comes from.
    pub source: String,
    /// How sure it is.
    pub confidence: Confidence,
    /// Every statement, where there are several.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub statements: Vec<Statement>,
}

/// How sure a fact is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Confidence {
    /// The client says so.
    Stated,
    /// The client says several things.
    Contradicted,
    /// Names suggest it.
    Likely,
    /// It was measured and is certain.
    Measured,
    /// It was estimated from the sound, and is sure enough to work with.
    Estimated,
    /// It was estimated from the sound, and may be wrong: the source says why.
    Unsure,
}

impl Confidence {
    /// The word in papers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Stated => "stated",
            Self::Contradicted => "contradicted",
            Self::Likely => "likely",
            Self::Measured => "measured",
            Self::Estimated => "estimated",
            Self::Unsure => "unsure",
        }
    }
}

/// One statement of several.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Statement {
    /// What is stated.
    pub value: Value,
    /// Where.
    pub source: String,
}

/// A text note of the client, as it was read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct NoteText {
    /// Path inside the delivery.
    pub path: String,
    /// Its text, or the beginning of it.
    pub text: String,
    /// Whether there is more of it in the file.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub is_cut: bool,
}

/// Characters of a note that are quoted: a page of a letter is shorter (common practice, no source).
const MOST_NOTE_CHARS: usize = 6000;

/// Notes that are quoted.
const MOST_NOTES: usize = 12;

/// The text notes of a delivery, given as path and text, for the record: the first ones, and so much of each as fits a page.
pub fn note_texts(texts: &[(String, String)]) -> Vec<NoteText> {
    let quoted = texts.iter().filter(|(_, text)| !text.trim().is_empty()).take(MOST_NOTES);
    let note = |(path, text): &(String, String)| {
        let text = text.trim();
        let end = text.char_indices().nth(MOST_NOTE_CHARS).map_or(text.len(), |(at, _)| at);
        NoteText { path: path.clone(), text: text[..end].to_owned(), is_cut: end < text.len() }
    };
    quoted.map(note).collect()
}

/// The facts of a delivery, by name.
pub type Facts = BTreeMap<String, Fact>;

/// The length of a bar in seconds as the facts have it, by the slowest tempo and the longest meter; four quarters
/// where no meter is stated. Used for what to keep, never for where to cut exactly.
pub fn bar_seconds(facts: &Facts) -> Option<f64> {
    let numbers = |value: &Value| match value {
        Value::Array(list) => list.iter().filter_map(Value::as_f64).collect(),
        value => Vec::from_iter(value.as_f64()),
    };
    let slowest = numbers(&facts.get("tempo_bpm")?.value).into_iter().reduce(f64::min)?;
    let meters = facts.get("meter").map_or(Vec::new(), |fact| meters_of(&fact.value));
    let quarters = meters.into_iter().map(Meter::quarters).reduce(f64::max).unwrap_or(4.0);
    (slowest > 0.0).then(|| quarters * 60.0 / slowest)
}

/// The meters of a fact's value: one, or a list.
pub fn meters_of(value: &Value) -> Vec<Meter> {
    let one = |value: &Value| value.as_str().and_then(|text| text.parse().ok());
    match value {
        Value::Array(list) => list.iter().filter_map(one).collect(),
        value => Vec::from_iter(one(value)),
    }
}

/// The name of a fact as people read it: "tempo estimate" for `tempo_bpm_estimate`.
pub fn heading(name: &str) -> String {
    name.replace("_bpm", "").replace("_seconds", "").replace("_cents", "").replace('_', " ")
}

/// The unit of a fact's value, with a space before it; empty where it has none.
///
/// It is read from the name, as a person reads it: the facts of a manifest are an open list, those of other versions
/// included, and their names say the unit (`tempo_bpm`) so that a script needs no second field. A type for every name
/// would know less than that rule does.
pub fn unit_of(name: &str) -> &'static str {
    match () {
        () if name.contains("_bpm") => " BPM",
        () if name.contains("_seconds") => " s",
        () if name.contains("_cents") => " cents",
        () => "",
    }
}

/// A value as people read it.
pub fn words(name: &str, value: &Value) -> String {
    let unit = unit_of(name);
    let one = |value: &Value| match value {
        Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    let text = match value {
        Value::Array(list) => list.iter().map(one).collect::<Vec<_>>().join("-"),
        other => one(other),
    };
    format!("{text}{unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_quoted_and_a_book_is_cut() {
        let texts = [
            ("a.txt".to_owned(), "\n Grüße \n".to_owned()),
            ("empty.txt".to_owned(), "  \n".to_owned()),
            ("book.txt".to_owned(), "ä".repeat(MOST_NOTE_CHARS + 1)),
        ];
        let notes = note_texts(&texts);
        assert_eq!((notes.len(), notes[0].text.as_str(), notes[0].is_cut), (2, "Grüße", false));
        assert_eq!((notes[1].text.chars().count(), notes[1].is_cut), (MOST_NOTE_CHARS, true));
    }
}
