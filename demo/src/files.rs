//! Sound into bytes of the containers that the delivery has.

use std::io::Cursor;

use aifc::{AifcWriteInfo, AifcWriter, FileFormat, SampleFormat};
use loadin_audio::Block;
use loadin_codec::{Bext, SampleKind, WavSpec, WavWriter};

use crate::band::Channels;
use crate::{Error, flac};

/// Full scale is ±1; rounds to the nearest integer of `bits` bits, without dither.
fn integers(channel: &[f64], bits: u32) -> Vec<i32> {
    let scale = f64::from(1u32 << (bits - 1));
    channel
        .iter()
        .map(|sample| (sample * scale).round_ties_even().clamp(-scale, scale - 1.0) as i32)
        .collect()
}

fn interleaved(channels: &Channels, bits: u32) -> Vec<i32> {
    let integers: Vec<Vec<i32>> = channels.iter().map(|channel| integers(channel, bits)).collect();
    (0..integers[0].len()).flat_map(|frame| integers.iter().map(move |channel| channel[frame])).collect()
}

/// A Broadcast WAV file with a time stamp in frames since midnight (EBU Tech 3285).
pub(crate) fn stamped_wav(
    channels: &Channels,
    rate_hz: u32,
    kind: SampleKind,
    stamp: u64,
) -> Result<Vec<u8>, Error> {
    let mut bext = Bext::new("", "loadin demo");
    bext.time_reference = stamp;
    let spec = WavSpec {
        rate_hz,
        channels: channels.len() as u16,
        kind,
        frames: channels[0].len() as u64,
        channel_mask: None,
        bext: Some(bext),
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut writer = WavWriter::new(Vec::new(), spec)?;
    if kind.is_float() {
        writer.write_floats(&Block::from_channels(channels.clone()))?;
    } else {
        writer.write_ints(&interleaved(channels, kind.bits()))?;
    }
    Ok(writer.finish()?)
}

/// A plain WAV file.
pub(crate) fn plain_wav(channels: &Channels, rate_hz: u32, bits: u16) -> Result<Vec<u8>, Error> {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: bits,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::new());
    let mut writer = hound::WavWriter::new(&mut bytes, spec)?;
    for sample in interleaved(channels, u32::from(bits)) {
        writer.write_sample(sample)?;
    }
    writer.finalize()?;
    Ok(bytes.into_inner())
}

/// An AIFF file of 16 bits.
pub(crate) fn aiff(channels: &Channels, rate_hz: u32) -> Result<Vec<u8>, Error> {
    let info = AifcWriteInfo {
        file_format: FileFormat::Aiff,
        channels: channels.len() as i16,
        sample_rate: f64::from(rate_hz),
        sample_format: SampleFormat::I16,
    };
    let samples: Vec<i16> = interleaved(channels, 16).into_iter().map(|sample| sample as i16).collect();
    let mut writer = AifcWriter::new(Cursor::new(Vec::new()), &info).map_err(Error::Aiff)?;
    writer.write_samples_i16(&samples).map_err(Error::Aiff)?;
    writer.finalize().map_err(Error::Aiff)?;
    Ok(writer.into_inner().into_inner())
}

/// A FLAC file.
pub(crate) fn flac(channels: &Channels, rate_hz: u32, bits: u32) -> Vec<u8> {
    let channels: Vec<Vec<i32>> = channels.iter().map(|channel| integers(channel, bits)).collect();
    flac::encode(&channels, rate_hz, bits)
}

/// The companion that some systems leave beside a file on a foreign volume: a header of AppleSingle/AppleDouble
/// version 2 (RFC 1740, appendix) with empty finder information.
pub(crate) fn apple_double() -> Vec<u8> {
    let mut bytes = vec![0x00, 0x05, 0x16, 0x07, 0x00, 0x02, 0x00, 0x00];
    bytes.extend([0; 16]);
    bytes.extend([0, 1]);
    for field in [9u32, 38, 32] {
        bytes.extend(field.to_be_bytes());
    }
    bytes.extend([0; 32]);
    bytes
}

/// A folder's view settings as some systems leave them: the marks at its start, and nothing set.
pub(crate) fn view_settings() -> Vec<u8> {
    let mut bytes = b"\x00\x00\x00\x01Bud1".to_vec();
    bytes.resize(4096, 0);
    bytes
}
