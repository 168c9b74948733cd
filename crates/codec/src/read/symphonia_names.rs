//! What symphonia says of a stream and of its failures, in our words. Decides nothing about them.

use symphonia::core::audio::Channels;
use symphonia::core::codecs::audio::{AudioCodecId, AudioCodecParameters, well_known as ids};
use symphonia::core::errors::Error as Failure;

use crate::{Codec, Container, Error};

/// A failure of the library as an error of ours.
pub(crate) fn error(failure: Failure) -> Error {
    match failure {
        Failure::IoError(error) if error.kind() != std::io::ErrorKind::UnexpectedEof => Error::Io(error),
        Failure::Unsupported(what) => Error::unsupported(what),
        other => Error::malformed(other.to_string(), 0),
    }
}

/// There is a reader for more containers than there are decoders.
pub(crate) fn no_decoder(failure: Failure, container: Container, id: AudioCodecId) -> Error {
    match failure {
        Failure::Unsupported(_) if id == ids::CODEC_ID_OPUS => {
            Error::unsupported(format!("{container} with Opus"))
        }
        Failure::Unsupported(_) => {
            Error::unsupported(format!("{container} with a codec that has no decoder here"))
        }
        other => error(other),
    }
}

/// The codec.
pub(crate) fn codec(id: AudioCodecId) -> Codec {
    match id {
        ids::CODEC_ID_FLAC => Codec::Flac,
        ids::CODEC_ID_ALAC => Codec::Alac,
        ids::CODEC_ID_MP3 => Codec::Mp3,
        ids::CODEC_ID_AAC => Codec::Aac,
        ids::CODEC_ID_VORBIS => Codec::Vorbis,
        ids::CODEC_ID_ADPCM_MS | ids::CODEC_ID_ADPCM_IMA_WAV | ids::CODEC_ID_ADPCM_IMA_QT => Codec::Adpcm,
        ids::CODEC_ID_PCM_ALAW => Codec::ALaw,
        ids::CODEC_ID_PCM_MULAW => Codec::MuLaw,
        ids::CODEC_ID_PCM_F32LE
        | ids::CODEC_ID_PCM_F32BE
        | ids::CODEC_ID_PCM_F64LE
        | ids::CODEC_ID_PCM_F64BE => Codec::PcmFloat,
        ids::CODEC_ID_PCM_S16LE
        | ids::CODEC_ID_PCM_S16BE
        | ids::CODEC_ID_PCM_S24LE
        | ids::CODEC_ID_PCM_S24BE
        | ids::CODEC_ID_PCM_S32LE
        | ids::CODEC_ID_PCM_S32BE
        | ids::CODEC_ID_PCM_S8
        | ids::CODEC_ID_PCM_U8 => Codec::PcmInt,
        _ => Codec::Other,
    }
}

/// The speakers of more than two channels; the bits of symphonia's positions are those of WAV's mask, and it gives the
/// channels in the order of WAV whatever the codec's own is.
pub(crate) fn speaker_mask(channels: &Channels) -> Option<u32> {
    match channels {
        Channels::Positioned(positions) if channels.count() > 2 => u32::try_from(positions.bits()).ok(),
        _ => None,
    }
}

/// Valid bits; those of ALAC stand in its configuration (`ALACSpecificConfig`, byte 5), which readers leave alone.
pub(crate) fn bits(params: &AudioCodecParameters, codec: Codec) -> u16 {
    let stated = params.bits_per_sample.filter(|bits| (1..=64).contains(bits)).map(|bits| bits as u16);
    let config = params.extra_data.as_deref().filter(|config| codec == Codec::Alac && config.len() >= 24);
    config.map(|config| u16::from(config[5])).filter(|bits| (16..=32).contains(bits)).or(stated).unwrap_or(24)
}
