//! File names as tokens: where one word of a name ends and the next begins. Knows nothing of what the words mean.

/// One word of a name, with its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Token {
    /// As it stands in the name.
    pub(crate) text: String,
    /// Lower case.
    pub(crate) key: String,
}

/// The file name without folders and extension.
pub(crate) fn stem_of(path: &str) -> &str {
    let name = path.rsplit('/').next().unwrap_or(path);
    match name.rsplit_once('.') {
        // "Kick.In" has no extension; real ones are short and without spaces.
        Some((stem, extension)) if !stem.is_empty() && is_extension(extension) => stem,
        _ => name,
    }
}

fn is_extension(text: &str) -> bool {
    (1..=5).contains(&text.len())
        && text.chars().all(|c| c.is_ascii_alphanumeric())
        && !matches!(
            text.to_ascii_lowercase().as_str(),
            "l" | "r" | "left" | "right" | "in" | "out" | "top" | "bot" | "di" | "amp"
        )
}

/// Whether a character parts two words. A plus or a sharp sign belongs to the word.
pub(crate) fn is_border(c: char) -> bool {
    !c.is_alphanumeric() && !matches!(c, '#' | '+' | '&' | '\'' | '’') && !is_mark(c)
}

/// Combining marks belong to the letter before them.
fn is_mark(c: char) -> bool {
    ('\u{0300}'..='\u{036f}').contains(&c)
}

/// The words of a name: parted at everything that is no letter and no digit, and where "camelCase" changes. A word
/// that mixes letters and digits stays whole: "48k24b", "T1".
pub(crate) fn tokens(name: &str) -> Vec<Token> {
    let mut tokens = Vec::new();
    for word in name.split(is_border).filter(|word| !word.is_empty()) {
        for part in camel(word) {
            tokens.push(Token { key: part.to_lowercase(), text: part.to_owned() });
        }
    }
    tokens
}

/// Splits "`KickIn`" into "Kick" and "In"; "OHs", "BGVs" and "VOX" stay whole.
fn camel(word: &str) -> Vec<&str> {
    let chars: Vec<(usize, char)> = word.char_indices().collect();
    let mut parts = Vec::new();
    let mut start = 0;
    for window in chars.windows(2) {
        if window[0].1.is_lowercase() && window[1].1.is_uppercase() {
            parts.push(&word[start..window[1].0]);
            start = window[1].0;
        }
    }
    parts.push(&word[start..]);
    parts
}

/// Splits letters from digits: "gtr2" becomes "gtr" and "2"; used to recognise roles, never to make labels.
pub(crate) fn without_digits(key: &str) -> String {
    key.trim_matches(|c: char| c.is_ascii_digit()).to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(name: &str) -> Vec<String> {
        tokens(name).into_iter().map(|token| token.text).collect()
    }

    #[test]
    fn words_end_at_signs_and_at_capitals() {
        assert_eq!(words("03 - KickIn_48k24b (final)"), ["03", "Kick", "In", "48k24b", "final"]);
        assert_eq!(words("BGVs L+R"), ["BGVs", "L+R"]);
        assert_eq!(words("Stimme 1 F#m"), ["Stimme", "1", "F#m"]);
    }

    #[test]
    fn extensions_go_and_sides_stay() {
        assert_eq!(stem_of("drums/Kick In.wav"), "Kick In");
        assert_eq!(stem_of("Gtr.L"), "Gtr.L");
        assert_eq!(stem_of("Pad.L.wav"), "Pad.L");
        assert_eq!(stem_of(".wav"), ".wav");
    }
}
