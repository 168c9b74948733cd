//! Mono files that look like the two sides of one stereo stem. Knows names and what headers say, and no sound.
//!
//! Two sides start together: sound that one of them has later is a place, and joining must not move it. A side that ends
//! earlier is a shorter side: recorders and exports cut silence from the end of a file.

use crate::token::{stem_of, tokens};

/// What must be known of a file to judge a pair.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PairInput {
    /// Path inside the delivery.
    pub name: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Frames; 0 where they cannot be read.
    pub frames: u64,
    /// Time stamp in frames since midnight, where the file has one.
    pub timestamp_frames: Option<u64>,
    /// Channel count.
    pub channels: u16,
    /// Whether the codec is lossy.
    pub lossy: bool,
}

/// Two files whose names differ in nothing but their side.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SidePair {
    /// Index of the left one.
    pub left: usize,
    /// Index of the right one.
    pub right: usize,
    /// Why they cannot be one stem, where that is so.
    pub refused: Option<String>,
}

#[derive(PartialEq, Eq, Clone, Copy)]
enum Side {
    Left,
    Right,
}

/// The name without its side, and the side: the last word must be it, since "R" elsewhere may be "rhythm".
fn side_of(path: &str) -> Option<(String, Side)> {
    let mut words: Vec<String> = tokens(stem_of(path)).into_iter().map(|token| token.key).collect();
    let side = match words.pop()?.as_str() {
        "l" | "left" => Side::Left,
        "r" | "right" => Side::Right,
        _ => return None,
    };
    let folder = path.rsplit_once('/').map_or("", |(folder, _)| folder);
    (!words.is_empty()).then(|| (format!("{folder}/{}", words.join(" ")), side))
}

/// Finds the pairs, in the order of their left halves. A name that occurs twice on one side makes no pair.
pub fn side_pairs(inputs: &[PairInput]) -> Vec<SidePair> {
    let sides: Vec<Option<(String, Side)>> = inputs.iter().map(|input| side_of(&input.name)).collect();
    let members = |base: &str, side: Side| -> Vec<usize> {
        let matches =
            |entry: &Option<(String, Side)>| entry.as_ref().is_some_and(|(b, s)| b == base && *s == side);
        (0..sides.len()).filter(|&index| matches(&sides[index])).collect()
    };
    let mut pairs = Vec::new();
    for (index, entry) in sides.iter().enumerate() {
        let Some((base, Side::Left)) = entry else { continue };
        if let ([left], [right]) = (&members(base, Side::Left)[..], &members(base, Side::Right)[..]) {
            debug_assert_eq!(*left, index, "the only left half");
            let (l, r) = (&inputs[*left], &inputs[*right]);
            if l.channels == 1 && r.channels == 1 {
                pairs.push(SidePair { left: *left, right: *right, refused: refusal(l, r) });
            }
        }
    }
    pairs
}

/// Why two files cannot be one stem; `None` where they can.
pub fn refusal(left: &PairInput, right: &PairInput) -> Option<String> {
    if left.rate_hz != right.rate_hz {
        return Some(format!("their rates are {} Hz and {} Hz", left.rate_hz, right.rate_hz));
    }
    if left.frames == 0 || right.frames == 0 {
        return Some("one of them has no frame that can be read".to_owned());
    }
    // Who has no stamp starts with the earliest, and no stamp is earlier than 0.
    let (start, other) = (left.timestamp_frames.unwrap_or(0), right.timestamp_frames.unwrap_or(0));
    if start != other {
        let seconds = |frames: u64| frames as f64 / f64::from(left.rate_hz.max(1));
        return Some(match (left.timestamp_frames, right.timestamp_frames) {
            (Some(_), Some(_)) => {
                let (apart, late) =
                    (seconds(start.abs_diff(other)), if start > other { "left" } else { "right" });
                format!(
                    "by their time stamps the {late} one starts {apart:.3} s later ({} frames)",
                    start.abs_diff(other)
                )
            }
            _ => "only one of them has a time stamp".to_owned(),
        });
    }
    (left.lossy || right.lossy).then(|| "one of them was stored with a lossy codec".to_owned())
}

