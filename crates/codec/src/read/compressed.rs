//! Compressed streams, by symphonia: FLAC, ALAC, MP3, AAC, Vorbis, ADPCM.
//!
//! A player skips what it cannot decode; here that would shift all that follows. So the place of every packet is
//! compared with what came before, a gap becomes silence of exactly its length, and it is reported.

use std::io::{Read, Seek};
use std::panic::{AssertUnwindSafe, catch_unwind};

use loadin_audio::Block;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as Failure;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::{MediaSource, MediaSourceStream};
use symphonia::core::meta::MetadataOptions;

use crate::metadata::tags;
use crate::read::mp4;
use crate::read::stream::Damage;
use crate::read::stream_digest::StreamDigest;
use crate::read::symphonia_names::{bits, codec, error, no_decoder, speaker_mask};
use crate::{Chunk, Codec, Container, Error, Format};

/// Silence is put in pieces of this size, so that a false position cannot fill the memory.
const PIECE_FRAMES: u64 = 16_384;

/// A gap longer than this is not a gap but a false position: ten minutes at 192 kHz.
const MOST_GAP_FRAMES: u64 = 192_000 * 600;

/// More frames than this are a false count: years at any rate.
const MOST_FRAMES: u64 = 1 << 46;

/// A stream that symphonia decodes.
pub(crate) struct Compressed {
    reader: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    /// Whether packet positions count frames.
    positions: bool,
    /// Whether decoded packets are exactly as long as their positions say.
    lossless: bool,
    /// Whether the last packet is as long as the sound: nothing is padded.
    exact: bool,
    /// Position of the first frame.
    first: u64,
    frames: Option<u64>,
    given: u64,
    /// Packets that came behind the stated end.
    behind: u32,
    gap: u64,
    /// Frames at the start of the next packet that were given before.
    overlap: usize,
    /// Frames of the stream that are still left out before the sound begins.
    skip: usize,
    planes: Vec<Vec<f64>>,
    next: Next,
    digest: Option<StreamDigest>,
    damage: Vec<Damage>,
}

/// Where the next frames come from, once a gap is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Next {
    /// From a packet that is still to be read.
    Packet,
    /// From the planes.
    Planes,
    /// There are none.
    End,
}

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
fn guarded<T>(call: impl FnOnce() -> Result<T, Failure>) -> Result<T, Failure> {
    catch_unwind(AssertUnwindSafe(call)).unwrap_or(Err(Failure::DecodeError("the decoder gave up")))
}

/// A lossy coder fills up its last packets: as many as these hold nothing but padding at most.
const MOST_PADDED_PACKETS: u32 = 2;

const GOES_ON: &str = "the stream goes on behind its stated end; the rest is left out";

