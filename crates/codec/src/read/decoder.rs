//! Opens a file by its content, and decodes it block by block. Knows which reader a file needs, and nothing of any
//! layout.

use std::io::{BufReader, Read, Seek, SeekFrom};

use loadin_audio::Block;

use crate::metadata::{Metadata, flac, rifx, tags};
use crate::read::caf::{self, Caf, Spliced};
use crate::read::compressed::{self, Compressed};
use crate::read::overlay::Overlay;
use crate::read::riff::{self, Sound};
use crate::read::sniff::{Kind, container, describe, unread};
use crate::read::stream::{Damage, PcmStream, READ_BYTES, Repair, read_up_to};
use crate::read::stream_digest::StreamDigest;
use crate::read::{aiff, flac_head, pcm};
use crate::{Bext, Chunk, Container, Error, Format};

trait ReadSeek: Read + Seek + Send + Sync {}
impl<T: Read + Seek + Send + Sync> ReadSeek for T {}

enum Inner {
    Pcm { source: Box<dyn ReadSeek>, stream: PcmStream, bytes: Vec<u8> },
    Compressed(Box<Compressed>),
}

/// A file that is being decoded.
pub struct Decoder {
    format: Format,
    metadata: Metadata,
    repairs: Vec<Repair>,
    damage: Vec<Damage>,
    frames_read: u64,
    inner: Inner,
}

/// Opens a file by its content. With `verify`, a digest inside the stream (FLAC) is checked too, which costs time.
///
/// ```
/// use std::io::Cursor;
///
/// use loadin_audio::Block;
/// use loadin_codec::{Container, open};
///
/// // Three frames of 16 bits at 8 kHz: 0, half of full scale, and the lowest value.
/// let file = b"RIFF\x2a\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0\x40\x1f\0\0\x80\x3e\0\0\x02\0\x10\0\
///     data\x06\0\0\0\0\0\0\x40\0\x80";
/// let mut decoder = open(Cursor::new(file), true)?;
/// assert_eq!((decoder.format().container, decoder.format().rate_hz), (Container::Wav, 8000));
/// let mut block = Block::default();
/// let mut samples = Vec::new();
/// while decoder.next_block(&mut block)? {
///     samples.extend_from_slice(block.channel(0));
/// }
/// assert_eq!(samples, [0.0, 0.5, -1.0]);
/// assert!(decoder.damage().is_empty() && decoder.repairs().is_empty());
/// # Ok::<(), loadin_codec::Error>(())
/// ```
///
/// # Errors
/// When it is not audio, when there is no reader for it, or when its header contradicts itself.
pub fn open<R: Read + Seek + Send + Sync + 'static>(mut source: R, verify: bool) -> Result<Decoder, Error> {
    let mut head = [0; 64];
    let read = read_up_to(&mut source, &mut head)?;
    let head = &head[..read];
    source.rewind()?;
    match container(head) {
        Some(Kind::Riff(container)) => open_riff(source, container, verify),
        Some(Kind::Aiff { is_aifc }) => {
            let aiff = aiff::open(&mut source, is_aifc)?;
            let mut decoder = Decoder::pcm(source, aiff.format, aiff.pcm)?;
            decoder.damage = aiff.damage;
            decoder.repairs = aiff.repairs;
            decoder.take_chunks(aiff.chunks);
            Ok(decoder)
        }
        Some(Kind::Other(Container::Caf)) => open_caf(source, verify),
        Some(Kind::Other(Container::Flac)) => {
            let head = flac_head::read(&mut source);
            // Whoever goes along the blocks afterwards goes the right way.
            let mut source = Overlay::new(source, head.bytes)?;
            let blocks = flac::read(&mut source);
            source.read_also(blocks.as_padding)?;
            let mut decoder = Decoder::compressed(source, Container::Flac, verify)?;
            decoder.repairs = head.repairs;
            decoder.format.channel_mask = blocks.channel_mask.or(decoder.format.channel_mask);
            decoder.take_chunks(blocks.chunks);
            Ok(decoder)
        }
        Some(Kind::Other(container)) => {
            let id3 = tags::id3_in_front(&mut source);
            source.rewind()?;
            let mut decoder = Decoder::compressed(source, container, verify)?;
            decoder.metadata.chunks.extend(id3);
            Ok(decoder)
        }
        None => Err(match unread(head) {
            Some(what) => Error::unsupported(format!("{what}; ask for WAV, AIFF or FLAC")),
            None => Error::NotAudio { found: describe(head) },
        }),
    }
}

fn open_riff<R: Read + Seek + Send + Sync + 'static>(
    mut source: R,
    container: Container,
    verify: bool,
) -> Result<Decoder, Error> {
    let riff = riff::open(&mut source, container)?;
    let mut decoder = match riff.sound {
        Sound::Pcm(stream) => Decoder::pcm(source, riff.format, stream)?,
        Sound::Adpcm(blocks) => {
            let source = Overlay::new(source, blocks.stated())?;
            let mut decoder = Decoder::compressed(source, container, verify)?;
            let lost: u64 = riff.damage.iter().map(|damage| damage.frames).sum();
            decoder.format.frames = decoder.format.frames.map(|frames| frames + lost);
            decoder
        }
    };
    decoder.metadata = riff.metadata;
    decoder.repairs = riff.repairs;
    match &mut decoder.inner {
        Inner::Pcm { .. } => decoder.damage = riff.damage,
        Inner::Compressed(compressed) => compressed.take_damage(riff.damage),
    }
    Ok(decoder)
}