/// The path of a stem that both sides make: that of its left half without the side. `None` where it names none.
pub fn without_side(path: &str) -> Option<String> {
    side_of(path)?;
    let (folder, name) = path.rsplit_once('/').map_or(("", path), |(folder, name)| (folder, name));
    let stem = stem_of(name);
    let side = tokens(stem).pop()?.text;
    let bare = stem.strip_suffix(&side)?.trim_end_matches(|c: char| !c.is_alphanumeric());
    let slash = if folder.is_empty() { "" } else { "/" };
    Some(format!("{folder}{slash}{bare}{}", &name[stem.len()..]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input(name: &str, frames: u64) -> PairInput {
        let timestamp_frames = None;
        PairInput {
            name: name.to_owned(),
            rate_hz: 48_000,
            frames,
            timestamp_frames,
            channels: 1,
            lossy: false,
        }
    }

    /// Whether two sides with these stamps are one stem, and why not.
    fn refused(left: Option<u64>, right: Option<u64>) -> Option<String> {
        let side = |name: &str, timestamp_frames| PairInput { timestamp_frames, ..input(name, 9) };
        side_pairs(&[side("Pad L.wav", left), side("Pad R.wav", right)])[0].refused.clone()
    }

    #[test]
    fn sides_that_start_apart_are_two_stems() {
        for (left, right) in [(None, None), (Some(7), Some(7)), (Some(0), None), (None, Some(0))] {
            assert_eq!(refused(left, right), None, "{left:?} {right:?}");
        }
        let later = "by their time stamps the right one starts 1.000 s later (48000 frames)";
        assert_eq!(refused(Some(7), Some(48_007)).as_deref(), Some(later));
        let later = "by their time stamps the left one starts 0.000 s later (1 frames)";
        assert_eq!(refused(Some(8), Some(7)).as_deref(), Some(later));
        assert_eq!(refused(None, Some(7)).as_deref(), Some("only one of them has a time stamp"));
    }

    #[test]
    fn a_joined_stem_is_named_without_a_side() {
        for (path, name) in [
            ("Pad L.wav", Some("Pad.wav")),
            ("a.b/03 Gtr_Left.aif", Some("a.b/03 Gtr.aif")),
            ("Pad.L.wav", Some("Pad.wav")),
            ("Pad.R", Some("Pad")),
            ("GtrLeft.wav", Some("Gtr.wav")),
            ("Keys (L).wav", None),
            ("Vox.wav", None),
            ("L.wav", None),
        ] {
            assert_eq!(without_side(path).as_deref(), name, "{path}");
        }
    }

    #[test]
    fn sides_of_one_name_are_a_pair() {
        let found = side_pairs(&[
            input("Pad.L.wav", 9),
            input("Pad.R.wav", 9),
            input("Gtr_Left.wav", 9),
            input("Gtr_Right.wav", 8),
            input("Vox L.wav", 9),
            input("Vox R.wav", 0),
        ]);
        assert_eq!(found[0], SidePair { left: 0, right: 1, refused: None });
        assert_eq!(found[1], SidePair { left: 2, right: 3, refused: None }, "one of them is shorter");
        assert!(found[2].refused.as_ref().is_some_and(|why| why.contains("no frame")));
    }

    #[test]
    fn doubt_makes_no_pair() {
        let lone = [input("Gtr L.wav", 9), input("Keys R.wav", 9), input("L.wav", 9), input("R.wav", 9)];
        assert!(side_pairs(&lone).is_empty());
        let double = [input("Gtr L.wav", 9), input("Gtr_L.wav", 9), input("Gtr R.wav", 9)];
        assert!(side_pairs(&double).is_empty());
        assert!(side_pairs(&[input("a/Gtr L.wav", 9), input("b/Gtr R.wav", 9)]).is_empty());
    }
}
