//! Words of a name that describe the file and not the stem: rate and depth. Knows numbers only, and no role.

use crate::token::Token;

/// Rates that files are labelled with, in kHz as they stand in names: the whole part and, where there is one, the tenths
/// (common practice, no source).
const RATES: &[(&str, &str)] = &[("44", "1"), ("48", ""), ("88", "2"), ("96", ""), ("176", "4"), ("192", "")];

/// Depths that files are labelled with, in bits (the same).
const DEPTHS: &[&str] = &["16", "24", "32"];

/// Whether the word at `at`, a run of digits or of letters, is the file's rate or depth: "Room Mics 96", "88.2", "48 24",
/// "24 bit". Where the file's rate in Hz is known, no other number is a rate.
pub(crate) fn is_rate_or_depth(words: &[String], at: usize, rate_hz: Option<u32>) -> bool {
    let word = |at: Option<usize>| at.and_then(|at| words.get(at)).map_or("", String::as_str);
    let rate = |word: &str| RATES.iter().find(|rate| rate.0 == word && is_own(rate, rate_hz));
    let is_tenths =
        |tenths: &str, whole: &str| !tenths.is_empty() && rate(whole).is_some_and(|(_, own)| *own == tenths);
    let (this, before) = (word(Some(at)), word(at.checked_sub(1)));
    let behind_rate = rate(before).is_some() || is_tenths(before, word(at.checked_sub(2)));
    rate(this).is_some()
        || is_tenths(this, before)
        || (DEPTHS.contains(&this) && (behind_rate || rate(word(Some(at + 1))).is_some()))
        || (this.parse::<u32>().is_ok() && UNITS.contains(&word(Some(at + 1))))
}

/// Words behind a number that make it a rate or a depth.
const UNITS: &[&str] = &["bit", "bits", "khz", "hz", "float"];

/// How many words at the front of a name are a rate or a depth that says so itself: "48k24b", "44.1kHz", "24 bit", "96000". A bare
/// "96" may be a part.
pub(crate) fn rate_or_depth_at(name: &[Token]) -> usize {
    let word = |at: usize| name.get(at).map_or("", |token| token.key.as_str());
    let is_number = |word: &str| !word.is_empty() && word.bytes().all(|byte| byte.is_ascii_digit());
    // "kHz" alone is two words, since its case changes.
    let unit = |at: usize| match (word(at), word(at + 1)) {
        ("k", "hz") => 2,
        (one, _) if UNITS.contains(&one) => 1,
        _ => 0,
    };
    let with_unit = |at: usize| if unit(at) > 0 { at + unit(at) } else { 0 };
    let hz = |word: &str| RATES.iter().any(|(whole, tenths)| word == format!("{whole}{tenths:0<3}"));
    let tail = |at: usize| if word(at) == "hz" { at + 1 } else { at };
    let first = word(0);
    if hz(first) {
        return if unit(1) > 0 { 1 + unit(1) } else { 1 };
    }
    if is_rates_and_depths(first) {
        return tail(1);
    }
    let is_whole = RATES.iter().any(|(whole, tenths)| *whole == first && !tenths.is_empty());
    // "44.1k" and "44.1 kHz" are several words.
    let tenths_with_unit = || word(1).strip_suffix("khz").or_else(|| word(1).strip_suffix('k'));
    if is_whole && tenths_with_unit().is_some_and(is_number) {
        return tail(2);
    }
    if is_whole && is_number(word(1)) && unit(2) > 0 {
        return with_unit(2);
    }
    if is_number(first) && first.len() <= 3 { with_unit(1) } else { 0 }
}

/// Whether a word is made of numbers with the signs of rates and depths: "48k24b", "44k1", "24bit", "32f".
fn is_rates_and_depths(word: &str) -> bool {
    let mut rest = word;
    let mut units = 0;
    while !rest.is_empty() {
        let digits = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let (number, behind) = rest.split_at(digits);
        let letters = behind.len() - behind.trim_start_matches(|c: char| c.is_ascii_alphabetic()).len();
        let (unit, after) = behind.split_at(letters);
        let is_rate = RATES.iter().any(|(whole, _)| *whole == number) && matches!(unit, "k" | "khz");
        let is_depth =
            DEPTHS.contains(&number) && matches!(unit, "b" | "bit" | "bits" | "f" | "fp" | "float");
        // The tenths of "44k1" stand last.
        let is_tenths = units > 0 && unit.is_empty() && number.len() == 1;
        if !(is_rate || is_depth || is_tenths) {
            return false;
        }
        units += 1;
        rest = after;
    }
    units > 0
}

fn is_own((whole, tenths): &(&str, &str), rate_hz: Option<u32>) -> bool {
    let number = |digits: &str| digits.parse::<u32>().unwrap_or(0);
    rate_hz.is_none_or(|rate_hz| rate_hz == 1000 * number(whole) + 100 * number(tenths))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::token::tokens;

    /// Spellings: common practice, no source.
    #[test]
    fn a_rate_that_says_so_is_known_wherever_it_stands() {
        for (name, count) in [
            ("48k24b", 1),
            ("24bit", 1),
            ("48kHz", 2),
            ("48 kHz", 3),
            ("44.1k", 2),
            ("44.1kHz 24bit", 3),
            ("44k1", 1),
            ("96000", 1),
            ("44100 Hz", 2),
            ("24 bit", 2),
            ("32f", 1),
            ("808", 0),
            ("96", 0),
            ("12 String", 0),
            ("2k", 0),
            ("4b", 0),
        ] {
            assert_eq!(rate_or_depth_at(&tokens(name)), count, "{name}");
        }
    }

    /// What is left of a name where rate and depth are left out. Rates and depths: common practice, no source.
    fn others(name: &str, rate_hz: Option<u32>) -> String {
        let words: Vec<String> = name.split(' ').map(str::to_owned).collect();
        let kept = (0..words.len()).filter(|&at| !is_rate_or_depth(&words, at, rate_hz));
        kept.map(|at| words[at].as_str()).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn a_rate_and_a_depth_describe_the_file() {
        for (name, rate_hz, wanted) in [
            ("room mics 96", None, "room mics"),
            ("room mics 96", Some(96_000), "room mics"),
            ("room mics 96", Some(44_100), "room mics 96"),
            ("gtr 48 2", Some(48_000), "gtr 2"),
            ("gtr 2 44 1", None, "gtr 2"),
            ("gtr 44 1", Some(44_100), "gtr"),
            ("gtr 44 1", Some(48_000), "gtr 44 1"),
            ("gtr 88 2 khz", Some(88_200), "gtr khz"),
            ("gtr 176 4 24", None, "gtr"),
            ("gtr 48 24", None, "gtr"),
            ("gtr 3 24 bit", None, "gtr 3 bit"),
            ("gtr 24 48", None, "gtr"),
            ("gtr 24 44 1", Some(44_100), "gtr"),
            ("gtr 32 float", None, "gtr float"),
            ("gtr 24", None, "gtr 24"),
            ("gtr 45", None, "gtr 45"),
        ] {
            assert_eq!(others(name, rate_hz), wanted, "{name} {rate_hz:?}");
        }
    }
}
