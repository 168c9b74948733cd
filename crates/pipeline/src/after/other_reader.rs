//! The independent reader of AIFF, CAF and FLAC outputs: symphonia, without any of our own code around it.

use std::fs::File;

use symphonia::core::audio::GenericAudioBufferRef as Samples;
use symphonia::core::codecs::audio::AudioDecoderOptions;
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, TrackType};
use symphonia::core::io::{MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use crate::after::sound_read::{SoundRead, SoundReadError};

/// Decodes the file; the digest that FLAC carries is checked as well.
pub(super) fn read(file: File) -> Result<SoundRead, SoundReadError> {
    let failed = |cause: Error| SoundReadError::RefusedBySymphonia { cause };
    let stream = MediaSourceStream::new(Box::new(file), MediaSourceStreamOptions::default());
    let mut reader = symphonia::default::get_probe()
        .probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(failed)?;
    let track = reader.default_track(TrackType::Audio).ok_or(SoundReadError::NoSound)?;
    let params = track.codec_params.as_ref().and_then(|params| params.audio());
    let params = params.ok_or(SoundReadError::NoSound)?.clone();
    let options = AudioDecoderOptions::default().verify(true);
    let mut decoder =
        symphonia::default::get_codecs().make_audio_decoder(&params, &options).map_err(failed)?;
    let mut read = SoundRead {
        rate_hz: params.sample_rate.unwrap_or(0),
        channels: params.channels.map_or(0, |channels| channels.count() as u16),
        bits: params.bits_per_sample.unwrap_or(0) as u16,
        float: false,
        frames: 0,
        peak: 0.0,
    };
    let mut samples = Vec::new();
    while let Some(packet) = reader.next_packet().map_err(failed)? {
        let decoded = decoder.decode(&packet).map_err(failed)?;
        match decoded {
            Samples::F32(_) => (read.float, read.bits) = (true, 32),
            Samples::F64(_) => (read.float, read.bits) = (true, 64),
            _ => {}
        }
        read.frames += decoded.frames() as u64;
        decoded.copy_to_vec_interleaved::<f64>(&mut samples);
        read.peak = samples.iter().fold(read.peak, |peak, sample| peak.max(sample.abs()));
    }
    if decoder.finalize().verify_ok == Some(false) {
        return Err(SoundReadError::OtherDigest);
    }
    Ok(read)
}
