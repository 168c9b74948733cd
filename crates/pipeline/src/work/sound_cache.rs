//! Sound that is kept between survey and render where making it again would cost much: out of a compressed file. What has no
//! room, or only slow memory, is decoded again, with the same result.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use loadin_audio::Block;
use loadin_codec::Metadata;
use loadin_record::survey::FormatFacts;
use memmap2::MmapMut;

/// A place for sound, of limited room. Clones are one cache.
#[derive(Debug, Clone, Default)]
pub struct SoundCache {
    free_bytes: Arc<AtomicU64>,
    /// Memory has turned out to be slower than making sound again.
    closed: Arc<AtomicBool>,
    kept: Arc<Mutex<BTreeMap<String, CachedSound>>>,
}

/// Bytes that are taken from the cache until this is dropped.
#[derive(Debug)]
struct Room {
    free_bytes: Arc<AtomicU64>,
    bytes: u64,
}

impl Drop for Room {
    fn drop(&mut self) {
        self.free_bytes.fetch_add(self.bytes, Ordering::Relaxed);
    }
}

/// The sound of one stem, while it is being surveyed.
#[derive(Debug)]
pub(crate) struct CacheWriter {
    _room: Room,
    closed: Arc<AtomicBool>,
    /// Time that putting has taken.
    spent: Duration,
    channels: usize,
    /// Frames that there is room for, and those that are there.
    most: usize,
    frames: usize,
    /// All frames of one channel, then those of the next.
    samples: MmapMut,
}

/// The sound of one stem as it was delivered.
#[derive(Debug)]
pub(crate) struct CachedSound {
    pub(crate) metadata: Metadata,
    writer: CacheWriter,
    /// Frames that are rendered already.
    given: usize,
}

/// Frames that are given at once.
const BLOCK_FRAMES: usize = 2048;

/// Memory that takes sound more slowly than this, in bytes a second, is dearer than making the sound again: the host of a
/// virtual machine may have to find it first. Memory at hand is five times as fast (measured, DEVELOPERS.md).
const SLOWEST: f64 = 1e9;

/// Bytes after which memory is judged.
const TRIAL_BYTES: u64 = 16 << 20;

fn is_slow(bytes: u64, spent: Duration) -> bool {
    bytes >= TRIAL_BYTES && bytes as f64 / SLOWEST < spent.as_secs_f64()
}

fn block_bytes(channels: usize, frames: u64) -> u64 {
    frames.saturating_mul(channels as u64 * size_of::<f64>() as u64)
}

impl SoundCache {
    /// A cache for this many bytes of sound; 0 keeps nothing.
    pub fn new(bytes: u64) -> Self {
        Self { free_bytes: Arc::new(AtomicU64::new(bytes)), ..Self::default() }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, CachedSound>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A writer for the sound of a file, where keeping it pays and there is room for all of it.
    pub(crate) fn writer(&self, format: &FormatFacts) -> Option<CacheWriter> {
        let pays = !format.is_pcm() && !self.closed.load(Ordering::Relaxed);
        let frames = format.frames.filter(|&frames| pays && frames > 0)?;
        let bytes = block_bytes(usize::from(format.channels), frames);
        let take = |free: u64| free.checked_sub(bytes);
        self.free_bytes.fetch_update(Ordering::Relaxed, Ordering::Relaxed, take).ok()?;
        let room = Room { free_bytes: Arc::clone(&self.free_bytes), bytes };
        let closed = Arc::clone(&self.closed);
        CacheWriter::new(room, closed, usize::from(format.channels), usize::try_from(frames).ok()?)
    }

    /// Keeps the sound of a surveyed file.
    pub(crate) fn keep(&self, path: &str, writer: CacheWriter, metadata: Metadata) {
        let kept = CachedSound { metadata, writer, given: 0 };
        self.lock().insert(path.to_owned(), kept);
    }

    /// Gives back the sound of a file, where it was kept.
    pub(crate) fn take(&self, path: &str) -> Option<CachedSound> {
        self.lock().remove(path)
    }
}

impl CacheWriter {
    /// Memory of its own: large pages cost the system a fraction of what it takes to clear as many small ones. `None`
    /// where there is none.
    fn new(room: Room, closed: Arc<AtomicBool>, channels: usize, most: usize) -> Option<Self> {
        let samples = MmapMut::map_anon(usize::try_from(room.bytes).ok()?).ok()?;
        #[cfg(target_os = "linux")]
        // Without large pages it is as good, only slower.
        let _ = samples.advise(memmap2::Advice::HugePage);
        Some(Self { _room: room, closed, spent: Duration::ZERO, channels, most, frames: 0, samples })
    }

