//! The files that are changed: small, of every container whose structure is known here, with what stands beside samples.

use std::fs;
use std::path::Path;

use loadin_audio::{Block, signal};
use loadin_codec::{Bext, Chunk, SampleKind, SoundWriter, Target, WavSpec};

use super::layout::{Family, Part, Parts};

/// A file without a fault.
#[derive(Debug, Clone)]
pub struct Seed {
    /// What it is, for people.
    pub name: &'static str,
    /// The extension of its name.
    pub extension: &'static str,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// How its chunks are written; FLAC has none of these.
    pub(super) family: Option<Family>,
}

/// The head of a file with something of every kind beside its samples.
pub fn head(kind: SampleKind, channels: u16, frames: usize) -> WavSpec {
    let chunk = |id: &[u8; 4], bytes: &[u8]| Chunk { id: *id, bytes: bytes.to_vec() };
    WavSpec {
        rate_hz: 48_000,
        channels,
        kind,
        frames: frames as u64,
        channel_mask: None,
        bext: Some(Bext::new("invented", "test")),
        chunks_before: vec![chunk(b"iXML", b"<BWFXML><NOTE>x</NOTE></BWFXML>")],
        chunks_after: vec![
            chunk(b"cue ", &[vec![1, 0, 0, 0, 7, 0, 0, 0, 9], vec![0; 19]].concat()),
            chunk(b"LIST", b"INFOINAM\x04\0\0\0one\0"),
        ],
    }
}

fn written(target: Target, kind: SampleKind, channels: u16, frames: usize) -> Vec<u8> {
    let mut file = Vec::new();
    let mut writer = SoundWriter::new(&mut file, target, head(kind, channels, frames)).expect("a head");
    let noise = signal::noise(u64::from(channels), 0.4, frames * usize::from(channels));
    if kind.is_float() {
        let channels = noise.chunks(frames).map(<[f64]>::to_vec).collect();
        writer.write_floats(&Block::from_channels(channels)).expect("samples");
    } else {
        let full = 2f64.powi(kind.bits() as i32 - 1);
        let codes: Vec<i32> = noise.iter().map(|sample| (sample * full) as i32).collect();
        writer.write_ints(&codes).expect("samples");
    }
    writer.finish().expect("a file");
    file
}

/// Bytes for samples, since no writer of ours makes them.
fn bytes_wav() -> Parts {
    let mut parts = Parts::of(Family::Riff, &written(Target::Wav, SampleKind::I16, 1, 501));
    let bytes = signal::noise(3, 0.4, 501).iter().map(|sample| (sample * 127.0 + 128.0) as u8).collect();
    let mut format = vec![1, 0, 1, 0];
    format.extend(48_000u32.to_le_bytes());
    format.extend(48_000u32.to_le_bytes());
    format.extend([1, 0, 8, 0]);
    for part in &mut parts.chunks {
        match &part.id[..] {
            b"fmt " => *part = Part::new(Family::Riff, *b"fmt ", format.clone()),
            b"data" => *part = Part::new(Family::Riff, *b"data", Vec::clone(&bytes)),
            _ => {}
        }
    }
    parts
}

/// With the samples last: libsndfile takes what stands behind them in Wave64 for samples.
fn up_to_samples(wav: &[u8]) -> Parts {
    let mut parts = Parts::of(Family::Riff, wav);
    let sound = parts.chunks.iter().position(Part::is_sound).expect("samples");
    parts.chunks.truncate(sound + 1);
    parts
}

/// ITU-R BS.2088, section 3.2: the sizes stand in a chunk of their own. libsndfile knows few others in this form.
fn rf64(wav: &[u8]) -> Parts {
    let mut parts = up_to_samples(wav);
    parts.form = b"RF64".to_vec();
    parts.chunks.retain(|part| matches!(&part.id[..], b"fmt " | b"bext" | b"data"));
    let sound = parts.chunks.len() - 1;
    let data = parts.chunks[sound].body.len() as u64;
    parts.chunks.insert(0, Part::new(Family::Riff, *b"ds64", vec![0; 28]));
    let riff = parts.to_bytes().len() as u64 - 8;
    parts.chunks[0].body[..8].copy_from_slice(&riff.to_le_bytes());
    parts.chunks[0].body[8..16].copy_from_slice(&data.to_le_bytes());
    parts.form_size = Some(u64::from(u32::MAX));
    parts.chunks[sound + 1].stated = Some(u64::from(u32::MAX));
    parts
}

/// All seeds; mutants of each are made by turns.
pub fn seeds() -> Vec<Seed> {
    let data = Path::new(env!("CARGO_MANIFEST_DIR")).join("it/reference_codec/data");
    let file = |name: &str| fs::read(data.join(name)).expect("a file of the reference tests");
    let seed = |name, extension, family, bytes| Seed { name, extension, bytes, family };
    let wav = |kind, channels| written(Target::Wav, kind, channels, 501);
    let riff = Some(Family::Riff);
    vec![
        seed("WAV of 16 bits", "wav", riff, wav(SampleKind::I16, 1)),
        seed("RF64", "wav", riff, rf64(&wav(SampleKind::I24, 2)).to_bytes()),
        seed("AIFF of 16 bits", "aif", Some(Family::Aiff), written(Target::Aiff, SampleKind::I16, 2, 501)),
        seed("CAF of 24 bits", "caf", Some(Family::Caf), written(Target::Caf, SampleKind::I24, 1, 501)),
        seed("FLAC of 16 bits", "flac", None, written(Target::Flac, SampleKind::I16, 2, 9_001)),
        seed("WAV of 24 bits", "wav", riff, wav(SampleKind::I24, 2)),
        seed(
            "Wave64",
            "w64",
            Some(Family::Wave64),
            up_to_samples(&wav(SampleKind::I16, 2)).in_wave64().to_bytes(),
        ),
        seed("AIFF-C of floats", "aif", Some(Family::Aiff), written(Target::Aiff, SampleKind::F32, 1, 501)),
        seed("CAF of floats", "caf", Some(Family::Caf), written(Target::Caf, SampleKind::F32, 2, 501)),
        seed("FLAC of 24 bits", "flac", None, written(Target::Flac, SampleKind::I24, 1, 5_001)),
        seed("WAV of floats", "wav", riff, wav(SampleKind::F32, 1)),
        seed("WAV of bytes", "wav", riff, bytes_wav().to_bytes()),
        seed("AIFF with markers", "aif", Some(Family::Aiff), file("beside.aif")),
        seed("CAF with markers", "caf", Some(Family::Caf), file("beside.caf")),
        seed("FLAC with markers", "flac", None, file("beside.flac")),
        seed("WAV of three channels", "wav", riff, wav(SampleKind::I32, 3)),
    ]
}
