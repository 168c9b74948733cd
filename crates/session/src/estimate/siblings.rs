//! What a correlation between related stems means for a mix. Microphones at different distances are the sound of a
//! recording; the same signal twice at two times is a fault of an export. Both are told apart by name and by likeness.
//! Knows nothing of how the correlation was measured.

use super::name_relation::NameRelation;

/// How two related stems fit together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiblingFit {
    /// How they are related by name.
    pub relation: NameRelation,
    /// By how many frames the second one is later.
    pub lag_frames: i64,
    /// Correlation coefficient at that lag, −1 to 1.
    pub correlation: f64,
    /// Whether they hold the same samples.
    pub same_content: bool,
}

/// What a person should look at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SiblingDoubt {
    /// The same source with a constant delay.
    Offset,
    /// The same source upside down.
    Polarity,
    /// The same sound, though not the same samples.
    NearDuplicate,
}

/// Likeness from which a delay or a turned polarity is worth a finding: common practice, no source.
const ALIKE: f64 = 0.6;

/// Likeness from which two stems hold the same signal whatever their names say. Two microphones on one source stay
/// below it: common practice, no source.
const SAME: f64 = 0.9;

/// Likeness of near duplicates: what differs is 30 dB below (1 − r² of the power, arithmetic).
const NEAR: f64 = 0.9995;

/// One frame may come from the rounding of a rate conversion.
const LEAST_LAG_FRAMES: u64 = 2;

/// Judges one pair.
pub fn sibling_doubts(fit: &SiblingFit) -> Vec<SiblingDoubt> {
    let like = fit.correlation.abs();
    let mut doubts = Vec::new();
    if fit.same_content {
        return doubts;
    }
    let one_signal = like >= SAME || (fit.relation == NameRelation::Versions && like >= ALIKE);
    let late = fit.lag_frames.unsigned_abs() >= LEAST_LAG_FRAMES;
    if one_signal && late {
        doubts.push(SiblingDoubt::Offset);
    }
    if fit.correlation <= -ALIKE {
        doubts.push(SiblingDoubt::Polarity);
    }
    if fit.correlation >= NEAR && !late {
        doubts.push(SiblingDoubt::NearDuplicate);
    }
    doubts
}

#[cfg(test)]
mod tests {
    use super::*;

    fn doubts(relation: NameRelation, lag_frames: i64, correlation: f64) -> Vec<SiblingDoubt> {
        sibling_doubts(&SiblingFit { relation, lag_frames, correlation, same_content: false })
    }

    #[test]
    fn distance_is_sound_and_delay_is_doubt() {
        assert_eq!(doubts(NameRelation::Versions, 257, 0.7), [SiblingDoubt::Offset]);
        assert_eq!(doubts(NameRelation::Family, 140, 0.7), []);
        assert_eq!(doubts(NameRelation::Family, 257, 0.95), [SiblingDoubt::Offset]);
        assert_eq!(doubts(NameRelation::Versions, 1, 0.95), []);
        assert_eq!(doubts(NameRelation::Family, 0, -0.7), [SiblingDoubt::Polarity]);
        assert_eq!(
            doubts(NameRelation::Versions, -64, -0.97),
            [SiblingDoubt::Offset, SiblingDoubt::Polarity]
        );
        assert_eq!(doubts(NameRelation::Family, 0, 0.9999), [SiblingDoubt::NearDuplicate]);
        assert_eq!(doubts(NameRelation::Sides, 0, 0.4), []);
    }

    #[test]
    fn exact_copies_are_said_elsewhere() {
        let fit = SiblingFit {
            relation: NameRelation::Family,
            lag_frames: 0,
            correlation: 1.0,
            same_content: true,
        };
        assert_eq!(sibling_doubts(&fit), []);
    }
}