    /// Adds the next frames; false when there are more than the header said, and so no room, or when memory is slow.
    pub(crate) fn put(&mut self, block: &Block) -> bool {
        let (from, to) = (self.frames, self.frames + block.frames());
        if to > self.most || block.channels() != self.channels {
            return false;
        }
        let begun = Instant::now();
        let samples: &mut [f64] = bytemuck::cast_slice_mut(&mut self.samples);
        for (own, channel) in samples.chunks_exact_mut(self.most).zip(block.iter()) {
            own[from..to].copy_from_slice(channel);
        }
        self.frames = to;
        self.spent += begun.elapsed();
        let slow = is_slow(block_bytes(self.channels, to as u64), self.spent);
        if slow {
            self.closed.store(true, Ordering::Relaxed);
        }
        !slow
    }
}

impl CachedSound {
    /// Fills `block` with the next frames; none at the end.
    pub(crate) fn next(&mut self, block: &mut Block) {
        let CacheWriter { channels, most, frames, samples, .. } = &self.writer;
        let samples: &[f64] = bytemuck::cast_slice(samples);
        let (from, to) = (self.given, (self.given + BLOCK_FRAMES).min(*frames));
        block.set_channels(*channels);
        block.fill_with(to - from, |index, out| {
            out.copy_from_slice(&samples[index * most + from..index * most + to]);
        });
        self.given = to;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn format(codec: &str, frames: Option<u64>) -> FormatFacts {
        FormatFacts {
            container: "FLAC".to_owned(),
            codec: codec.to_owned(),
            rate_hz: 48_000,
            channels: 2,
            bits: 24,
            float: false,
            lossy: false,
            channel_mask: None,
            frames,
            timestamp_frames: None,
            markers: Vec::new(),
            repairs: Vec::new(),
        }
    }

    #[test]
    fn only_what_is_dear_and_fits_is_kept() {
        let sound_cache = SoundCache::new(16 * 1000);
        let writer = |codec: &str, frames: Option<u64>| sound_cache.writer(&format(codec, frames));
        assert!(writer("PCM", Some(100)).is_none(), "cheap to read again");
        assert!(writer("FLAC", None).is_none(), "nobody knows how much it is");
        assert!(writer("FLAC", Some(0)).is_none(), "nothing");
        assert!(writer("FLAC", Some(1001)).is_none(), "1 001 frames do not fit");
        let first = writer("FLAC", Some(800)).unwrap();
        assert!(writer("FLAC", Some(800)).is_none(), "the room is taken");
        drop(first);
        assert!(writer("FLAC", Some(800)).is_some(), "and free again");
    }

    #[test]
    fn slow_memory_closes_the_cache() {
        let ms = Duration::from_millis;
        assert!(!is_slow(TRIAL_BYTES - 1, ms(9999)), "too early to say");
        assert!(!is_slow(100_000_000, ms(99)) && is_slow(100_000_000, ms(101)));
        let sound_cache = SoundCache::new(1 << 30);
        let stem = format("FLAC", Some(4_000_000));
        let mut writer = sound_cache.writer(&stem).unwrap();
        writer.spent = ms(9999);
        let block = Block::silence(2, 1 << 19);
        assert!(writer.put(&block), "half of a trial");
        assert!(!writer.put(&block));
        assert!(sound_cache.writer(&stem).is_none());
    }

    #[test]
    fn more_than_the_header_said_is_not_kept() {
        let sound_cache = SoundCache::new(1 << 20);
        let mut writer = sound_cache.writer(&format("FLAC", Some(20))).unwrap();
        assert!(writer.put(&Block::silence(2, 20)));
        assert!(!writer.put(&Block::silence(2, 1)));
    }
}
