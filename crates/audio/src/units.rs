//! Units: decibels, frame counts at two rates. Knows no sound.

/// A level or a change of level in decibels (20 log10 of an amplitude ratio).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Decibels(pub f64);

impl Decibels {
    /// The amplitude ratio: 0 dB is 1, +6.0206 dB is 2.
    pub fn ratio(self) -> f64 {
        libm::pow(10.0, self.0 / 20.0)
    }

    /// From an amplitude ratio; 0 gives minus infinity.
    pub fn from_ratio(ratio: f64) -> Self {
        Self(20.0 * libm::log10(ratio.abs()))
    }
}

/// `frames` at `from_hz`, counted at `to_hz`: rounded to the nearest, halves up, in integers.
///
/// Every length and position of the project is moved between rates by this one function.
pub fn rescale_frames(frames: u64, from_hz: u32, to_hz: u32) -> u64 {
    let (from, to) = (u128::from(from_hz), u128::from(to_hz));
    let scaled = (u128::from(frames) * to + from / 2) / from;
    u64::try_from(scaled).unwrap_or(u64::MAX)
}

/// The least and the greatest rate in Hz that is read or written.
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// The same value, but zero for minus zero, which floats from files may hold: which of the two a minimum takes is the
/// processor's to say.
pub(crate) fn unsigned_zero(value: f64) -> f64 {
    value + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ratios of the level table: arithmetic, no source needed.
    #[test]
    fn six_decibels_are_about_a_factor_of_two() {
        assert!((Decibels(6.0).ratio() - 1.995_262_315).abs() < 1e-9);
        assert!((Decibels::from_ratio(2.0).0 - 6.020_599_913).abs() < 1e-9);
        assert!(Decibels::from_ratio(0.0).0.is_infinite());
    }

    #[test]
    fn lengths_round_to_the_nearest_frame() {
        assert_eq!(rescale_frames(147, 44_100, 48_000), 160);
        assert_eq!(rescale_frames(1, 44_100, 48_000), 1);
        assert_eq!(rescale_frames(48_000 * 3600, 48_000, 44_100), 44_100 * 3600);
    }
}
