//! Which characters and names every common file system takes. Knows neither stems nor labels.

use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

/// Which characters a label may hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Charset {
    /// Letters, digits and the separator; accents are taken off.
    Ascii,
    /// Every letter and digit, composed (NFC).
    Unicode,
}

/// Two names with one folded form are one file on some file systems. Upper case first: "ß" and "SS" are one there.
pub(crate) fn fold(text: &str) -> String {
    text.nfkc().flat_map(char::to_uppercase).flat_map(char::to_lowercase).nfc().collect()
}

/// Longest name in bytes that every common file system takes, less the extension.
const MOST_BYTES: usize = 240;

/// As many characters as there is room for, in as many bytes as file systems take; never empty.
pub(crate) fn fit(base: &str, chars: usize, separator: char) -> String {
    let mut text: String = base.chars().take(chars).collect();
    while text.len() > MOST_BYTES {
        text.pop();
    }
    let trimmed = text.trim_end_matches([separator, '.', ' ']);
    if trimmed.is_empty() { "Stem".to_owned() } else { trimmed.to_owned() }
}

/// The characters of a word that the set has.
pub(crate) fn clean(word: &str, charset: Charset) -> String {
    match charset {
        Charset::Unicode => word
            .nfc()
            .filter(|c| c.is_alphanumeric() || is_combining_mark(*c) || *c == '#' || *c == '+')
            .collect(),
        Charset::Ascii => word
            .nfkd()
            .filter(|c| !is_combining_mark(*c))
            .flat_map(|c| plain(c).chars().collect::<Vec<_>>())
            .filter(char::is_ascii_alphanumeric)
            .collect(),
    }
}

/// Letters that have no accent to take off, and signs that mean something in a name.
fn plain(c: char) -> String {
    let text = match c {
        'ß' => "ss",
        'ø' => "o",
        'Ø' => "O",
        'æ' => "ae",
        'Æ' => "AE",
        'œ' => "oe",
        'Œ' => "OE",
        'ł' => "l",
        'Ł' => "L",
        'đ' | 'ð' => "d",
        'Đ' | 'Ð' => "D",
        'þ' => "th",
        'Þ' => "Th",
        'ı' => "i",
        '&' => "and",
        _ => return c.to_string(),
    };
    text.to_owned()
}

/// Names that some systems keep for devices, with any extension; superscript digits count as digits there.
pub(crate) fn is_reserved(text: &str) -> bool {
    let name = fold(text.split('.').next().unwrap_or(text));
    matches!(name.as_str(), "con" | "prn" | "aux" | "nul")
        || (name.len() == 4
            && (name.starts_with("com") || name.starts_with("lpt"))
            && name.ends_with(|c: char| c.is_ascii_digit()))
}
