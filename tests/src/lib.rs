//! Shared set-up of the black-box and reference tests: deliveries that are made on the spot.

pub mod mutants;
mod random;

use std::fs;
use std::path::{Path, PathBuf};

use loadin_audio::Block;
use loadin_codec::{Bext, SampleKind, WavSpec, WavWriter};

pub use random::Random;

/// A delivery in a temporary folder that goes away with it.
pub struct Delivery {
    folder: tempfile::TempDir,
    name: String,
}

/// A 64-bit float WAV file with a time stamp in frames since midnight.
///
/// # Panics
/// When it cannot be made.
pub fn stamped_wav(name: &str, rate_hz: u32, stamp: u64, channels: &[Vec<f64>]) -> Vec<u8> {
    let mut bext = Bext::new(name, "test");
    bext.time_reference = stamp;
    let spec = WavSpec {
        rate_hz,
        channels: channels.len() as u16,
        kind: SampleKind::F64,
        frames: channels[0].len() as u64,
        channel_mask: None,
        bext: Some(bext),
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut writer = WavWriter::new(Vec::new(), spec).expect("a header");
    writer.write_floats(&Block::from_channels(channels.to_vec())).expect("samples");
    writer.finish().expect("a finished file")
}

impl Delivery {
    /// An empty delivery called `name`.
    ///
    /// # Panics
    /// When the temporary folder cannot be made.
    pub fn new(name: &str) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        fs::create_dir(folder.path().join(name)).expect("a folder in it");
        Self { folder, name: name.to_owned() }
    }

    /// The delivery's folder.
    pub fn path(&self) -> PathBuf {
        self.folder.path().join(&self.name)
    }

    /// A place for outputs beside it.
    pub fn out(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Writes a file of any content.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn file(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.path().join(name);
        fs::create_dir_all(path.parent().expect("a file has a folder")).expect("the folder of a file");
        fs::write(&path, bytes).expect("a file");
        path
    }

    /// Writes a WAV file of 16, 24 or 32-bit integers through hound; samples are held at full scale.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn wav(&self, name: &str, rate_hz: u32, bits: u16, channels: &[Vec<f64>]) -> PathBuf {
        let spec = hound::WavSpec {
            channels: channels.len() as u16,
            sample_rate: rate_hz,
            bits_per_sample: bits,
            sample_format: hound::SampleFormat::Int,
        };
        let path = self.file(name, &[]);
        let full = 2f64.powi(i32::from(bits) - 1);
        let mut writer = hound::WavWriter::create(&path, spec).expect("a WAV file");
        for frame in 0..channels[0].len() {
            for channel in channels {
                let code = (channel[frame] * full).round().clamp(-full, full - 1.0);
                writer.write_sample(code as i32).expect("a sample");
            }
        }
        writer.finalize().expect("a finished WAV file");
        path
    }

    /// Writes a 32-bit float WAV file through hound.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn float_wav(&self, name: &str, rate_hz: u32, channels: &[Vec<f64>]) -> PathBuf {
        let spec = hound::WavSpec {
            channels: channels.len() as u16,
            sample_rate: rate_hz,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let path = self.file(name, &[]);
        let mut writer = hound::WavWriter::create(&path, spec).expect("a WAV file");
        for frame in 0..channels[0].len() {
            for channel in channels {
                writer.write_sample(channel[frame] as f32).expect("a sample");
            }
        }
        writer.finalize().expect("a finished WAV file");
        path
    }

    /// Writes a 64-bit float WAV file with a time stamp.
    ///
    /// # Panics
    /// When it cannot be written.
    pub fn stamped(&self, name: &str, rate_hz: u32, stamp: u64, channels: &[Vec<f64>]) -> PathBuf {
        self.file(name, &stamped_wav(name, rate_hz, stamp, channels))
    }
}

/// Every sample of a file, planar, as our own reader gives it.
///
/// # Panics
/// When the file cannot be read.
pub fn samples(path: &Path) -> Vec<Vec<f64>> {
    let mut decoder = loadin_codec::open(fs::File::open(path).expect("a file"), true).expect("audio");
    let mut block = Block::default();
    let mut all = vec![Vec::new(); usize::from(decoder.format().channels)];
    while decoder.next_block(&mut block).expect("samples") {
        for (whole, part) in all.iter_mut().zip(block.iter()) {
            whole.extend_from_slice(part);
        }
    }
    all
}

/// Every sample of an integer WAV file as hound reads it, planar, as codes.
///
/// # Panics
/// When hound cannot read it.
pub fn codes(path: &Path) -> Vec<Vec<i32>> {
    let mut reader = hound::WavReader::open(path).expect("a WAV file that hound reads");
    let count = usize::from(reader.spec().channels);
    let mut all = vec![Vec::new(); count];
    for (index, sample) in reader.samples::<i32>().enumerate() {
        all[index % count].push(sample.expect("a sample"));
    }
    all
}
