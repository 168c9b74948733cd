//! The mistakes of a text that a person writes, a recipe or answers: each with its place, what was found and what is allowed.
//! It knows neither of the two.

use std::fmt;
use std::ops::Range;

use toml::de::{self, DeValue};

/// One mistake in a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What was found, what is allowed, what to do.
    pub text: String,
}

/// All mistakes of a text, in its order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistakes(pub(crate) Vec<Mistake>);

impl Mistakes {
    /// The mistakes.
    pub fn iter(&self) -> impl Iterator<Item = &Mistake> {
        self.0.iter()
    }

    /// One a line, in the form that editors can jump to; `file` is the text as people call it.
    pub fn in_file(&self, file: &str) -> String {
        let line =
            |mistake: &Mistake| format!("{file}:{}:{}: {}", mistake.line, mistake.column, mistake.text);
        self.iter().map(line).collect::<Vec<_>>().join("\n")
    }
}

impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, error) in self.0.iter().enumerate() {
            let end = if index + 1 < self.0.len() { "\n" } else { "" };
            write!(f, "{}:{}: {}{end}", error.line, error.column, error.text)?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistakes {}

/// The mistakes so far, while a text is read.
pub(crate) struct Gathered<'t> {
    text: &'t str,
    errors: Vec<Mistake>,
}

impl<'t> Gathered<'t> {
    /// None yet.
    pub(crate) fn new(text: &'t str) -> Self {
        Self { text, errors: Vec::new() }
    }

    /// The text that is read.
    pub(crate) fn text(&self) -> &'t str {
        self.text
    }

    /// How many there are.
    pub(crate) fn count(&self) -> usize {
        self.errors.len()
    }

    /// Whether there are none.
    pub(crate) fn is_empty(&self) -> bool {
        self.errors.is_empty()
    }

    /// All of them, in the order of the text.
    pub(crate) fn into_errors(mut self) -> Mistakes {
        self.errors.sort_by_key(|error| (error.line, error.column));
        Mistakes(self.errors)
    }

    /// Line and column of a place of the text, from 1.
    pub(crate) fn place(&self, span: &Range<usize>) -> (usize, usize) {
        let before = self.text.get(..span.start.min(self.text.len())).unwrap_or(self.text);
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
    }

    /// Notes a mistake at a place of the text.
    pub(crate) fn add(&mut self, span: Range<usize>, text: impl Into<String>) {
        let (line, column) = self.place(&span);
        self.errors.push(Mistake { line, column, text: text.into() });
    }

    /// Notes what the parser says, at its place or at `fallback`.
    pub(crate) fn toml(&mut self, error: &de::Error, fallback: Range<usize>) {
        let span = error.span().unwrap_or(fallback);
        self.add(span, explain(error.message()));
    }
}

/// A value as a message names it.
pub(crate) fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("\"{text}\""),
        DeValue::Integer(number) => number.as_str().to_owned(),
        DeValue::Float(number) => number.as_str().to_owned(),
        DeValue::Boolean(value) => value.to_string(),
        other => format!("a value of type {}", other.type_str()),
    }
}

/// A whole number.
pub(crate) fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

/// The parser's word for a wrong choice, in the form "found …, allowed is …", with the nearest name.
pub(crate) fn explain(message: &str) -> String {
    let Some(rest) = message.strip_prefix("unknown variant ") else { return message.trim().to_owned() };
    let mut quoted = rest.split('`').skip(1).step_by(2);
    let found = quoted.next().unwrap_or_default().to_owned();
    let allowed: Vec<&str> = quoted.collect();
    format!("found \"{found}\", allowed is {}{}", list(&allowed), nearest(&found, &allowed))
}

/// What is needed, where the parser says that a value has a wrong type; its own words are those of a programming language.
pub(crate) fn wrong_type(message: &str) -> Option<&'static str> {
    let (_, expected) = message.strip_prefix("invalid type: ")?.rsplit_once(", expected ")?;
    Some(match expected.trim() {
        "a boolean" => "true or false, without quotes",
        "a string" | "string or map" => "a text in quotes",
        "a sequence" => "a list",
        "f32" | "f64" => "a number, without quotes",
        expected if expected.starts_with(['i', 'u']) && expected[1..].parse::<u8>().is_ok() => {
            "a whole number, without quotes"
        }
        _ => return None,
    })
}

