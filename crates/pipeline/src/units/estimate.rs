//! What a stem will need of an engine: memory and time, for its limits. Generous, since an engine ends what exceeds them.

use serde::Serialize;

use crate::facts::FileFacts;
use crate::survey::Scope;

/// What one unit of work on one stem will need at most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Estimate {
    /// Bytes of memory, with one thread.
    pub memory_bytes: u64,
    /// Seconds on one processor.
    pub seconds: u64,
}

/// Program, buffers and the thread of one stem; measured: 15 MB at most for stereo, resampled (`tests/slurm/overhead.py`).
const BASE_BYTES: u64 = 32 << 20;

/// Envelope, blocks and filters of one channel: more than the whole of a stereo stem was seen to take.
const CHANNEL_BYTES: u64 = 8 << 20;

/// A sketch (`loadin_audio::Sketch`) takes 12 kB a second for its first 20 minutes; it is drawn, packed and read back.
const SKETCH_BYTES_PER_SECOND: u64 = 3 * 12_000;
const SKETCH_SECONDS: u64 = 20 * 60;

/// Seconds that starting, listing and waiting for a busy share may take.
const BASE_SECONDS: u64 = 30;

/// Samples a second that a slow processor on a busy share still does; the benches give ten times as many with resampling
/// (69 MB of 24-bit sound a second).
const SAMPLES_PER_SECOND: u64 = 2_000_000;

/// What one survey, or one render, of a listed file needs.
pub(super) fn of(file: &FileFacts, scope: Scope) -> Estimate {
    let Ok(format) = &file.format else {
        return Estimate { memory_bytes: BASE_BYTES, seconds: BASE_SECONDS };
    };
    let channels = u64::from(format.channels).max(1);
    // A compressed file whose header does not tell its length may hold twenty times as many samples as bytes.
    let frames = format.frames.unwrap_or(file.bytes.saturating_mul(20) / channels);
    let rate = u64::from(format.rate_hz.max(1));
    let sounding = frames / rate;
    let frames = frames.max(frames.saturating_mul(u64::from(scope.target_hz)) / rate);
    Estimate {
        memory_bytes: BASE_BYTES
            + channels * CHANNEL_BYTES
            + SKETCH_BYTES_PER_SECOND * sounding.min(SKETCH_SECONDS),
        seconds: BASE_SECONDS + frames.saturating_mul(channels) / SAMPLES_PER_SECOND,
    }
}
