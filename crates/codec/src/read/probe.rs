//! Hands a file to symphonia, and gets a reader, a track and a decoder for it. Knows nothing of what is decoded.

use std::io::{Read, Seek};
use std::panic::{AssertUnwindSafe, catch_unwind};

use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Failure;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream, MediaSourceStreamOptions};
use symphonia::core::meta::MetadataOptions;

use crate::read::symphonia_names::{error, no_decoder};
use crate::{Container, Error};

/// A source as symphonia wants it.
struct Source<R> {
    inner: R,
    /// The length; `None` makes it a stream, for which no reader guesses how long it plays.
    bytes: Option<u64>,
}

impl<R: Read> Read for Source<R> {
    fn read(&mut self, bytes: &mut [u8]) -> std::io::Result<usize> {
        self.inner.read(bytes)
    }
}

impl<R: Seek> Seek for Source<R> {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        self.inner.seek(to)
    }
}

impl<R: Read + Seek + Send + Sync> MediaSource for Source<R> {
    fn is_seekable(&self) -> bool {
        self.bytes.is_some()
    }

    fn byte_len(&self) -> Option<u64> {
        self.bytes
    }
}

/// Runs a call into the library; a panic in it is a malformed file.
pub(super) fn guarded<T>(call: impl FnOnce() -> Result<T, Failure>) -> Result<T, Failure> {
    catch_unwind(AssertUnwindSafe(call)).unwrap_or(Err(Failure::DecodeError("the decoder gave up")))
}

/// A file in which symphonia has found sound.
pub(super) struct Probed {
    pub(super) reader: Box<dyn FormatReader>,
    pub(super) decoder: Box<dyn AudioDecoder>,
    pub(super) track: Track,
}

/// What the track says of its codec.
pub(super) fn audio_parameters(track: &Track) -> Result<&AudioCodecParameters, Error> {
    track.codec_params.as_ref().and_then(|params| params.audio()).ok_or(Error::NoAudio)
}

/// Looks for sound in a file of `bytes` bytes; without a length, no reader guesses how long it plays.
pub(super) fn probe<R: Read + Seek + Send + Sync + 'static>(
    source: R,
    bytes: Option<u64>,
    container: Container,
) -> Result<Probed, Error> {
    let source = Box::new(Source { inner: source, bytes });
    let stream = MediaSourceStream::new(source, MediaSourceStreamOptions::default());
    let (format_options, metadata_options) = (FormatOptions::default(), MetadataOptions::default());
    let reader = guarded(|| {
        symphonia::default::get_probe().probe(&Hint::new(), stream, format_options, metadata_options)
    })
    .map_err(error)?;
    let track = reader.default_track(TrackType::Audio).ok_or(Error::NoAudio)?.clone();
    let params = audio_parameters(&track)?;
    let options = AudioDecoderOptions::default();
    let decoder = guarded(|| symphonia::default::get_codecs().make_audio_decoder(params, &options))
        .map_err(|failure| no_decoder(failure, container, params.codec))?;
    Ok(Probed { reader, decoder, track })
}
