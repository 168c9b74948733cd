//! Files as a client gives them: short sounds of many kinds, and bytes that are no sound. It knows no program.

use std::io::Cursor;
use std::sync::Arc;

use loadin_audio::signal;
use loadin_tests::{Random, stamped_wav};
use sha2::{Digest, Sha256};

/// When the stamped stems of a delivery begin, in seconds since midnight.
const TAKE_SECONDS: f64 = 36.0;

/// A file of a delivery.
#[derive(Debug, Clone)]
pub(super) struct Given {
    pub(super) bytes: Arc<Vec<u8>>,
    /// Digest of the bytes.
    pub(super) sha256: String,
    /// Whether it is sound.
    pub(super) readable: bool,
    /// Whether it says when it begins.
    pub(super) stamped: bool,
    /// What it is, in a few words.
    pub(super) words: String,
}

/// SHA-256 in hex, by a library that is not the program's.
pub(super) fn sha256(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Given {
    fn new(bytes: Vec<u8>, readable: bool, stamped: bool, words: String) -> Self {
        Self { sha256: sha256(&bytes), bytes: Arc::new(bytes), readable, stamped, words }
    }

    /// Something that no reader takes for a whole file, drawn: a header alone, noise, or a torn file.
    pub(super) fn unreadable(draw: &mut Random) -> Self {
        let (bytes, words) = match draw.below(3) {
            0 => (b"RIFF\x10\0\0\0WAVE".to_vec(), "a header alone"),
            1 => ((0..500).map(|_| draw.number() as u8 | 0x80).collect(), "bytes that are no sound"),
            _ => {
                let whole = Sound::draw(draw).given().bytes;
                (whole[..whole.len() * 2 / 3].to_vec(), "a torn file")
            }
        };
        // No two are equal, as no two broken transfers are.
        let bytes = [bytes, draw.number().to_le_bytes()[..7].iter().map(|b| b | 0x80).collect()].concat();
        Self::new(bytes, false, false, words.to_owned())
    }
}

/// A sound to be written.
#[derive(Debug, Clone)]
pub(super) struct Sound {
    pub(super) rate_hz: u32,
    pub(super) bits: u16,
    /// Two that differ where it is 2.
    pub(super) channels: usize,
    pub(super) seconds: f64,
    /// Digital silence before it.
    pub(super) lead_seconds: f64,
    pub(super) level: f64,
    pub(super) dc: f64,
    /// When it begins, after the others' time.
    pub(super) stamp_seconds: Option<f64>,
    pub(super) seed: u64,
}

impl Sound {
    /// A plain sound: mono, 24 bits, 48 kHz, without a stamp.
    pub(super) fn plain(seed: u64) -> Self {
        Self {
            rate_hz: 48_000,
            bits: 24,
            channels: 1,
            seconds: 0.4,
            lead_seconds: 0.1,
            level: 0.1,
            dc: 0.0,
            stamp_seconds: None,
            seed,
        }
    }

    /// Any sound.
    pub(super) fn draw(draw: &mut Random) -> Self {
        let seed = draw.number();
        Self {
            rate_hz: if draw.once_in(4) { 44_100 } else { 48_000 },
            bits: if draw.once_in(3) { 16 } else { 24 },
            channels: 1 + usize::from(draw.once_in(3)),
            seconds: 0.2 + 0.01 * draw.below(60) as f64,
            lead_seconds: 0.05 * draw.below(4) as f64,
            level: 0.02 + 0.03 * draw.below(8) as f64,
            dc: if draw.once_in(5) { 0.01 } else { 0.0 },
            stamp_seconds: None,
            seed,
        }
    }

    /// The file.
    pub(super) fn given(&self) -> Given {
        let frames = (self.seconds * f64::from(self.rate_hz)) as usize;
        let lead = (self.lead_seconds * f64::from(self.rate_hz)) as usize;
        let channel = |number: usize| {
            let mut samples = vec![0.0; lead];
            let noise = signal::noise(self.seed.wrapping_add(number as u64), self.level, frames);
            samples.extend(noise.iter().map(|sample| sample + self.dc));
            samples
        };
        let channels: Vec<Vec<f64>> = (0..self.channels).map(channel).collect();
        let bytes = match self.stamp_seconds {
            None => integers(self, &channels),
            Some(seconds) => stamped(self, seconds, &channels),
        };
        Given::new(bytes, true, self.stamp_seconds.is_some(), self.words())
    }

    fn words(&self) -> String {
        let stamp = self.stamp_seconds.map_or_else(String::new, |at| format!(", stamped {at:+.2} s"));
        format!(
            "{:.2} s + {:.2} s, {} Hz, {} ch, {} bits, level {:.2}, dc {:.2}{stamp}",
            self.lead_seconds, self.seconds, self.rate_hz, self.channels, self.bits, self.level, self.dc
        )
    }
}

fn integers(sound: &Sound, channels: &[Vec<f64>]) -> Vec<u8> {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: sound.rate_hz,
        bits_per_sample: sound.bits,
        sample_format: hound::SampleFormat::Int,
    };
    let full = 2f64.powi(i32::from(sound.bits) - 1);
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec).unwrap();
    for frame in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample((channel[frame] * full).round() as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
    bytes.into_inner()
}

fn stamped(sound: &Sound, seconds: f64, channels: &[Vec<f64>]) -> Vec<u8> {
    let stamp = ((TAKE_SECONDS + seconds) * f64::from(sound.rate_hz)).round() as u64;
    stamped_wav("take", sound.rate_hz, stamp, channels)
}