/// Opens a stream of the given container. With `verify`, the stream's own digest is checked where it has one.
pub(crate) fn open<R: Read + Seek + Send + Sync + 'static>(
    mut source: R,
    container: Container,
    verify: bool,
) -> Result<(Format, Compressed), Error> {
    let bytes = source.seek(std::io::SeekFrom::End(0))?;
    let edit = (container == Container::Mp4).then(|| mp4::edit(&mut source)).flatten();
    source.rewind()?;
    // MP3 and ADTS readers estimate the length from the bit rate of a few frames, and cut the sound there.
    let bytes = Some(bytes).filter(|_| !matches!(container, Container::Mp3 | Container::Adts));
    let stream = MediaSourceStream::new(
        Box::new(Source { inner: source, bytes }),
        symphonia::core::io::MediaSourceStreamOptions::default(),
    );
    let reader = guarded(|| {
        symphonia::default::get_probe().probe(
            &Hint::new(),
            stream,
            FormatOptions::default(),
            MetadataOptions::default(),
        )
    })
    .map_err(error)?;
    let track = reader.default_track(TrackType::Audio).ok_or(Error::NoAudio)?.clone();
    let params = track.codec_params.as_ref().and_then(|params| params.audio()).ok_or(Error::NoAudio)?;
    let options = AudioDecoderOptions::default();
    let decoder = guarded(|| symphonia::default::get_codecs().make_audio_decoder(params, &options))
        .map_err(|failure| no_decoder(failure, container, params.codec))?;
    let codec = codec(params.codec);
    let container = match codec {
        // Tags of MP3 files stand before other streams too.
        Codec::Flac if container == Container::Mp3 => Container::Flac,
        Codec::Aac if container == Container::Mp3 => Container::Adts,
        _ => container,
    };
    let rate_hz = params.sample_rate.unwrap_or(0);
    // Where a track has a clock of its own, its numbers are no frames.
    let positions = counts_frames(&track, rate_hz);
    let edit = edit.filter(|_| positions);
    let first = edit.map_or_else(|| first_frame(&track, container), |edit| edit.start);
    let frames = track
        .num_frames
        .filter(|frames| positions && *frames <= MOST_FRAMES)
        .map(|frames| frames.saturating_sub(first));
    let frames = match (frames, edit.and_then(|edit| edit.frames)) {
        (Some(there), Some(stated)) => Some(there.min(stated)),
        (frames, stated) => frames.or(stated),
    };
    // Such a coder always puts something before the sound; a file that does not say how much says no length either.
    let is_unstated = codec == Codec::Aac && edit.is_none();
    let format = Format {
        container,
        codec,
        rate_hz,
        channels: params
            .channels
            .as_ref()
            .map_or(0, |channels| u16::try_from(channels.count()).unwrap_or(u16::MAX)),
        bits: bits(params, codec),
        float: codec == Codec::PcmFloat,
        channel_mask: params.channels.as_ref().and_then(speaker_mask),
        frames: frames.filter(|_| !is_unstated),
    };
    format.check()?;
    if codec == Codec::Vorbis && format.channels > 2 {
        // symphonia 0.6.1 takes coupled channels apart in the wrong order (Vorbis I specification, 4.3.5: the last coupling
        // first), which shows from three channels on.
        return Err(Error::unsupported(format!("Vorbis with {} channels, more than 2", format.channels)));
    }
    let compressed = Compressed {
        reader,
        decoder,
        track: track.id,
        positions,
        lossless: !codec.is_lossy(),
        exact: codec == Codec::Flac,
        first,
        frames,
        given: 0,
        behind: 0,
        gap: 0,
        overlap: 0,
        skip: if edit.is_some() { first as usize } else { 0 },
        planes: Vec::new(),
        next: Next::Packet,
        digest: params
            .extra_data
            .as_deref()
            .filter(|_| verify && codec == Codec::Flac)
            .and_then(StreamDigest::stated),
        damage: Vec::new(),
    };
    Ok((format, compressed))
}

/// An Ogg stream that was cut out of a longer one goes on counting. Elsewhere a first packet that is late is a gap.
fn first_frame(track: &Track, container: Container) -> u64 {
    if container == Container::Ogg { u64::try_from(track.start_ts.get()).unwrap_or(0) } else { 0 }
}

fn counts_frames(track: &Track, rate_hz: u32) -> bool {
    track
        .time_base
        .is_some_and(|base| u64::from(base.numer.get()) * u64::from(rate_hz) == u64::from(base.denom.get()))
}

impl Compressed {
    /// Fills `block`; false at the end.
    pub(crate) fn next_block(&mut self, block: &mut Block, channels: usize) -> Result<bool, Error> {
        block.set_channels(channels);
        block.clear();
        while block.is_empty() {
            if self.gap > 0 {
                let piece = self.gap.min(PIECE_FRAMES);
                block.append_silence(piece as usize);
                self.gap -= piece;
                continue;
            }
            match self.next {
                Next::Packet => self.next_packet(channels)?,
                Next::Planes => self.take_planes(block),
                Next::End => return Ok(false),
            }
        }
        self.given += block.frames() as u64;
        self.digest.iter_mut().for_each(|digest| digest.push(block));
        Ok(true)
    }

    /// The length that the container states, where it counts in frames.
    fn stated_frames(&self) -> Option<u64> {
        self.frames.filter(|_| self.positions)
    }

    /// Frames from here to the stated end: no silence goes beyond it.
    fn room(&self, from: u64) -> u64 {
        self.stated_frames().map_or(u64::MAX, |frames| frames.saturating_sub(from))
    }

    fn take_planes(&mut self, block: &mut Block) {
        self.next = Next::Packet;
        let frames = self.planes.first().map_or(0, Vec::len);
        let skipped = self.skip.min(frames);
        self.skip -= skipped;
        let from = self.overlap.min(frames).max(skipped);
        self.overlap = 0;
        // Encoders pad the last packet; what the container does not count is not sound.
        let to = (frames as u64).min((from as u64).saturating_add(self.room(self.given))) as usize;
        if to < frames && self.exact {
            self.report(0, GOES_ON);
        }
        block.append_slices(&self.planes, from, to);
    }

