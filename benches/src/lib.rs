//! Shared set-up of the benches: generated deliveries of 24-bit stereo stems.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use loadin_audio::{Block, Quantiser, signal};
use loadin_codec::{Error, SampleKind, SoundWriter, Target, WavSpec, WavWriter};
use loadin_pipeline::output::folder::Packaging;
use loadin_pipeline::run::{self, Job};
use loadin_pipeline::work::context::Context;
use loadin_pipeline::work::event::Event;
use loadin_pipeline::work::sound_cache::SoundCache;
use loadin_pipeline::work::stop::Stop;
use loadin_plan::recipe::Recipe;
use loadin_storage::disk::RealDisk;

/// Whether this is `cargo bench`: whoever only compiles the benches wants no gigabyte to be written.
pub fn is_asked() -> bool {
    std::env::args().any(|arg| arg == "--bench")
}

/// A whole run with room for all converted sound, on the current rayon pool.
///
/// # Panics
/// When the delivery cannot be prepared.
pub fn prepare(
    delivery: &Path,
    out: &Path,
    recipe: &Recipe,
    listen: impl Fn(Event<'_>) + Send + Sync + 'static,
) {
    let job = Job {
        song: None,
        delivery,
        out,
        recipe,
        disk: Arc::new(RealDisk),
        packaging: Packaging::Plain,
        relink: false,
        renew: &[],
        batch: false,
        work: Context {
            sound_cache: SoundCache::new(1 << 30),
            ..Context::new(Stop::new(), Arc::new(listen))
        },
        papers: &|_, _| Vec::new(),
        started_unix: 0,
    };
    run::prepare(&job).expect("a prepared delivery");
}

/// A stretch of music-like sound: tones that swell, and noise.
pub fn sound(seed: u64, rate_hz: u32, frames: usize) -> Block {
    let hz = 60.0 + 37.0 * seed as f64;
    let tone = signal::sine(hz, 0.25, rate_hz, frames);
    let high = signal::sine(hz * 9.7, 0.05, rate_hz, frames);
    let swell = signal::sine(0.5 + 0.1 * seed as f64, 1.0, rate_hz, frames);
    // Noises of neighbouring seeds are one noise, a sample apart.
    let noise = signal::noise(seed * 100_000_000, 0.04, frames);
    let left: Vec<f64> =
        (0..frames).map(|n| (tone[n] + high[n]) * (0.6 + 0.4 * swell[n]) + noise[n]).collect();
    let right = (0..frames).map(|n| 0.8 * left[(n + frames - 37) % frames] + 0.3 * noise[n]).collect();
    Block::from_channels(vec![left, right])
}

/// A 24-bit stereo WAV file of `seconds`.
pub fn wav_spec(rate_hz: u32, seconds: usize) -> WavSpec {
    WavSpec {
        rate_hz,
        channels: 2,
        kind: SampleKind::I24,
        frames: seconds as u64 * u64::from(rate_hz),
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    }
}

/// Gives the samples of `seconds` in pieces, by repeating ten seconds of sound.
fn pieces(
    piece: &Block,
    rate_hz: u32,
    seconds: usize,
    mut write: impl FnMut(&[i32]) -> Result<(), Error>,
) -> io::Result<()> {
    let mut codes = Vec::new();
    Quantiser::new(24, 2, None).process(piece, &mut codes);
    let mut left = seconds * rate_hz as usize * 2;
    while left > 0 {
        let part = left.min(codes.len());
        write(&codes[..part]).map_err(io::Error::other)?;
        left -= part;
    }
    Ok(())
}

fn ten_seconds(seed: u64, rate_hz: u32) -> Block {
    sound(seed, rate_hz, 10 * rate_hz as usize)
}

/// Writes a 24-bit stereo WAV file of `seconds`.
///
/// # Errors
/// When it cannot be written.
pub fn wav<W: Write>(to: W, seed: u64, rate_hz: u32, seconds: usize) -> io::Result<W> {
    repeated(to, &ten_seconds(seed, rate_hz), rate_hz, seconds)
}

fn repeated<W: Write>(to: W, piece: &Block, rate_hz: u32, seconds: usize) -> io::Result<W> {
    let mut writer = WavWriter::new(to, wav_spec(rate_hz, seconds)).map_err(io::Error::other)?;
    pieces(piece, rate_hz, seconds, |codes| writer.write_ints(codes).map(drop))?;
    writer.finish().map_err(io::Error::other)
}

/// The same sound as a FLAC file in memory.
///
/// # Errors
/// When it cannot be made.
pub fn flac(seed: u64, rate_hz: u32, seconds: usize) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let spec = wav_spec(rate_hz, seconds);
    let mut writer = SoundWriter::new(&mut bytes, Target::Flac, spec).map_err(io::Error::other)?;
    pieces(&ten_seconds(seed, rate_hz), rate_hz, seconds, |codes| writer.write_ints(codes).map(drop))?;
    writer.finish().map_err(io::Error::other)?;
    Ok(bytes)
}

