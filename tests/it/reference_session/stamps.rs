//! Placement against the definition of the time stamp, and against integer arithmetic.

use loadin_session::{PlacementOptions, StartMode, StemTiming, place};
use proptest::prelude::*;

const AUTO: PlacementOptions = PlacementOptions { mode: StartMode::Auto, max_implied_silence_seconds: 900.0 };

/// A stem of a minute.
fn stem(stamp: u64, rate_hz: u32) -> StemTiming {
    StemTiming { timestamp_frames: Some(stamp), rate_hz, frames: u64::from(rate_hz) * 60, reference: false }
}

/// EBU Tech 3285 v2, `TimeReference`: "the first sample count since midnight", at the file's own rate. One hour is
/// 158 760 000 frames at 44.1 kHz, 172 800 000 at 48 kHz and 345 600 000 at 96 kHz (arithmetic).
#[test]
fn one_hour_is_one_hour_at_every_rate() {
    let stems = [
        stem(158_760_000, 44_100),
        stem(172_800_000, 48_000),
        stem(345_600_000, 96_000),
        stem(172_800_000 + 24_000, 48_000),
        stem(158_760_000 + 22_050, 44_100),
    ];
    let placement = place(&stems, &AUTO);
    assert!(placement.uses_stamps() && placement.refused().is_none());
    for rate_hz in [44_100, 48_000, 88_200, 96_000, 192_000] {
        let starts: Vec<i64> = (0..5).map(|index| placement.start_in(index, rate_hz)).collect();
        assert_eq!(starts, [0, 0, 0, i64::from(rate_hz) / 2, i64::from(rate_hz) / 2]);
    }
}

/// The last frame of a day at 192 kHz, 16 588 799 999, needs more than 32 bits (arithmetic).
#[test]
fn the_end_of_the_day_is_exact() {
    let last = 86_400 * 192_000 - 1;
    let stems = [stem(last - 192_000, 192_000), stem(last, 192_000), stem(last - 192_000, 192_000)];
    let placement = place(&stems, &AUTO);
    assert_eq!((placement.start_in(1, 192_000), placement.start_in(1, 44_100)), (192_000, 44_100));
}

/// Stamps that begin at midnight on some files and at one hour on others: hours of silence are never implied
/// (a trap of the trade; common practice, no source).
#[test]
fn an_hour_of_silence_is_never_implied() {
    let stems = [stem(0, 48_000), stem(0, 48_000), stem(172_800_000, 48_000)];
    let placement = place(&stems, &AUTO);
    assert!(!placement.uses_stamps() && placement.refused().is_some());
    assert!((0..3).all(|index| placement.start_in(index, 48_000) == 0));
}

proptest! {
    /// Against integers: each stamp rounded on the clock itself, halves up, so that no stem stands further from its own than
    /// half a frame.
    #[test]
    fn starts_are_exact_rationals(
        base in 0u64..4_000_000_000,
        late in 0u64..30,
        extra in 0u64..96_000,
        rate in prop::sample::select(vec![44_100u32, 48_000, 88_200, 96_000]),
        to in prop::sample::select(vec![44_100u32, 48_000, 96_000, 192_000]),
    ) {
        let stamp_of_late = base * u64::from(rate) / 48_000 + late * u64::from(rate) + extra + 1;
        let stems = [stem(base, 48_000), stem(base, 48_000), stem(stamp_of_late, rate)];
        let placement = place(&stems, &AUTO);
        let (own, origin) = (i128::from(rate), 48_000);
        let numerator = i128::from(stamp_of_late) * origin - i128::from(base) * own;
        let denominator = own * origin;
        let nearest = |frames: u64, hz: i128| (2 * i128::from(frames) * i128::from(to) + hz).div_euclid(2 * hz);
        let wanted = nearest(stamp_of_late, own) - nearest(base, origin);
        // Starts less than a millisecond apart count as one, and then nothing is moved.
        prop_assume!(numerator * 1000 > 2 * denominator);
        prop_assert_eq!(i128::from(placement.start_in(2, to)), wanted);
    }
}