    fn next_packet(&mut self, channels: usize) -> Result<(), Error> {
        match guarded(|| self.reader.next_packet()) {
            Ok(None) => self.end(None),
            Ok(Some(packet)) if packet.track_id != self.track => {}
            Ok(Some(_)) if self.stated_frames().is_some_and(|frames| self.given >= frames) => {
                self.behind += 1;
                if self.lossless || self.behind > MOST_PADDED_PACKETS {
                    self.report(0, GOES_ON);
                    self.end(None);
                }
            }
            Ok(Some(packet)) => {
                self.compare_position(packet.pts.get())?;
                self.decode(&packet, channels)?;
            }
            Err(Failure::IoError(error)) if error.kind() != std::io::ErrorKind::UnexpectedEof => {
                return Err(error.into());
            }
            Err(failure) => self.end(Some(failure.to_string())),
        }
        Ok(())
    }

    /// A packet that starts later than the last one ended: what lay between is lost. One that starts earlier repeats
    /// what was given.
    fn compare_position(&mut self, start: i64) -> Result<(), Error> {
        let Some(start) = u64::try_from(start).ok().and_then(|start| start.checked_sub(self.first)) else {
            return Ok(());
        };
        if !self.positions {
            return Ok(());
        }
        // A stream that was cut out of a longer one goes on counting: a gap as long as all that is stated would be none.
        let is_cut_out = self.given == 0 && self.stated_frames().is_some_and(|frames| start >= frames);
        if is_cut_out && self.exact {
            self.first += start;
            return Ok(());
        }
        let gap = start.saturating_sub(self.given).min(self.room(self.given));
        if gap > MOST_GAP_FRAMES {
            return Err(Error::malformed(
                format!("a packet claims to begin {gap} frames behind the last one"),
                0,
            ));
        }
        if gap > 0 {
            self.gap = gap;
            self.report(gap, "a part of the stream is damaged; silence of its length stands in its place");
        } else if self.lossless && start < self.given {
            let overlap = self.given - start;
            self.overlap = usize::try_from(overlap).unwrap_or(usize::MAX);
            self.report(0, format!("{overlap} frames come twice; the second time they are left out"));
        }
        Ok(())
    }

    fn report(&mut self, frames: u64, cause: impl Into<String>) {
        self.damage.push(Damage { start_frame: self.given, frames, cause: cause.into() });
    }

    fn decode(&mut self, packet: &symphonia::core::packet::Packet, channels: usize) -> Result<(), Error> {
        let (planes, decoder) = (&mut self.planes, &mut self.decoder);
        let outcome = guarded(|| {
            let buffer = decoder.decode(packet)?;
            buffer.copy_to_vecs_planar::<f64>(planes);
            Ok(buffer.num_planes())
        });
        match outcome {
            Ok(found) if found == channels => self.next = Next::Planes,
            Ok(found) => {
                let text = format!("the stream changes from {channels} to {found} channels");
                return Err(Error::malformed(text, 0));
            }
            // A packet is in memory, so every failure is one of its contents.
            Err(failure) => {
                let start_frame = self.given + self.gap;
                let lost = packet.dur.get().saturating_sub(self.overlap as u64);
                let lost = lost.min(self.room(start_frame)).min(MOST_GAP_FRAMES);
                self.overlap = 0;
                self.damage.push(Damage { start_frame, frames: lost, cause: failure.to_string() });
                self.gap += lost;
            }
        }
        Ok(())
    }

    fn end(&mut self, failure: Option<String>) {
        self.next = Next::End;
        let expected = self.stated_frames().unwrap_or(self.given);
        if expected > self.given {
            let cause = failure.unwrap_or_else(|| "the stream is shorter than its header says".to_owned());
            self.report(expected - self.given, cause);
        } else if let Some(cause) = failure.filter(|_| self.frames.is_none()) {
            self.report(0, cause);
        }
        if let Some(digest) = self.digest.take() {
            self.judge(digest);
        }
    }

    /// The digest of the stream, for whoever sees its blocks elsewhere.
    pub(crate) fn take_digest(&mut self) -> Option<StreamDigest> {
        self.digest.take()
    }

    /// Reports sound that is not what its digest says, where no other reason is known.
    pub(crate) fn judge(&mut self, digest: StreamDigest) {
        if self.damage.is_empty() && !digest.agrees() {
            self.damage.push(Damage {
                start_frame: 0,
                frames: 0,
                cause: "the sound does not match the digest that the stream carries".to_owned(),
            });
        }
    }

    /// Titles and comments of the stream.
    pub(crate) fn tags(&mut self) -> Option<Chunk> {
        let mut metadata = self.reader.metadata();
        metadata.skip_to_latest().and_then(tags::info_of)
    }

    /// What is missing, complete after the end.
    pub(crate) fn damage(&self) -> &[Damage] {
        &self.damage
    }
}
