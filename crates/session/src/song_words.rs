//! Words of a name that describe the song and not the stem: tempo and key, as they stand side by side in names. Knows no role.

use crate::token::Token;

/// Where the tempo stands in a name, with a key beside it: "92bpm", "92 bpm", "bpm92", "92bpm Dm", "D minor 92bpm". A key alone
/// may be a note, a take or a part, and is not looked for.
pub(crate) fn tempo_and_key(name: &[Token]) -> Option<(usize, usize)> {
    let (mut from, mut to) = (0..name.len()).find_map(|at| tempo_at(name, at))?;
    let behind = key_at(&name[to..]);
    to += behind;
    if behind == 0 {
        from -=
            (1..=2.min(from)).rev().find(|&count| key_at(&name[from - count..from]) == count).unwrap_or(0);
    }
    Some((from, to))
}

fn tempo_at(name: &[Token], at: usize) -> Option<(usize, usize)> {
    let word = |at: usize| name.get(at).map_or("", |token| token.key.as_str());
    let is_tempo = |digits: &str| digits.parse::<u32>().is_ok_and(|bpm| (30..=300).contains(&bpm));
    let joined = word(at).strip_suffix("bpm").or_else(|| word(at).strip_prefix("bpm"));
    if joined.is_some_and(is_tempo) {
        return Some((at, at + 1));
    }
    // "92.5 bpm" is three words.
    let is_number = |at: usize| !word(at).is_empty() && word(at).bytes().all(|byte| byte.is_ascii_digit());
    match (word(at), is_tempo(word(at))) {
        (_, true) if word(at + 1) == "bpm" => Some((at, at + 2)),
        (_, true) if is_number(at + 1) && word(at + 2) == "bpm" => Some((at, at + 3)),
        (_, true) if word(at + 1).strip_suffix("bpm").is_some_and(|tenths| tenths.parse::<u32>().is_ok()) => {
            Some((at, at + 2))
        }
        ("bpm", _) if is_tempo(word(at + 1)) => Some((at, at + 2)),
        _ => None,
    }
}

/// How many words at the front are a key: "Dm", "F#m", "Bbmaj", "D minor".
fn key_at(name: &[Token]) -> usize {
    let Some(first) = name.first().map(|token| token.key.as_str()) else { return 0 };
    let Some(rest) = first.strip_prefix(|c| ('a'..='h').contains(&c)) else { return 0 };
    let mode = rest.strip_prefix(['#', '♯', 'b', '♭']).unwrap_or(rest);
    let is_mode = |word: &str| matches!(word, "m" | "min" | "minor" | "maj" | "major");
    match (mode.is_empty(), name.get(1)) {
        (true, Some(next)) if is_mode(&next.key) => 2,
        (true, _) => 1,
        (false, _) => usize::from(is_mode(mode)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::token::tokens;

    #[test]
    fn tempo_and_key_stand_side_by_side() {
        for (name, wanted) in [
            ("Song_92bpm_Dm_Kick", Some("92bpm Dm")),
            ("Song 92 bpm Kick", Some("92 bpm")),
            ("Song BPM92 F#m Kick", Some("BPM92 F#m")),
            ("Song D minor 92.5bpm Kick", Some("D minor 92 5bpm")),
            ("Bbmaj_120BPM_Kick", Some("Bbmaj 120BPM")),
            ("Song Dm Kick", None),
            ("Gtr 92", None),
            ("Loop 900bpm", None),
        ] {
            let name = tokens(name);
            let found = tempo_and_key(&name).map(|(from, to)| {
                name[from..to].iter().map(|token| token.text.as_str()).collect::<Vec<_>>().join(" ")
            });
            assert_eq!(found.as_deref(), wanted, "{name:?}");
        }
    }
}
