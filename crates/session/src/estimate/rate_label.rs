//! Stems whose rate label may be wrong: their length differs from the others' by just the ratio of two usual clocks.
//! Knows lengths only, and no sound.

/// A stem's length by its own label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimedStem {
    /// Frames.
    pub frames: u64,
    /// Rate by the label, in Hz.
    pub rate_hz: u32,
}

/// A stem whose label is in doubt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateDoubt {
    /// Index of the stem.
    pub stem: usize,
    /// Its length relative to the others'.
    pub ratio: f64,
    /// The rate at which it would have the others' length, in Hz.
    pub likely_hz: u32,
    /// What the present label does to the pitch, in semitones.
    pub semitones: f64,
}

/// Clocks that are mistaken for each other. 1.001 is the pull-down between film and NTSC video, 1000/1001 (SMPTE ST 12-1).
const RATIOS: &[f64] = &[48.0 / 44.1, 44.1 / 48.0, 1.001, 1.0 / 1.001, 2.0, 0.5];

/// Lengths within this are equal. The ratios lie far enough apart from 10 s on.
const SAME_SECONDS: f64 = 0.001;
const LEAST_SECONDS: f64 = 10.0;

/// So many stems of one length say how long the song is.
const LEAST_STEMS: usize = 3;

/// Finds stems whose length is that of most others but for the ratio of two clocks.
pub fn rate_doubts(stems: &[TimedStem]) -> Vec<RateDoubt> {
    let seconds: Vec<f64> =
        stems.iter().map(|stem| stem.frames as f64 / f64::from(stem.rate_hz.max(1))).collect();
    let near = |a: f64, b: f64| (a - b).abs() <= SAME_SECONDS;
    let alike = |length: f64| seconds.iter().filter(|other| near(**other, length)).count();
    // The first of the most frequent lengths.
    let Some(common) = seconds.iter().copied().rev().max_by_key(|&length| alike(length)) else {
        return Vec::new();
    };
    let many = alike(common);
    if many < LEAST_STEMS || 2 * many <= stems.len() || common < LEAST_SECONDS {
        return Vec::new();
    }
    let doubt = |(stem, length): (usize, &f64)| {
        let ratio = *RATIOS.iter().find(|ratio| near(*length, common * **ratio))?;
        let likely = f64::from(stems[stem].rate_hz) * ratio;
        // A longer stem plays too slowly, and so too low.
        Some(RateDoubt {
            stem,
            ratio,
            likely_hz: likely.round() as u32,
            semitones: -12.0 * libm::log2(ratio),
        })
    };
    seconds.iter().enumerate().filter(|(_, length)| !near(**length, common)).filter_map(doubt).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stems(list: &[(u64, u32)]) -> Vec<TimedStem> {
        list.iter().map(|&(frames, rate_hz)| TimedStem { frames, rate_hz }).collect()
    }

    const SONG: (u64, u32) = (8_640_000, 48_000);

    /// 48 / 44.1 is 1.088 and 1.47 semitones (arithmetic).
    #[test]
    fn a_stem_recorded_at_48_and_labelled_44_1_is_noticed() {
        let found = rate_doubts(&stems(&[SONG, (8_640_000, 44_100), SONG, SONG]));
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].stem, found[0].likely_hz), (1, 48_000));
        assert!((found[0].ratio - 1.0884).abs() < 1e-4 && (found[0].semitones + 1.467).abs() < 1e-3);
    }

    /// 0.1 % of 180 s are 180 ms.
    #[test]
    fn a_pull_down_is_noticed() {
        let found = rate_doubts(&stems(&[SONG, SONG, (8_648_640, 48_000), SONG]));
        assert_eq!((found[0].stem, found[0].likely_hz), (2, 48_048));
    }

    #[test]
    fn other_lengths_and_short_sets_are_no_doubt() {
        assert_eq!(rate_doubts(&stems(&[SONG, SONG, SONG, (8_000_000, 48_000), (7_938_000, 44_100)])), []);
        assert_eq!(rate_doubts(&stems(&[SONG, (8_640_000, 44_100)])), []);
        assert_eq!(rate_doubts(&stems(&[(100, 48_000), (100, 48_000), (100, 48_000), (100, 44_100)])), []);
    }
}
