//! Recognises the rough mix and other references by name: they are for the ears, and never part of a link.

use crate::token::{stem_of, tokens, without_digits};

/// What kind of reference a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReferenceKind {
    /// The client's own mix of the delivery.
    RoughMix,
    /// Something else to compare with.
    Other,
}

/// Words that make a mix of a part of the stems: a submix, not the rough mix.
const PARTS: &[&str] = &[
    "drum", "drums", "drm", "kick", "snare", "room", "rooms", "oh", "fx", "sfx", "vox", "vocal", "vocals",
    "voc", "bgv", "bgvs", "bv", "bvs", "gtr", "gtrs", "guitar", "guitars", "bass", "keys", "synth", "synths",
    "syn", "strings", "brass", "perc", "choir", "harm", "pad", "pads", "tape", "noise", "bus", "loop",
    "piano", "lead", "lv", "tom", "toms", "hat", "hats",
];

/// Says whether the file at `path` is a reference by its name.
///
/// "Rough" says it alone; "mix", "master", "ref", "bounce", "print" and "demo" only where no part of the band is
/// named beside them, since "Drum mix" is a stem.
pub fn is_reference(path: &str) -> Option<ReferenceKind> {
    let keys: Vec<String> = tokens(stem_of(path)).iter().map(|token| token.key.clone()).collect();
    let bare: Vec<String> = keys.iter().map(|key| without_digits(key)).collect();
    let has = |words: &[&str]| bare.iter().chain(&keys).any(|key| words.contains(&key.as_str()));
    if has(PARTS) {
        return None;
    }
    if has(&["rough", "roughmix", "ruff", "2mix", "mix", "mixdown", "bounce"]) {
        return Some(ReferenceKind::RoughMix);
    }
    has(&["ref", "reference", "master", "mastered", "demo"]).then_some(ReferenceKind::Other)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mixes_of_a_part_are_stems() {
        for name in ["Rough Mix", "song_ROUGH_v2", "2mix", "Mix 3", "bounce", "RoughMix_03"] {
            assert_eq!(is_reference(name), Some(ReferenceKind::RoughMix), "{name}");
        }
        for name in ["Master", "ref", "Demo 2"] {
            assert_eq!(is_reference(name), Some(ReferenceKind::Other), "{name}");
        }
        for name in
            ["Drum mix", "Room mix", "FX mix", "master tape noise", "Mixer hum bass", "Remix kick", "Vox"]
        {
            assert_eq!(is_reference(name), None, "{name}");
        }
    }
}