pub(crate) fn list(names: &[&str]) -> String {
    names.iter().map(|name| format!("\"{name}\"")).collect::<Vec<_>>().join(", ")
}

/// "; did you mean …?" where a name is near enough.
pub(crate) fn nearest(found: &str, names: &[&str]) -> String {
    let best = names.iter().map(|name| (strsim::normalized_damerau_levenshtein(found, name), name));
    match best.max_by(|a, b| a.0.total_cmp(&b.0)) {
        Some((likeness, name)) if likeness > 0.3 => format!("; did you mean \"{name}\"?"),
        _ => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_a_line_and_a_column_in_characters() {
        let text = "ab\näöü = 1\n";
        let rows = [(0, (1, 1)), (2, (1, 3)), (3, (2, 1)), (7, (2, 3)), (text.len(), (3, 1)), (999, (3, 1))];
        for (start, place) in rows {
            let mut mistakes = Gathered::new(text);
            mistakes.add(start..start, "wrong");
            let found = mistakes.into_errors();
            let found: Vec<(usize, usize)> = found.iter().map(|error| (error.line, error.column)).collect();
            assert_eq!(found, [place], "{start}");
        }
    }

    #[test]
    fn mistakes_come_in_the_order_of_the_text() {
        let mut mistakes = Gathered::new("one\ntwo three\n");
        assert!(mistakes.is_empty() && mistakes.text() == "one\ntwo three\n");
        for (start, text) in [(8, "third"), (0, "first"), (4, "second")] {
            mistakes.add(start..start + 1, text);
        }
        assert_eq!((mistakes.count(), mistakes.is_empty()), (3, false));
        let texts: Vec<String> = mistakes.into_errors().iter().map(|error| error.text.clone()).collect();
        assert_eq!(texts, ["first", "second", "third"]);
    }

    #[test]
    fn the_parsers_word_stands_at_its_place_or_at_the_fallback() {
        let text = "a = 1\nb = [";
        let error = toml::from_str::<toml::Table>(text).unwrap_err();
        let mut mistakes = Gathered::new(text);
        mistakes.toml(&error, 0..0);
        let placed = mistakes.into_errors();
        assert_eq!(placed.iter().next().unwrap().line, 2);
        let unplaced = <de::Error as serde::de::Error>::custom(" wrong\n");
        let mut mistakes = Gathered::new(text);
        mistakes.toml(&unplaced, 8..9);
        let found = mistakes.into_errors();
        let wanted = Mistake { line: 2, column: 3, text: "wrong".to_owned() };
        assert_eq!(found.iter().collect::<Vec<_>>(), [&wanted]);
    }

    #[test]
    fn a_wrong_choice_is_told_what_is_allowed_and_what_is_near() {
        assert_eq!(
            explain("unknown variant `kep`, expected `keep` or `set-aside`"),
            "found \"kep\", allowed is \"keep\", \"set-aside\"; did you mean \"keep\"?"
        );
        assert_eq!(
            explain("unknown variant `xyz`, expected one of `a`, `b`"),
            "found \"xyz\", allowed is \"a\", \"b\""
        );
        assert_eq!(explain("  something else \n"), "something else");
        assert_eq!(list(&["a", "b"]), "\"a\", \"b\"");
        assert_eq!(list(&[]), "");
    }

    /// The likeness of two words is one minus the number of edits over the longer length.
    #[test]
    fn a_name_is_near_where_more_than_three_tenths_of_it_are_the_same() {
        assert_eq!(nearest("labl", &["decode", "label"]), "; did you mean \"label\"?");
        assert_eq!(nearest("abcdefghij", &["abXXXXXXXX"]), "", "two of ten letters");
        assert_eq!(nearest("abcdefghij", &["abcdXXXXXX"]), "; did you mean \"abcdXXXXXX\"?", "four of ten");
        assert_eq!(nearest("x", &[]), "");
    }

    #[test]
    fn mistakes_print_one_a_line_with_their_places() {
        let mistake = |line, column| Mistake { line, column, text: "wrong".to_owned() };
        let errors = Mistakes(vec![mistake(1, 2), mistake(3, 4)]);
        assert_eq!(errors.to_string(), "1:2: wrong\n3:4: wrong");
        assert_eq!(errors.iter().count(), 2);
    }
}
