//! Which of two files with the same sound is the copy, by their names. Knows names only.

use crate::token::{stem_of, tokens};

/// Words that say so: common practice, no source.
const WORDS: &[&str] = &["copy", "kopie", "copie", "old", "duplicate", "dupe", "bak", "backup"];

/// How much a name looks like that of a copy: the least is the one to keep. The file whose name says "copy" or "old", or that a
/// system has numbered with "(1)", is the second; of two dates in names the later one.
pub fn copy_rank(path: &str) -> (bool, u32) {
    let name = stem_of(path);
    let words = tokens(name);
    let is_copy = words.iter().any(|token| is_copy_word(&token.key)) || is_numbered(name);
    (is_copy, date(name))
}

/// Whether a word in lower case says that the file is a copy.
pub(crate) fn is_copy_word(key: &str) -> bool {
    WORDS.contains(&key)
}

/// Whether the name ends with a number in brackets, as systems give it to a second file of one name.
fn is_numbered(name: &str) -> bool {
    let inside = name.trim_end().strip_suffix(')').and_then(|name| name.rsplit_once('('));
    inside.is_some_and(|(before, number)| {
        !before.trim().is_empty()
            && !number.is_empty()
            && number.len() <= 2
            && number.bytes().all(|b| b.is_ascii_digit())
    })
}

/// The date in a name as year, month and day in one number, written in that order with or without marks between them
/// (ISO 8601); 0 where there is none.
fn date(name: &str) -> u32 {
    let digits: Vec<(usize, u8)> =
        name.bytes().enumerate().filter(|(_, byte)| byte.is_ascii_digit()).collect();
    let dates = digits.windows(8).filter_map(|part| {
        let apart: Vec<usize> = part.windows(2).map(|two| two[1].0 - two[0].0 - 1).collect();
        let marks = |at: usize| apart[at] <= 1;
        let joined =
            apart.iter().enumerate().all(|(at, gap)| if at == 3 || at == 5 { marks(at) } else { *gap == 0 });
        let bytes = name.as_bytes();
        let marks_alike = bytes[part[3].0 + 1] == bytes[part[5].0 + 1] || apart[3] == 0;
        let number = part.iter().fold(0u32, |sum, (_, byte)| 10 * sum + u32::from(byte - b'0'));
        let (year, month, day) = (number / 10_000, number / 100 % 100, number % 100);
        let is_date = (1990..2100).contains(&year) && (1..=12).contains(&month) && (1..=31).contains(&day);
        (joined && apart[3] == apart[5] && marks_alike && is_date).then_some(number)
    });
    dates.max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn copies_are_known_by_their_names() {
        for name in
            ["Bass copy.wav", "old/../Bass_old.wav", "Bass (1).wav", "Kick (12).aif", "Bass - Copy.wav"]
        {
            assert!(copy_rank(name).0, "{name}");
        }
        for name in ["Bass.wav", "(1) Bass.wav", "Vox (double).wav", "Gold.wav", "Bass (2024).wav", "(1).wav"]
        {
            assert!(!copy_rank(name).0, "{name}");
        }
    }

    #[test]
    fn of_two_dates_the_later_one_is_the_second() {
        for (first, second) in [
            ("Bass 2026-03-01.wav", "Bass 2026-03-12.wav"),
            ("Bass_20251231.wav", "Bass_20260101.wav"),
            ("Bass.wav", "Bass 2026.03.12.wav"),
            ("Bass 2026-03-12.wav", "Bass 2026-03-01 copy.wav"),
        ] {
            assert!(copy_rank(first) < copy_rank(second), "{first} {second}");
        }
        for name in ["Bass 20261399.wav", "Bass 120 48000.wav", "Bass 2026 03-12.wav"] {
            assert_eq!(copy_rank(name).1, 0, "{name}");
        }
    }
}
