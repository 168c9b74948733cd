//! What a stem will need of an engine: memory and time, for its limits. Generous, since an engine ends what exceeds them.

use loadin_audio::Decimator;
use loadin_record::survey::{FileFacts, Scope};
use loadin_session::{ReferenceKind, is_reference};
use serde::Serialize;

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

/// A sketch (`loadin_audio::Sketch`) has the first 20 minutes: a code of two bytes a sample, and 20 bytes for 512 of them.
const SKETCH_SECONDS: u64 = 20 * 60;
const SKETCH_BYTES: f64 = 2.0 + 20.0 / 512.0;

/// It is drawn, packed and read back.
const SKETCHES_OF_A_SURVEY: f64 = 3.0;

/// A plan holds the cross-spectra of the pairs of a stem's family (half of 24 at most, of 131 kB).
const PAIRS_BYTES: u64 = 12 * 131_072;

/// For the tempo the stems of each of seven parts are added up, in single precision, with as much for what is made of it.
const PARTS: u64 = 7;
const PART_BYTES: f64 = 2.0 * 4.0;

/// To find a stem in a rough mix, both are transformed at full length: eleven buffers in single precision of twice the
/// samples, rounded up by a third to an easy size.
const LOCATE_BYTES: f64 = 11.0 * 4.0 * 2.0 * 4.0 / 3.0;

/// A rough mix is taken apart into what is explained and what is left, and the moves of its level are taken back: windows that
/// overlap (four numbers a sample), the signals themselves (six), and a transform of up to twice the samples (three of two).
const APART_BYTES: f64 = 16.0 * 4.0;

/// What stems explain of a rough mix is summed up for each pair of them, in six bands, every 4096 samples; before and after the
/// moves of its level are taken back.
const PAIR_BYTES: f64 = 2.0 * 8.0 * 6.0 / 4096.0;

/// Places and pairs that a slow processor finds in a second, counted in stems, or pairs of stems, times seconds of sound.
const STEMS_PER_SECOND: u64 = 200;
const PAIRS_PER_SECOND: u64 = 40_000;

/// Seconds that starting, listing and waiting for a busy share may take.
const BASE_SECONDS: u64 = 30;

/// Samples a second that a slow processor on a busy share still does; the benches give ten times as many with resampling
/// (69 MB of 24-bit sound a second).
const SAMPLES_PER_SECOND: u64 = 2_000_000;

/// What one survey, or one render, of a listed file needs.
pub(super) fn of(file: &FileFacts, scope: &Scope) -> Estimate {
    let Ok(format) = &file.format else {
        return Estimate { memory_bytes: BASE_BYTES, seconds: BASE_SECONDS };
    };
    let channels = u64::from(format.channels).max(1);
    let frames = frames(file);
    let rate = u64::from(format.rate_hz.max(1));
    let most = frames.max(frames.saturating_mul(u64::from(scope.target_hz)) / rate);
    let sketches = SKETCHES_OF_A_SURVEY * SKETCH_BYTES * drawn_samples(file, scope);
    Estimate {
        memory_bytes: BASE_BYTES + channels * CHANNEL_BYTES + sketches as u64,
        seconds: BASE_SECONDS + most.saturating_mul(channels) / SAMPLES_PER_SECOND,
    }
}

/// What the plan of a delivery needs: the sketches of all stems at once, and more where a rough mix tells of them.
pub(super) fn of_plan(files: &[FileFacts], scopes: &[Scope]) -> Estimate {
    let stems = files.len() as u64;
    let pairs = stems.saturating_mul(stems + 1) / 2;
    let drawn = || files.iter().zip(scopes).map(|(file, scope)| drawn_samples(file, scope));
    let seconds = || files.iter().map(drawn_seconds);
    let longest = drawn().fold(0.0, f64::max);
    let mut bytes = drawn().sum::<f64>() * SKETCH_BYTES + longest * PART_BYTES * stems.min(PARTS) as f64;
    let mut estimate = Estimate {
        memory_bytes: BASE_BYTES + stems * PAIRS_BYTES,
        seconds: BASE_SECONDS + seconds().sum::<u64>() / STEMS_PER_SECOND,
    };
    if files.iter().any(|file| is_reference(&file.path) == Some(ReferenceKind::RoughMix)) {
        bytes += longest * (LOCATE_BYTES + APART_BYTES + PAIR_BYTES * pairs as f64);
        estimate.seconds += seconds().max().unwrap_or(0).saturating_mul(pairs) / PAIRS_PER_SECOND;
    }
    estimate.memory_bytes += bytes as u64;
    estimate
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

fn drawn_samples(file: &FileFacts, scope: &Scope) -> f64 {
    let rate_hz = scope.target_hz.max(1);
    drawn_seconds(file) as f64 * f64::from(rate_hz) / f64::from(Decimator::factor(rate_hz))
}

#[cfg(test)]
mod tests {
    use loadin_record::survey::{FormatFacts, Unusable};

    use super::*;

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
            markers: Vec::new(),
            repairs: Vec::new(),
        };
        FileFacts { path: path.to_owned(), bytes: 48_000 * 6 * seconds, format: Ok(format), unread: false }
    }

    fn plan(files: &[FileFacts]) -> u64 {
        let scopes =
            vec![Scope { target_hz: 48_000, loudness: true, subtract: Vec::new(), phase: 0 }; files.len()];
        of_plan(files, &scopes).memory_bytes
    }

    #[test]
    fn a_plan_is_asked_for_what_all_stems_take_at_once() {
        let song = |stems: u64| (0..stems).map(|stem| file(&format!("{stem}.wav"), 240)).collect::<Vec<_>>();
        let (few, many) = (plan(&song(4)), plan(&song(40)));
        assert!(many - few >= 36 * 240 * 12_000, "two bytes at 6 kHz");
        let mut with_rough_mix = song(40);
        with_rough_mix.push(file("Rough Mix.wav", 240));
        let with_rough_mix = plan(&with_rough_mix);
        // Measured by tests/slurm/overhead.py with sketches at 8 kHz: 221 MB.
        assert!((300 << 20..600 << 20).contains(&with_rough_mix), "{with_rough_mix}");
        assert!(with_rough_mix > many + (100 << 20));
    }

    #[test]
    fn a_sketch_ends_and_so_does_what_it_is_asked_for() {
        assert_eq!(plan(&[file("a.wav", 24 * 3600)]), plan(&[file("a.wav", SKETCH_SECONDS)]));
        let unreadable = FileFacts { format: Err(Unusable("no audio".to_owned())), ..file("b.wav", 60) };
        assert_eq!(plan(&[unreadable]), BASE_BYTES + PAIRS_BYTES);
    }
}
