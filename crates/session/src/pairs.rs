//! Mono files that look like the two sides of one stereo stem. Knows names and what headers say, and no sound.

use crate::token::{stem_of, tokens};

/// What must be known of a file to judge a pair.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PairInput {
    /// Path inside the delivery.
    pub name: String,
    /// Rate in Hz.
    pub rate_hz: u32,
    /// Frames.
    pub frames: u64,
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

fn refusal(left: &PairInput, right: &PairInput) -> Option<String> {
    if left.rate_hz != right.rate_hz {
        return Some(format!("their rates are {} Hz and {} Hz", left.rate_hz, right.rate_hz));
    }
    if left.frames != right.frames {
        return Some(format!("they are {} and {} frames long", left.frames, right.frames));
    }
    (left.lossy || right.lossy).then(|| "one of them was stored with a lossy codec".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input(name: &str, frames: u64) -> PairInput {
        PairInput { name: name.to_owned(), rate_hz: 48_000, frames, channels: 1, lossy: false }
    }

    #[test]
    fn sides_of_one_name_are_a_pair() {
        let found = side_pairs(&[
            input("Pad.L.wav", 9),
            input("Pad.R.wav", 9),
            input("Gtr_Left.wav", 9),
            input("Gtr_Right.wav", 8),
        ]);
        assert_eq!(found[0], SidePair { left: 0, right: 1, refused: None });
        assert!(found[1].refused.as_ref().is_some_and(|why| why.contains("9 and 8 frames")));
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
