//! Which frames of a compressed stream are its sound, by the numbers of its container. Knows nothing of what is decoded.

use symphonia::core::codecs::audio::AudioCodecParameters;
use symphonia::core::formats::Track;

use crate::Container;
use crate::read::mp4::Edit;

/// More frames than this are a false count: years at any rate.
const MOST_FRAMES: u64 = 1 << 46;

/// Which frames of a stream are its sound.
pub(super) struct Extent {
    /// Whether packet positions count frames.
    pub(super) positions: bool,
    /// Position of the first frame.
    pub(super) first: u64,
    /// How many there are, where the container says so in frames.
    pub(super) frames: Option<u64>,
    /// Whether an edit list says so: then what comes before the first one is decoded and left out.
    pub(super) is_edited: bool,
}

impl Extent {
    pub(super) fn of(
        track: &Track,
        params: &AudioCodecParameters,
        container: Container,
        edit: Option<Edit>,
    ) -> Self {
        // Where a track has a clock of its own, its numbers are no frames.
        let positions = counts_frames(track, params.sample_rate.unwrap_or(0));
        let edit = edit.filter(|_| positions);
        let first = edit.map_or_else(|| first_frame(track, container), |edit| edit.start);
        let counted = track.num_frames.filter(|frames| positions && *frames <= MOST_FRAMES);
        let frames =
            match (counted.map(|frames| frames.saturating_sub(first)), edit.and_then(|edit| edit.frames)) {
                (Some(there), Some(stated)) => Some(there.min(stated)),
                (frames, stated) => frames.or(stated),
            };
        Self { positions, first, frames, is_edited: edit.is_some() }
    }
}

/// An Ogg stream that was cut out of a longer one goes on counting. Elsewhere a first packet that is late is a gap.
fn first_frame(track: &Track, container: Container) -> u64 {
    if container == Container::Ogg { u64::try_from(track.start_ts.get()).unwrap_or(0) } else { 0 }
}

fn counts_frames(track: &Track, rate_hz: u32) -> bool {
    track
        .time_base
        .is_some_and(|base| u64::from(base.numer.get()) * u64::from(rate_hz) == u64::from(base.denom.get()))
}
