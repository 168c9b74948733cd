//! Words of a name that describe the file and not the stem: rate and depth. Knows numbers only, and no role.

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
        || (DEPTHS.contains(&this) && behind_rate)
        || (this.parse::<u32>().is_ok() && matches!(word(Some(at + 1)), "bit" | "bits" | "khz" | "hz"))
}

fn is_own((whole, tenths): &(&str, &str), rate_hz: Option<u32>) -> bool {
    let number = |digits: &str| digits.parse::<u32>().unwrap_or(0);
    rate_hz.is_none_or(|rate_hz| rate_hz == 1000 * number(whole) + 100 * number(tenths))
}

#[cfg(test)]
mod tests {
    use super::*;

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
            ("gtr 24", None, "gtr 24"),
            ("gtr 45", None, "gtr 45"),
        ] {
            assert_eq!(others(name, rate_hz), wanted, "{name} {rate_hz:?}");
        }
    }
}
