//! What a stem will need of an engine: memory and time, for its limits. Generous, since an engine ends what exceeds them.

use loadin_session::{ReferenceKind, is_reference};
use serde::Serialize;

use crate::facts::FileFacts;
use crate::survey::Scope;

/// What one unit of work, on one stem or for a whole plan, will need at most.
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

/// A sketch (`loadin_audio::Sketch`) takes this for each of its first 20 minutes.
const SKETCH_BYTES_PER_SECOND: u64 = 12_000;
const SKETCH_SECONDS: u64 = 20 * 60;

/// It is drawn, packed and read back.
const SKETCHES_OF_A_SURVEY: u64 = 3;

/// A plan holds the cross-spectra of the pairs of a stem's family (half of 24 at most, of 131 kB).
const PAIRS_BYTES: u64 = 12 * 131_072;

/// To find a stem in a rough mix, both are transformed at full length: eight buffers of two 6 kHz streams in single precision,
/// rounded up to an easy size.
const LOCATE_BYTES_PER_SECOND: u64 = 8 * 4 * 16_000;

/// What stems explain of a rough mix is summed up for each pair of them, in six bands three times in two seconds.
const PAIR_BYTES_PER_SECOND: u64 = 8 * 6 * 3 / 2;

/// Places and pairs that a slow processor finds in a second, counted in stems, or pairs of stems, times seconds of sound.
const STEMS_PER_SECOND: u64 = 200;
const PAIRS_PER_SECOND: u64 = 40_000;

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
    let frames = frames(file);
    let rate = u64::from(format.rate_hz.max(1));
    let most = frames.max(frames.saturating_mul(u64::from(scope.target_hz)) / rate);
    Estimate {
        memory_bytes: BASE_BYTES
            + channels * CHANNEL_BYTES
            + SKETCHES_OF_A_SURVEY * SKETCH_BYTES_PER_SECOND * drawn_seconds(file),
        seconds: BASE_SECONDS + most.saturating_mul(channels) / SAMPLES_PER_SECOND,
    }
}

/// What the plan of a delivery needs: the sketches of all stems at once, and more where a rough mix tells of them.
pub(super) fn of_plan(files: &[FileFacts]) -> Estimate {
    let stems = files.len() as u64;
    let drawn: u64 = files.iter().map(drawn_seconds).sum();
    let longest = files.iter().map(drawn_seconds).max().unwrap_or(0);
    let pairs = stems.saturating_mul(stems + 1) / 2;
    let is_rough = |file: &FileFacts| is_reference(&file.path) == Some(ReferenceKind::RoughMix);
    let (rough_bytes, rough_seconds) = if files.iter().any(is_rough) {
        let bytes = LOCATE_BYTES_PER_SECOND + pairs.saturating_mul(PAIR_BYTES_PER_SECOND);
        (longest.saturating_mul(bytes), longest.saturating_mul(pairs) / PAIRS_PER_SECOND)
    } else {
        (0, 0)
    };
    Estimate {
        memory_bytes: (BASE_BYTES + drawn * SKETCH_BYTES_PER_SECOND + stems * PAIRS_BYTES)
            .saturating_add(rough_bytes),
        seconds: BASE_SECONDS + drawn / STEMS_PER_SECOND + rough_seconds,
    }
}

fn frames(file: &FileFacts) -> u64 {
    let Ok(format) = &file.format else { return 0 };
    // A compressed file whose header does not tell its length may hold twenty times as many samples as bytes.
    format.frames.unwrap_or(file.bytes.saturating_mul(20) / u64::from(format.channels).max(1))
}

/// How many seconds of a file its sketch has.
fn drawn_seconds(file: &FileFacts) -> u64 {
    let rate = file.format.as_ref().map_or(1, |format| u64::from(format.rate_hz.max(1)));
    (frames(file) / rate).min(SKETCH_SECONDS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::FormatFacts;

    fn file(path: &str, seconds: u64) -> FileFacts {
        let format = FormatFacts {
            container: "WAV".to_owned(),
            codec: "PCM".to_owned(),
            rate_hz: 48_000,
            channels: 2,
            bits: 24,
            float: false,
            lossy: false,
            channel_mask: None,
            frames: Some(48_000 * seconds),
            timestamp_frames: None,
            repairs: Vec::new(),
        };
        FileFacts { path: path.to_owned(), bytes: 48_000 * 6 * seconds, format: Ok(format) }
    }

    #[test]
    fn a_plan_is_asked_for_what_all_stems_take_at_once() {
        let song = |stems: u64| (0..stems).map(|stem| file(&format!("{stem}.wav"), 240)).collect::<Vec<_>>();
        let (few, many) = (of_plan(&song(4)), of_plan(&song(40)));
        assert!(many.memory_bytes - few.memory_bytes >= 36 * 240 * SKETCH_BYTES_PER_SECOND);
        let mut with_rough_mix = song(40);
        with_rough_mix.push(file("Rough Mix.wav", 240));
        let with_rough_mix = of_plan(&with_rough_mix);
        // Measured by tests/slurm/overhead.py: 221 MB.
        assert!((300 << 20..500 << 20).contains(&with_rough_mix.memory_bytes), "{with_rough_mix:?}");
        assert!(with_rough_mix.memory_bytes > many.memory_bytes + (100 << 20));
    }

    #[test]
    fn a_sketch_ends_and_so_does_what_it_is_asked_for() {
        let day = of_plan(&[file("a.wav", 24 * 3600)]);
        assert_eq!(day.memory_bytes, of_plan(&[file("a.wav", SKETCH_SECONDS)]).memory_bytes);
        let unreadable = FileFacts { format: Err("no audio".to_owned()), ..file("b.wav", 60) };
        assert_eq!(of_plan(&[unreadable]).memory_bytes, BASE_BYTES + PAIRS_BYTES);
    }
}
