//! The fraction of a frame at which a converted sound begins. It knows no sound.

use super::design::is_small;
use super::ratio::Ratio;

/// The phase at which a sound must begin whose first source frame is frame `stamp_frames` of a clock at `from_hz`, where the
/// first converted frame is frame `place_frames` of that clock at `to_hz`: by how many parts of a source frame the converted
/// frame stands later, with `to_hz` over the greatest common divisor of both rates as the parts. It is exact.
///
/// `None` where that is a converted frame or more, or where [`Resampler::is_fixed`](crate::Resampler::is_fixed) says no.
///
/// ```
/// // Frame 1 at 44.1 kHz is frame 160/147 at 48 kHz; frame 1 there stands 13/147 earlier, which is 13/160 at 44.1 kHz.
/// assert_eq!(loadin_audio::starting_phase(1, 1, 44_100, 48_000), Some(-13));
/// assert_eq!(loadin_audio::starting_phase(160, 147, 44_100, 48_000), Some(0));
/// assert_eq!(loadin_audio::starting_phase(3, 1, 44_100, 48_000), None);
/// ```
pub fn starting_phase(place_frames: i64, stamp_frames: u64, from_hz: u32, to_hz: u32) -> Option<i64> {
    let ratio = Ratio::of(from_hz, to_hz);
    if !is_small(ratio) {
        return None;
    }
    let (place, stamp) = (i128::from(place_frames), i128::from(stamp_frames));
    let phase = place * i128::from(ratio.from) - stamp * i128::from(ratio.to);
    i64::try_from(phase).ok().filter(|phase| phase.abs() < i64::from(ratio.from))
}

/// A phase in converted frames.
pub fn phase_frames(phase: i64, from_hz: u32, to_hz: u32) -> f64 {
    phase as f64 / f64::from(Ratio::of(from_hz, to_hz).from)
}
