//! When a place that a correlation has found may be believed. Knows nothing of how it was found.

/// How clear a place is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceFit {
    /// Height of the best peak relative to the next best.
    pub peak_ratio: f64,
    /// Height of the best peak relative to the root mean square of what is usual elsewhere.
    pub rise: f64,
    /// Standard deviation of the place in frames.
    pub uncertainty_frames: f64,
}

/// Loops and choruses that repeat have peaks of nearly one height.
const LEAST_RATIO: f64 = 1.5;

/// The highest of a million random values lies at 5 times their root mean square (normal distribution, arithmetic).
const LEAST_RISE: f64 = 9.0;

/// Three times this is less than a frame.
const MOST_UNCERTAINTY_FRAMES: f64 = 0.3;

/// One of several that have to agree within two frames may be less sure.
const MOST_UNCERTAINTY_OF_SEVERAL_FRAMES: f64 = 0.5;

/// Whether the place is sure to the frame. What is not is left alone: a stem in a wrong place is worse than one that
/// a person has to place.
pub fn is_sure(fit: &PlaceFit) -> bool {
    is_clear(fit, MOST_UNCERTAINTY_FRAMES)
}

/// Whether the place is clear enough to be asked beside others, of which several have to say the same.
pub fn is_sure_beside_others(fit: &PlaceFit) -> bool {
    is_clear(fit, MOST_UNCERTAINTY_OF_SEVERAL_FRAMES)
}

fn is_clear(fit: &PlaceFit, most_frames: f64) -> bool {
    fit.peak_ratio >= LEAST_RATIO && fit.rise >= LEAST_RISE && fit.uncertainty_frames <= most_frames
}

/// How much a stream leaves of a mix at its best place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettledFit {
    /// What it explains of the mix where it sounds, 0 to 1.
    pub explained: f64,
    /// What the next best place leaves, relative to what this one leaves.
    pub left: f64,
    /// Standard deviation of the place in frames.
    pub uncertainty_frames: f64,
}

/// A stem that explains less than this of what it was found in may stand beside something else, or elsewhere.
const LEAST_EXPLAINED: f64 = 0.8;

/// The next best place leaves so many times as much: by judgement.
const LEAST_LEFT: f64 = 3.0;

/// Whether a stem explains what is there, wherever exactly it stands.
pub fn is_explained(fit: &SettledFit) -> bool {
    fit.explained >= LEAST_EXPLAINED
}

/// Whether the place is sure to the frame by what is left without the stem.
pub fn is_settled(fit: &SettledFit) -> bool {
    is_explained(fit) && fit.left >= LEAST_LEFT && fit.uncertainty_frames <= MOST_UNCERTAINTY_FRAMES
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_doubt_alone_is_enough() {
        let sure = PlaceFit { peak_ratio: 3.0, rise: 20.0, uncertainty_frames: 0.1 };
        assert!(is_sure(&sure));
        assert!(!is_sure(&PlaceFit { peak_ratio: 1.2, ..sure }));
        assert!(!is_sure(&PlaceFit { rise: 6.0, ..sure }));
        assert!(!is_sure(&PlaceFit { uncertainty_frames: 0.4, ..sure }));
        assert!(is_sure_beside_others(&PlaceFit { uncertainty_frames: 0.4, ..sure }));
        assert!(!is_sure_beside_others(&PlaceFit { uncertainty_frames: 0.8, ..sure }));
        assert!(!is_sure_beside_others(&PlaceFit { peak_ratio: 1.2, ..sure }));
        let sure = SettledFit { explained: 0.99, left: 9.0, uncertainty_frames: 0.1 };
        assert!(is_settled(&sure) && is_explained(&sure));
        assert!(!is_settled(&SettledFit { explained: 0.6, ..sure }));
        assert!(!is_settled(&SettledFit { left: 1.5, ..sure }));
        assert!(!is_settled(&SettledFit { uncertainty_frames: 0.8, ..sure }));
        assert!(is_explained(&SettledFit { left: 1.0, uncertainty_frames: 2.0, ..sure }));
        assert!(!is_explained(&SettledFit { explained: 0.6, ..sure }));
    }
}
