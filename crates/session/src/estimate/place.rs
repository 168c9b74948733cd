//! When a place that a correlation has found may be believed. Knows nothing of how it was found.

/// How clear a place is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlaceFit {
    /// Height of the best peak relative to the next best.
    pub peak_ratio: f64,
    /// Height of the best peak relative to the root mean square of all others.
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

/// Whether the place is sure to the frame. What is not is left alone: a stem in a wrong place is worse than one that
/// a person has to place.
pub fn is_sure(fit: &PlaceFit) -> bool {
    fit.peak_ratio >= LEAST_RATIO
        && fit.rise >= LEAST_RISE
        && fit.uncertainty_frames <= MOST_UNCERTAINTY_FRAMES
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
        assert!(!is_sure(&PlaceFit { uncertainty_frames: 0.8, ..sure }));
    }
}