fn open_caf<R: Read + Seek + Send + Sync + 'static>(mut source: R, verify: bool) -> Result<Decoder, Error> {
    match caf::open(&mut source)? {
        Caf::Pcm { format, pcm, repairs, damage, chunks } => {
            let mut decoder = Decoder::pcm(source, format, pcm)?;
            decoder.repairs = repairs;
            decoder.damage = damage;
            decoder.take_chunks(chunks);
            Ok(decoder)
        }
        Caf::Packets { head, from, bytes, repairs, chunks } => {
            let spliced = Spliced { head, source, from, bytes, at: 0 };
            let mut decoder = Decoder::compressed(spliced, Container::Caf, verify)?;
            decoder.repairs = repairs;
            decoder.take_chunks(chunks);
            Ok(decoder)
        }
    }
}

impl Decoder {
    fn pcm<R: Read + Seek + Send + Sync + 'static>(
        mut source: R,
        format: Format,
        stream: PcmStream,
    ) -> Result<Self, Error> {
        source.seek(SeekFrom::Start(stream.offset))?;
        let source = Box::new(BufReader::with_capacity(READ_BYTES, source));
        Ok(Self::new(format, Inner::Pcm { source, stream, bytes: Vec::new() }))
    }

    fn compressed<R: Read + Seek + Send + Sync + 'static>(
        source: R,
        container: Container,
        verify: bool,
    ) -> Result<Self, Error> {
        let (format, mut compressed) = compressed::open(source, container, verify)?;
        // The other containers have readers of their own for what stands beside the samples.
        let tags = compressed.tags().filter(|_| matches!(container, Container::Ogg | Container::Mp4));
        let mut decoder = Self::new(format, Inner::Compressed(Box::new(compressed)));
        decoder.metadata.chunks.extend(tags);
        Ok(decoder)
    }

    fn new(format: Format, inner: Inner) -> Self {
        Self {
            format,
            metadata: Metadata::default(),
            repairs: Vec::new(),
            damage: Vec::new(),
            frames_read: 0,
            inner,
        }
    }

    /// Takes chunks that another container has kept; `bext` among them has fields of its own. Where its version would be
    /// one that does not exist, its numbers stand in the order of that container.
    fn take_chunks(&mut self, chunks: Vec<Chunk>) {
        for chunk in chunks {
            let version =
                chunk.bytes.get(346..348).map_or(0, |bytes| u16::from_le_bytes([bytes[0], bytes[1]]));
            let is_turned = &chunk.id == b"bext" && version > 2;
            let chunk = if is_turned { rifx::turned(chunk.id, chunk.bytes) } else { chunk };
            match Bext::parse(&chunk.bytes) {
                Ok(bext) if &chunk.id == b"bext" => self.metadata.bext = Some(bext),
                _ => self.metadata.chunks.push(chunk),
            }
        }
    }

    /// The format.
    pub fn format(&self) -> &Format {
        &self.format
    }

    /// What stands beside the samples.
    pub fn metadata(&self) -> &Metadata {
        &self.metadata
    }

    /// Header fields that were read around.
    pub fn repairs(&self) -> &[Repair] {
        &self.repairs
    }

    /// Frames given so far.
    pub fn frames_read(&self) -> u64 {
        self.frames_read
    }

    /// Audio that is missing; complete once `next_block` has said that the end is reached.
    pub fn damage(&self) -> &[Damage] {
        match &self.inner {
            Inner::Pcm { .. } => &self.damage,
            Inner::Compressed(compressed) => compressed.damage(),
        }
    }

    /// Takes out the check of the stream's own digest, for whoever has time for it on another thread: it must be given
    /// every block, and come back to [`Decoder::judge`].
    pub fn take_digest(&mut self) -> Option<StreamDigest> {
        match &mut self.inner {
            Inner::Pcm { .. } => None,
            Inner::Compressed(compressed) => compressed.take_digest(),
        }
    }

    /// Compares the digest of all blocks with the stated one; a difference is damage.
    pub fn judge(&mut self, digest: StreamDigest) {
        if let Inner::Compressed(compressed) = &mut self.inner {
            compressed.judge(digest);
        }
    }

    /// Puts the next frames into `block`; false when there are none.
    ///
    /// # Errors
    /// When reading fails, or when a sample is not a finite number.
    pub fn next_block(&mut self, block: &mut Block) -> Result<bool, Error> {
        let more = match &mut self.inner {
            Inner::Pcm { source, stream, bytes } => {
                stream.next_block(source, bytes, block, &mut self.damage)?
            }
            Inner::Compressed(compressed) => {
                let more = compressed.next_block(block, usize::from(self.format.channels))?;
                pcm::check_finite(block, self.frames_read)?;
                more
            }
        };
        self.frames_read += if more { block.frames() as u64 } else { 0 };
        Ok(more)
    }
}
