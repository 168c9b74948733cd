//! A label in as many characters as there is room for: what says least goes first, and the role last. Knows nothing of where words
//! come from.

use crate::safe_name::fit;

/// What a word of a label says, the least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Says {
    /// Neither of the two.
    Other,
    /// Place, side, number, treatment.
    Detail,
    /// What the stem is.
    Role,
}

/// A word of a label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Part {
    /// As it is written.
    pub(crate) text: String,
    pub(crate) says: Says,
}

/// The words in one text of at most `room` characters. Where it is too long its end is cut, as long as only a word is cut that says
/// neither role nor detail; else such words go, from the front, then details, from the back.
pub(crate) fn short(parts: &[Part], room: usize, separator: char) -> String {
    let mut parts: Vec<&Part> = parts.iter().collect();
    if parts.is_empty() {
        return fit("Stem", room, separator);
    }
    while !is_cut_well(&parts, room) {
        let gone = parts
            .iter()
            .position(|part| part.says == Says::Other)
            .or_else(|| parts.iter().rposition(|part| part.says == Says::Detail));
        match gone.filter(|_| parts.len() > 1) {
            Some(at) => drop(parts.remove(at)),
            None => break,
        }
    }
    fit(&joined(&parts, separator), room, separator)
}

fn joined(parts: &[&Part], separator: char) -> String {
    parts.iter().map(|part| part.text.as_str()).collect::<Vec<_>>().join(&separator.to_string())
}

/// Whether every word that says something is whole where the text is cut after `room` characters.
fn is_cut_well(parts: &[&Part], room: usize) -> bool {
    let mut end = 0;
    parts.iter().enumerate().all(|(at, part)| {
        end += part.text.chars().count() + usize::from(at > 0);
        end <= room || part.says == Says::Other
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_says_least_goes_first() {
        let part = |text: &str, says| Part { text: text.to_owned(), says };
        let name = [
            part("Slow", Says::Other),
            part("Lantern", Says::Other),
            part("Snare", Says::Role),
            part("Top", Says::Detail),
            part("Crunchy", Says::Other),
        ];
        for (room, wanted) in [
            (40, "Slow_Lantern_Snare_Top_Crunchy"),
            (26, "Slow_Lantern_Snare_Top_Cru"),
            (21, "Lantern_Snare_Top_Cru"),
            (12, "Snare_Top_Cr"),
            (8, "Snare"),
            (3, "Sna"),
        ] {
            assert_eq!(short(&name, room, '_'), wanted, "{room}");
        }
        assert_eq!(short(&[], 8, '_'), "Stem");
    }
}
