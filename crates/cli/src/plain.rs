//! Text of strangers on a terminal: names, metadata, recipes and whatever quotes them may hold anything, and a terminal must not
//! obey them. Knows no verb.

use std::error::Error;
use std::fmt::Write;

use console::measure_text_width;

/// What stands for a sign that a terminal would obey or that would reorder what stands beside it.
const MARK: char = '\u{fffd}';

/// Controls (ECMA-48), line and paragraph separators, and the marks of direction of Unicode Standard Annex #9, section 2.
fn is_obeyed(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}')
}

/// One line of text, safe for a terminal. Everything that is printed and was not written by us goes through here.
pub(crate) fn printable(text: &str) -> String {
    text.chars().map(|c| if is_obeyed(c) { MARK } else { c }).collect()
}

/// The same of several lines.
pub(crate) fn printable_lines(text: &str) -> String {
    text.split('\n').map(printable).collect::<Vec<_>>().join("\n")
}

/// JSON that is safe for a terminal and means the same: outside of strings JSON has none of these signs but the line feed, and in a
/// string each may stand as its number (RFC 8259, section 7).
pub(crate) fn printable_json(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        if c != '\n' && is_obeyed(c) {
            // Writing to a string cannot fail.
            let _ = write!(safe, "\\u{:04x}", u32::from(c));
        } else {
            safe.push(c);
        }
    }
    safe
}

/// An error with its causes, each said once: many errors quote their cause themselves.
pub(crate) fn said_once(error: &(dyn Error + 'static)) -> String {
    let mut text = String::new();
    let mut next = Some(error);
    while let Some(cause) = next {
        let words = cause.to_string();
        if !text.contains(&words) {
            if !text.is_empty() {
                text.push_str(": ");
            }
            text.push_str(&words);
        }
        next = cause.source();
    }
    printable_lines(&text)
}

/// "1 file", "2 files".
pub(crate) fn count(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// Lines of at most `width` columns, broken between words; the second and later ones are indented.
pub(crate) fn wrapped(text: &str, width: Option<usize>, indent: usize) -> Vec<String> {
    let Some(width) = width else { return vec![text.to_owned()] };
    let begin = text.len() - text.trim_start_matches(' ').len();
    let mut lines: Vec<String> = vec![" ".repeat(begin)];
    // Columns before the first word of the line.
    let mut bare = begin;
    for word in text[begin..].split(' ') {
        let line = lines.last_mut().expect("there is a line");
        let used = measure_text_width(line);
        if used > bare && used + 1 + measure_text_width(word) > width {
            lines.push(" ".repeat(indent) + word);
            bare = indent;
        } else {
            if used > bare {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_terminal_obeys_no_stranger() {
        assert_eq!(
            printable("Ki\x1b[2Jck\u{202e}vaw.\r\n\u{9b}1m"),
            "Ki\u{fffd}[2Jck\u{fffd}vaw.\u{fffd}\u{fffd}\u{fffd}1m"
        );
        assert_eq!(printable_lines("a\nb\tc"), "a\nb\u{fffd}c");
        assert_eq!(printable("Ünïcode ドラム שלום 👩‍🎤"), "Ünïcode ドラム שלום 👩‍🎤");
    }

    #[test]
    fn safe_json_means_the_same() {
        let value = serde_json::json!({ "na\u{7f}me": "\u{202e}a\u{9b}\u{2028}\x1b\n" });
        let text = printable_json(&serde_json::to_string_pretty(&value).unwrap());
        assert!(!text.chars().any(|c| c != '\n' && is_obeyed(c)), "{text}");
        assert_eq!(serde_json::from_str::<serde_json::Value>(&text).unwrap(), value);
    }

    #[test]
    fn a_cause_is_said_once() {
        #[derive(Debug, thiserror::Error)]
        #[error("cannot read \"a\": {0}")]
        struct Quoting(#[source] std::io::Error);
        let error = Quoting(std::io::Error::other("no such file"));
        assert_eq!(said_once(&error), "cannot read \"a\": no such file");
    }

    #[test]
    fn lines_break_between_words() {
        assert_eq!(wrapped("  one two three", Some(9), 4), ["  one two", "    three"]);
        assert_eq!(wrapped("one two", None, 4), ["one two"]);
    }
}
