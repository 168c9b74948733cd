//! Which stems may hold the same source, by their names: only those are compared by ear, or by a correlation. Knows
//! nothing of how they sound.

use crate::family::Family;
use crate::role::role_of;
use crate::token::{stem_of, tokens};

/// How two stems are related by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum NameRelation {
    /// One name, two sides of it.
    Sides,
    /// One performance stored in two ways: dry and wet, DI and amp, tuned and not.
    Versions,
    /// Several microphones, takes or layers of one kind of source.
    Family,
}

/// Words that tell versions of one performance apart: common practice, no source.
const VERSIONS: &[&str] = &[
    "dry",
    "wet",
    "di",
    "amp",
    "direct",
    "clean",
    "fx",
    "verb",
    "reverb",
    "comp",
    "raw",
    "tuned",
    "untuned",
    "print",
    "processed",
    "unprocessed",
    "line",
    "reamp",
    "orig",
    "original",
    "old",
    "new",
    "alt",
    "edit",
    "copy",
    "final",
];

/// Words that tell sides apart.
const SIDES: &[&str] = &["l", "r", "left", "right"];

/// Words that tell microphones apart: common practice, no source.
const PLACES: &[&str] = &[
    "in",
    "out",
    "inside",
    "outside",
    "top",
    "bot",
    "bottom",
    "up",
    "down",
    "close",
    "near",
    "far",
    "room",
    "front",
    "rear",
    "back",
    "mic",
    "mono",
    "sub",
    "ribbon",
    "condenser",
    "dynamic",
];

/// A name without the words that tell relatives apart; the words, in order.
fn parted(path: &str) -> (Vec<String>, Vec<String>) {
    let words = tokens(stem_of(path)).into_iter().map(|token| token.key);
    words.partition(|word| {
        let number = word.chars().all(|c| c.is_ascii_digit());
        !number && !VERSIONS.contains(&&**word) && !SIDES.contains(&&**word) && !PLACES.contains(&&**word)
    })
}

/// What a name says about relatives, taken apart once for all comparisons.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ComparedName {
    base: Vec<String>,
    own: Vec<String>,
    family: Family,
}

impl ComparedName {
    /// The name of the stem at `path`.
    pub fn of(path: &str) -> Self {
        let (base, own) = parted(path);
        Self { base, own, family: role_of(path).family }
    }
}

/// How two stems are related; `None` for strangers.
pub fn name_relation(first: &ComparedName, second: &ComparedName) -> Option<NameRelation> {
    let ComparedName { base, own, family } = first;
    let ComparedName { base: other_base, own: other, family: other_family } = second;
    let differ: Vec<&str> = own
        .iter()
        .filter(|word| !other.contains(word))
        .chain(other.iter().filter(|word| !own.contains(word)))
        .map(String::as_str)
        .collect();
    if base == other_base && !base.is_empty() && !differ.is_empty() {
        return Some(if differ.iter().all(|word| SIDES.contains(word)) {
            NameRelation::Sides
        } else if differ.iter().any(|word| VERSIONS.contains(word)) {
            NameRelation::Versions
        } else {
            NameRelation::Family
        });
    }
    let kit = family.is_of_kit() && other_family.is_of_kit();
    let same = family == other_family && *family != Family::Unsorted;
    (kit || same || (base == other_base && !base.is_empty())).then_some(NameRelation::Family)
}

/// Drums whose skin is often taken from both sides.
const SKINS: &[Family] = &[Family::Kick, Family::Snare, Family::Toms, Family::Percussion];

/// Whether two names are those of microphones on the two sides of one skin: top and bottom, in and out. What moves towards
/// the one moves away from the other, so that their polarity is opposite and no fault. A drum beside its own bottom is its
/// top, whether or not its name says so: common practice, no source.
pub fn two_sides_of_a_skin(first: &str, second: &str) -> bool {
    let (family, both) = (role_of(first).family, [skin_side(first), skin_side(second)]);
    family == role_of(second).family
        && SKINS.contains(&family)
        && matches!(both, ["top", "bottom"] | ["bottom", "top"] | ["in", "out"] | ["out", "in"])
}

/// The side of a skin that a name says, in one word.
fn skin_side(path: &str) -> &'static str {
    let sides = tokens(stem_of(path)).into_iter().rev().find_map(|token| match token.key.as_str() {
        "bot" | "bottom" | "btm" => Some("bottom"),
        "in" | "inside" => Some("in"),
        "out" | "outside" => Some("out"),
        _ => None,
    });
    sides.unwrap_or("top")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_skin_has_two_sides_and_nothing_else_has() {
        for (first, second, wanted) in [
            ("Snare Top.wav", "Snare Bottom.wav", true),
            ("Kick In.wav", "KickOut.wav", true),
            ("Snare.wav", "Snare Bot.wav", true),
            ("Floor Tom Top.wav", "Floor Tom Btm.wav", true),
            ("Snare Top.wav", "Snare Top 2.wav", false),
            ("Snare Top.wav", "Kick Out.wav", false),
            ("Overheads L.wav", "Overheads R.wav", false),
            ("Bass DI.wav", "Bass Amp.wav", false),
            ("Organ Top.wav", "Organ Bottom.wav", false),
            ("Kick.wav", "Kick Out.wav", false),
        ] {
            assert_eq!(two_sides_of_a_skin(first, second), wanted, "{first} {second}");
            assert_eq!(two_sides_of_a_skin(second, first), wanted, "{second} {first}");
        }
    }

    #[test]
    fn names_say_who_belongs_together() {
        for (first, second, wanted) in [
            ("Gtr L.wav", "Gtr R.wav", Some(NameRelation::Sides)),
            ("Bass DI.wav", "Bass Amp.wav", Some(NameRelation::Versions)),
            ("Lead Vox.wav", "Lead Vox Wet.wav", Some(NameRelation::Versions)),
            ("Kick In.wav", "Kick Out.wav", Some(NameRelation::Family)),
            ("Snare Top.wav", "Overheads.wav", Some(NameRelation::Family)),
            ("Gtr 1.wav", "Gtr 2.wav", Some(NameRelation::Family)),
            ("a/Gtr 1.wav", "b/Gtr 1.wav", Some(NameRelation::Family)),
            ("Zither 1.wav", "Zither 2.wav", Some(NameRelation::Family)),
            ("Bass.wav", "Kick.wav", None),
            ("Lead Vox.wav", "Piano.wav", None),
            ("Audio 01.wav", "Take 07.wav", None),
        ] {
            let (a, b) = (ComparedName::of(first), ComparedName::of(second));
            assert_eq!(name_relation(&a, &b), wanted, "{first} {second}");
            assert_eq!(name_relation(&b, &a), wanted, "{second} {first}");
        }
    }
}
