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

/// A name for a file, without its extension, that every common disk takes: composed (NFC), without the signs that some system
/// keeps, without characters that nobody sees, and of `most_chars` characters at most. `None` where nothing is left.
pub fn safe_file_name(text: &str, most_chars: usize) -> Option<String> {
    let is_kept = |c: &char| !c.is_control() && !is_unseen(*c);
    let shown = |c: char| if "<>:\"/\\|?*".contains(c) || c.is_whitespace() { ' ' } else { c };
    let text: String = text.chars().filter(is_kept).map(shown).nfc().collect();
    let words: Vec<&str> = text.split(' ').filter(|word| !word.is_empty()).collect();
    let words = words.join(" ");
    // A dot at its start would hide the file, one at its end is lost on some disks.
    let plain = words.trim_matches(['.', ' ']);
    // Some system takes "Con.wav" for a device.
    let mark = if is_reserved(plain) { "_" } else { "" };
    let name = if plain.is_empty() { return None } else { format!("{mark}{plain}") };
    Some(fit(&name, most_chars, ' '))
}

/// Whether a character has no width or turns the direction of a text: names that look alike would be two.
fn is_unseen(c: char) -> bool {
    matches!(c, '\u{AD}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFF0}'..='\u{FFFF}')
}

/// Names that Windows keeps for devices, with any extension and with spaces before it.
///
/// "Naming Files, Paths, and Namespaces" (Microsoft Learn) lists CON, PRN, AUX, NUL, COM1 to COM9 and LPT1 to LPT9, and
/// of both also the superscript digits of ISO/IEC 8859-1. COM0 and LPT0, and the devices of the console and the clock
/// (`CONIN$`, `CONOUT$`, `CLOCK$`), were refused by some versions.
pub(crate) fn is_reserved(text: &str) -> bool {
    let name = fold(text.split('.').next().unwrap_or(text).trim_end());
    let port = || name.strip_prefix("com").or_else(|| name.strip_prefix("lpt"));
    matches!(name.as_str(), "con" | "prn" | "aux" | "nul" | "conin$" | "conout$" | "clock$")
        || port().is_some_and(|digit| digit.len() == 1 && digit.as_bytes()[0].is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The list of "Naming Files, Paths, and Namespaces" (Microsoft Learn).
    const RESERVED: &str = "CON PRN AUX NUL COM1 COM2 COM3 COM4 COM5 COM6 COM7 COM8 COM9 COM¹ COM² COM³ \
                            LPT1 LPT2 LPT3 LPT4 LPT5 LPT6 LPT7 LPT8 LPT9 LPT¹ LPT² LPT³";

    #[test]
    fn a_file_name_is_safe_on_every_disk() {
        for (text, wanted) in [
            ("Orchard Signal 125bpm Dm", Some("Orchard Signal 125bpm Dm")),
            ("Ice/Fire: \"C#m\" & 50 %", Some("Ice Fire C#m & 50 %")),
            ("..hidden. ", Some("hidden")),
            ("Con", Some("_Con")),
            ("aux.mix", Some("_aux.mix")),
            ("a\u{202E}vaw\u{200B}\tb\nc", Some("avawbc")),
            ("E\u{301}t\u{e9}", Some("\u{c9}t\u{e9}")),
            ("../../etc", Some("etc")),
            ("歌", Some("歌")),
            ("", None),
            (" . ", None),
            ("?*|", None),
        ] {
            assert_eq!(safe_file_name(text, 80).as_deref(), wanted, "{text:?}");
        }
        assert_eq!(safe_file_name(&"歌".repeat(300), 80).unwrap().chars().count(), 80);
        assert_eq!(safe_file_name("ab cd", 3).unwrap(), "ab");
    }

    #[test]
    fn every_name_that_windows_keeps_is_known_in_any_case_and_with_any_extension() {
        // The second list is from memory of older editions.
        for name in RESERVED.split_whitespace().chain(["COM0", "LPT0", "CONIN$", "CONOUT$", "CLOCK$"]) {
            let forms =
                [name.to_owned(), name.to_lowercase(), format!("{name}.wav"), format!("{name}.tar.gz")];
            for form in forms.into_iter().chain([format!("{name} "), format!("{name} .wav")]) {
                assert!(is_reserved(&form), "{form:?}");
            }
            for other in [format!("{name}_"), format!("01_{name}"), format!("{name}1"), format!("my {name}")]
            {
                assert!(!is_reserved(&other), "{other:?}");
            }
        }
        for name in ["Com", "COM", "LPT", "COM10", "Aux 1", "Aux_1", "Console", "Nulls", "Auxiliary.wav", ""]
        {
            assert!(!is_reserved(name), "{name:?}");
        }
    }
}
