//! Compressed streams, by symphonia: FLAC, ALAC, MP3, AAC, Vorbis, ADPCM.
//!
//! A player skips what it cannot decode; here that would shift all that follows. So the place of every packet is
//! compared with what came before, a gap becomes silence of exactly its length, and it is reported.
//!
//! Knows nothing of what stands beside the samples, save the tags that symphonia reads with them.

use std::io::{Read, Seek};

use loadin_audio::Block;
use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::errors::Error as Failure;
use symphonia::core::formats::FormatReader;

use crate::metadata::tags;
use crate::read::extent::Extent;
use crate::read::mp4;
use crate::read::probe::{Probed, audio_parameters, guarded, probe};
use crate::read::stream::Damage;
use crate::read::stream_digest::StreamDigest;
use crate::read::symphonia_names::{bits, codec, speaker_mask};
use crate::{Chunk, Codec, Container, Error, Format};

/// Silence is put in pieces of this size, so that a false position cannot fill the memory.
const PIECE_FRAMES: u64 = 16_384;

/// A gap longer than this is not a gap but a false position: ten minutes at 192 kHz.
const MOST_GAP_FRAMES: u64 = 192_000 * 600;

/// A stream that symphonia decodes.
pub(crate) struct Compressed {
    reader: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    /// The track whose packets are decoded; those of others are passed over.
    track: u32,
    /// Whether packet positions count frames.
    positions: bool,
    /// Whether decoded packets are exactly as long as their positions say.
    lossless: bool,
    /// Whether the last packet is as long as the sound: nothing is padded.
    exact: bool,
    /// Position of the first frame.
    first: u64,
    /// Frames of the sound, where the container says so.
    frames: Option<u64>,
    /// Frames that were given, silence in place of lost ones included.
    given: u64,
    /// Packets that came behind the stated end.
    behind: u32,
    /// Frames of silence that are due before the next packet.
    gap: u64,
    /// Frames at the start of the next packet that were given before.
    overlap: usize,
    /// Frames of the stream that are still left out before the sound begins.
    skip: usize,
    /// The packet that was decoded last, one vector a channel.
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
    let Probed { reader, decoder, track } = probe(source, bytes, container)?;
    let params = audio_parameters(&track)?;
    let codec = codec(params.codec);
    let container = container_of(codec, container);
    let extent = Extent::of(&track, params, container, edit);
    // Such a coder always puts something before the sound; a file that does not say how much, or whose tag is damaged, says
    // no length either.
    let is_unstated = match codec {
        Codec::Aac => !extent.is_edited,
        Codec::Mp3 => track.delay.is_none(),
        _ => false,
    };
    let format = Format {
        container,
        codec,
        rate_hz: params.sample_rate.unwrap_or(0),
        channels: params
            .channels
            .as_ref()
            .map_or(0, |channels| u16::try_from(channels.count()).unwrap_or(u16::MAX)),
        bits: bits(params, codec),
        float: codec == Codec::PcmFloat,
        channel_mask: params.channels.as_ref().and_then(speaker_mask),
        frames: extent.frames.filter(|_| !is_unstated),
    };
    format.check()?;
    check_vorbis(&format)?;
    let info = params.extra_data.as_deref().filter(|_| verify && codec == Codec::Flac);
    let digest = info.and_then(StreamDigest::stated);
    let compressed = Compressed::new(reader, decoder, track.id, codec, &extent, digest);
    Ok((format, compressed))
}

/// Tags of MP3 files stand before other streams too: what the stream is, its codec says.
fn container_of(codec: Codec, container: Container) -> Container {
    match codec {
        Codec::Flac if container == Container::Mp3 => Container::Flac,
        Codec::Aac if container == Container::Mp3 => Container::Adts,
        _ => container,
    }
}

/// symphonia 0.6.1 takes coupled channels apart in the wrong order (Vorbis I specification, 4.3.5: the last coupling
/// first), which shows from three channels on.
fn check_vorbis(format: &Format) -> Result<(), Error> {
    if format.codec == Codec::Vorbis && format.channels > 2 {
        return Err(Error::unsupported(format!("Vorbis with {} channels, more than 2", format.channels)));
    }
    Ok(())
}

impl Compressed {
    fn new(
        reader: Box<dyn FormatReader>,
        decoder: Box<dyn AudioDecoder>,
        track: u32,
        codec: Codec,
        extent: &Extent,
        digest: Option<StreamDigest>,
    ) -> Self {
        Self {
            reader,
            decoder,
            track,
            positions: extent.positions,
            lossless: !codec.is_lossy(),
            exact: codec == Codec::Flac,
            first: extent.first,
            frames: extent.frames,
            given: 0,
            behind: 0,
            gap: 0,
            overlap: 0,
            skip: if extent.is_edited { extent.first as usize } else { 0 },
            planes: Vec::new(),
            next: Next::Packet,
            digest,
            damage: Vec::new(),
        }
    }

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

    /// Takes what the container has shown to be missing.
    pub(crate) fn take_damage(&mut self, damage: Vec<Damage>) {
        self.damage.extend(damage);
    }

    /// What is missing, complete after the end.
    pub(crate) fn damage(&self) -> &[Damage] {
        &self.damage
    }
}