/// Writes such a file to a path.
///
/// # Errors
/// When it cannot be written.
pub fn write_stem(path: &Path, seed: u64, rate_hz: u32, seconds: usize) -> io::Result<()> {
    wav(BufWriter::new(File::create(path)?), seed, rate_hz, seconds).map(drop)
}

/// Writes a delivery of `stems` FLAC files into a folder that exists.
///
/// # Errors
/// When it cannot be written.
pub fn write_flac_delivery(folder: &Path, stems: u64, rate_hz: u32, seconds: usize) -> io::Result<()> {
    (1..=stems).try_for_each(|seed| {
        std::fs::write(folder.join(format!("Stem {seed}.flac")), flac(seed, rate_hz, seconds)?)
    })
}

/// Writes a delivery of `stems` stems into a folder that exists.
///
/// # Errors
/// When it cannot be written.
pub fn write_delivery(folder: &Path, stems: u64, rate_hz: u32, seconds: usize) -> io::Result<()> {
    (1..=stems)
        .try_for_each(|seed| write_stem(&folder.join(format!("Stem {seed}.wav")), seed, rate_hz, seconds))
}

/// A sound with a level that follows its frames.
fn shaped(sound: &Block, level: impl Fn(usize) -> f64) -> Block {
    let channel = |samples: &[f64]| {
        samples.iter().enumerate().map(|(frame, sample)| sample * level(frame)).collect::<Vec<f64>>()
    };
    Block::from_channels(sound.iter().map(channel).collect())
}

/// A sound that never repeats itself: another loudness with every quarter of a second.
fn played(seed: u64, rate_hz: u32, frames: usize) -> Block {
    let quarter = rate_hz as usize / 4;
    let levels = signal::noise(seed * 100_000_000 + 50_000_000, 1.0, frames / quarter + 1);
    shaped(&sound(seed, rate_hz, frames), |frame| levels[frame / quarter].powi(2))
}

/// Writes a delivery of `stems` stems that never repeat themselves, and their sum as `mix`, into a folder that exists.
///
/// # Errors
/// When it cannot be written.
pub fn write_mixed(folder: &Path, mix: &str, stems: u64, rate_hz: u32, seconds: usize) -> io::Result<()> {
    let frames = seconds * rate_hz as usize;
    let mut sum = vec![vec![0.0; frames]; 2];
    let write = |name: &str, block: &Block| {
        repeated(BufWriter::new(File::create(folder.join(name))?), block, rate_hz, seconds).map(drop)
    };
    for seed in 1..=stems {
        let stem = played(seed, rate_hz, frames);
        for (sum, sample) in sum.iter_mut().flatten().zip(stem.iter().flatten()) {
            *sum += sample / stems as f64;
        }
        write(&format!("Stem {seed}.wav"), &stem)?;
    }
    write(mix, &Block::from_channels(sum))
}

/// The stems of a song: name, and how many strokes a second it plays.
pub const SONG: [(&str, f64); 12] = [
    ("Kick", 1.0),
    ("Snare", 1.0),
    ("Hat", 4.0),
    ("Overheads", 2.0),
    ("Bass", 2.0),
    ("Gtr", 0.5),
    ("Keys", 0.5),
    ("Pad", 0.1),
    ("Synth", 4.0),
    ("Lead Vox", 1.5),
    ("BV 1", 0.5),
    ("BV 2", 0.5),
];

/// Writes a song into a folder that exists: sounds that swell and die away with every stroke, and their sum as rough mix.
///
/// # Errors
/// When it cannot be written.
pub fn write_song(folder: &Path, rate_hz: u32, seconds: usize) -> io::Result<()> {
    let mut sum = vec![vec![0.0; 10 * rate_hz as usize]; 2];
    for (seed, (name, strokes)) in (1..).zip(SONG) {
        let dying = |frame: usize| (-6.0 * (frame as f64 * strokes / f64::from(rate_hz)).fract()).exp();
        let played = shaped(&ten_seconds(seed, rate_hz), dying);
        for (sum, channel) in sum.iter_mut().flatten().zip(played.iter().flatten()) {
            *sum += 0.2 * channel;
        }
        let file = BufWriter::new(File::create(folder.join(format!("{name}.wav")))?);
        repeated(file, &played, rate_hz, seconds)?;
    }
    let file = BufWriter::new(File::create(folder.join("Rough Mix.wav"))?);
    repeated(file, &Block::from_channels(sum), rate_hz, seconds).map(drop)
}
