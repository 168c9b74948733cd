//! Recognises the rough mix and other references by name: they are for the ears, and never part of a link. Knows names
//! only, and no recipe.

use crate::family::Family;
use crate::role::role_of;
use crate::token::{stem_of, tokens, without_digits};

/// What kind of reference a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReferenceKind {
    /// The client's own mix of the delivery.
    RoughMix,
    /// Something else to compare with.
    Other,
}

/// Words beside those of roles that make a mix of a part of the stems: a submix, not the rough mix.
const PARTS: &[&str] = &["tape", "bus", "lead", "inst", "instrumental"];

/// Phrases that say it even beside the name of a part, unless the part stands right before or behind them.
const CLEAR: &[&str] = &[
    "rough mix",
    "roughmix",
    "ruff mix",
    "ref mix",
    "reference mix",
    "full mix",
    "main mix",
    "mix bus",
    "mixbus",
    "2mix",
];

/// Says whether the file at `path` is a reference by its name.
///
/// "Rough mix" says it wherever it stands, but "Drum rough mix" is a stem. "Rough", "mix", "master", "ref", "bounce"
/// and "demo" say it only where no part of the band is named beside them, since "Drum mix" is a stem.
pub fn is_reference(path: &str) -> Option<ReferenceKind> {
    let name = stem_of(path);
    let keys: Vec<String> = tokens(name).iter().map(|token| token.key.clone()).collect();
    if CLEAR.iter().any(|phrase| stands_alone(phrase, &keys)) {
        return Some(ReferenceKind::RoughMix);
    }
    let bare: Vec<String> = keys.iter().map(|key| without_digits(key)).collect();
    let has = |words: &[&str]| bare.iter().chain(&keys).any(|key| words.contains(&key.as_str()));
    if has(PARTS) || is_part(name) {
        return None;
    }
    if has(&["rough", "roughmix", "ruff", "2mix", "mix", "mixdown", "bounce"]) {
        return Some(ReferenceKind::RoughMix);
    }
    has(&["ref", "reference", "master", "mastered", "demo"]).then_some(ReferenceKind::Other)
}

fn is_part(words: &str) -> bool {
    role_of(words).family != Family::Unsorted
}

/// Whether a phrase stands in a name with no part of the band right before or behind it.
fn stands_alone(phrase: &str, keys: &[String]) -> bool {
    let words: Vec<&str> = phrase.split(' ').collect();
    let Some(at) = keys.windows(words.len()).position(|window| window.iter().eq(words.iter())) else {
        return false;
    };
    let before = at.checked_sub(1).and_then(|index| keys.get(index));
    let behind = keys.get(at + words.len());
    !before.into_iter().chain(behind).any(|key| is_part(key) || PARTS.contains(&key.as_str()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mixes_of_a_part_are_stems() {
        for name in [
            "Rough Mix",
            "song_ROUGH_v2",
            "2mix",
            "Mix 3",
            "bounce",
            "RoughMix_03",
            "Bass Street ROUGH MIX v2",
            "Mix Bus",
            "Full Mix",
        ] {
            assert_eq!(is_reference(name), Some(ReferenceKind::RoughMix), "{name}");
        }
        for name in ["Master", "ref", "Demo 2"] {
            assert_eq!(is_reference(name), Some(ReferenceKind::Other), "{name}");
        }
        for name in [
            "Drum mix",
            "Room mix",
            "FX mix",
            "master tape noise",
            "Mixer hum bass",
            "Remix kick",
            "Vox",
            "Drum Rough Mix",
            "Rough Mix Drums",
            "Vox rough",
            "NightDemo_Shaker",
            "Demo_Tamb",
            "Drum Mix Bus",
        ] {
            assert_eq!(is_reference(name), None, "{name}");
        }
    }
}
