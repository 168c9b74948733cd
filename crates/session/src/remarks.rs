//! What a text note says of missing, late or replaced files, as it says it. Words are looked for and nothing is understood: a
//! remark is for a person to read, and never a fact.

/// Phrases that such remarks have, in lower case: common practice, no source.
const PHRASES: &[&str] = &[
    "missing",
    "forgot",
    "forgotten",
    "not included",
    "not in here",
    "not yet",
    "still to come",
    "to follow",
    "will follow",
    "will send",
    "i'll send",
    "we'll send",
    "send later",
    "sent later",
    "coming later",
    "come later",
    "comes later",
    "late add",
    "will come",
    "replace",
    "replaces",
    "replaced",
    "replacement",
    "instead of",
    "new version",
    "newer version",
    "old version",
    "wrong version",
    "wrong file",
    "outdated",
    "ignore the",
    "don't use",
    "do not use",
    "fehlt",
    "fehlen",
    "folgt",
    "manque",
    "falta",
    "manca",
];

/// Longest remark that is quoted, in characters.
const MOST_CHARS: usize = 300;

/// So many remarks of one note are quoted.
const MOST_REMARKS: usize = 10;

/// The sentences of a note that say so, each in one line.
pub fn remarks(text: &str) -> Vec<String> {
    let says = |sentence: &String| {
        // Signs beside a word are no part of it.
        let words: Vec<String> = sentence
            .to_lowercase()
            .replace('\u{2019}', "'")
            .split(|c: char| !c.is_alphanumeric() && c != '\'')
            .filter(|word| !word.is_empty())
            .map(str::to_owned)
            .collect();
        let spoken = format!(" {} ", words.join(" "));
        PHRASES.iter().any(|phrase| spoken.contains(&format!(" {phrase} ")))
    };
    sentences(text).into_iter().filter(says).take(MOST_REMARKS).collect()
}

/// Sentences end at full stops and at points of a list; lines are only where the paper ended.
fn sentences(text: &str) -> Vec<String> {
    let mut joined = String::new();
    for line in text.lines().map(str::trim) {
        let item = line.starts_with(['-', '*', '\u{2022}']);
        joined.push(if item || line.is_empty() { '\n' } else { ' ' });
        joined.push_str(line.trim_start_matches(['-', '*', '\u{2022}']).trim());
    }
    // A full stop inside a file name has no space behind it.
    let joined = joined.replace(". ", ".\n").replace("! ", "!\n").replace("? ", "?\n");
    let whole = joined.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" "));
    whole.filter(|line| !line.is_empty()).map(|line| line.chars().take(MOST_CHARS).collect()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_sentences_are_quoted_over_the_ends_of_lines() {
        let note = "Hello!\n- The bells are still missing, Bells.wav will\n  follow tomorrow. Sorry.\n- All at 48 kHz.\n\n\
                    Please don\u{2019}t use Bass 1.wav, it was replaced.";
        assert_eq!(
            remarks(note),
            [
                "The bells are still missing, Bells.wav will follow tomorrow.",
                "Please don\u{2019}t use Bass 1.wav, it was replaced."
            ]
        );
    }

    #[test]
    fn other_sentences_are_not() {
        assert_eq!(
            remarks("125 bpm, 4/4. We sent all in one go. Dismissing notes is fine. It follows the grid."),
            [""; 0]
        );
        assert_eq!(remarks(&"a missing word. ".repeat(50)).len(), MOST_REMARKS);
        assert_eq!(remarks(&format!("missing {}", "x".repeat(1000)))[0].chars().count(), MOST_CHARS);
    }
}
