//! Opens a file by its content, and decodes it block by block.

use std::fmt;
use std::io::{BufReader, Read, Seek, SeekFrom};

use loadin_audio::Block;

use crate::metadata::{Metadata, flac, rifx, tags};
use crate::read::caf::{self, Caf, Spliced};
use crate::read::compressed::{self, Compressed};
use crate::read::pcm::{self, Coding};
use crate::read::stream_digest::StreamDigest;
use crate::read::{aiff, riff};
use crate::{Bext, Chunk, Container, Error, Format};

/// Frames of a block: all meters run over it while it is in the fastest cache, and a call still pays for itself.
const BLOCK_FRAMES: u64 = 2048;

/// A header field that was wrong, and what was done instead.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Repair(pub(crate) String);

impl fmt::Display for Repair {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Audio that is missing. Where something follows it, silence of its length stands in its place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Damage {
    /// First frame that is missing.
    pub start_frame: u64,
    /// How many frames; 0 where the place is not known.
    pub frames: u64,
    /// What was wrong.
    pub cause: String,
}

impl Damage {
    /// Frames at the end that the header promises.
    pub(crate) fn truncated(start_frame: u64, frames: u64) -> Self {
        let cause = "the file is shorter than its header says, as after a broken transfer".to_owned();
        Self { start_frame, frames, cause }
    }
}

/// How the samples of a RIFF file are reached.
pub(crate) enum Sound {
    Pcm(PcmStream),
    /// By symphonia. The length is that of the blocks: `fact` is wrong in many files, and would cut sound off.
    Adpcm,
}

/// Uncompressed frames in a file.
pub(crate) struct PcmStream {
    pub(crate) coding: Coding,
    pub(crate) big_endian: bool,
    pub(crate) channels: usize,
    pub(crate) offset: u64,
    pub(crate) frames: u64,
    pub(crate) position: u64,
}

/// Bytes that are read at once: the system gives twice as many a second as for one block at a time.
const READ_BYTES: usize = 1 << 16;

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
/// # Errors
/// When it is not audio, when there is no reader for it, or when its header contradicts itself.
pub fn open<R: Read + Seek + Send + Sync + 'static>(mut source: R, verify: bool) -> Result<Decoder, Error> {
    let mut head = [0; 64];
    let read = read_up_to(&mut source, &mut head)?;
    let head = &head[..read];
    source.rewind()?;
    match container(head) {
        Some(Kind::Riff(form)) => open_riff(source, form, verify),
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
            let blocks = flac::read(&mut source);
            source.rewind()?;
            let mut decoder = Decoder::compressed(source, Container::Flac, verify)?;
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
        None => Err(Error::NotAudio { found: describe(head) }),
    }
}

fn open_riff<R: Read + Seek + Send + Sync + 'static>(
    mut source: R,
    form: [u8; 4],
    verify: bool,
) -> Result<Decoder, Error> {
    let riff = riff::open(&mut source, form)?;
    let mut decoder = match riff.sound {
        Sound::Pcm(stream) => Decoder::pcm(source, riff.format, stream)?,
        Sound::Adpcm => Decoder::compressed(source, riff.format.container, verify)?,
    };
    decoder.metadata = riff.metadata;
    decoder.repairs = riff.repairs;
    decoder.damage = riff.damage;
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

fn read_up_to(source: &mut (impl Read + ?Sized), bytes: &mut [u8]) -> Result<usize, Error> {
    let mut filled = 0;
    while filled < bytes.len() {
        match source.read(&mut bytes[filled..]) {
            Ok(0) => break,
            Ok(read) => filled += read,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error.into()),
        }
    }
    Ok(filled)
}

enum Kind {
    Riff([u8; 4]),
    Aiff { is_aifc: bool },
    Other(Container),
}

fn container(head: &[u8]) -> Option<Kind> {
    let at = |from: usize, wanted: &[u8]| head.get(from..from + wanted.len()) == Some(wanted);
    for form in [b"RIFF", b"RF64", b"BW64", b"RIFX"] {
        if at(0, form) && at(8, b"WAVE") {
            return Some(Kind::Riff(*form));
        }
    }
    if at(0, &riff::wave64::RIFF) && at(24, &riff::wave64::WAVE) {
        return Some(Kind::Riff(*b"riff"));
    }
    if at(0, b"FORM") && (at(8, b"AIFF") || at(8, b"AIFC")) {
        return Some(Kind::Aiff { is_aifc: at(8, b"AIFC") });
    }
    let other = if at(0, b"fLaC") {
        Container::Flac
    } else if at(0, b"OggS") {
        Container::Ogg
    } else if at(0, b"caff") {
        Container::Caf
    } else if at(4, b"ftyp") {
        Container::Mp4
    } else if at(0, &[0xFF, 0xF1]) || at(0, &[0xFF, 0xF9]) {
        Container::Adts
    } else if at(0, b"ID3") || is_mp3_frame(head) {
        Container::Mp3
    } else {
        return None;
    };
    Some(Kind::Other(other))
}

/// Whether these are the sync word of an MPEG audio frame, layer III, and no value that is reserved in it.
fn is_mp3_frame(head: &[u8]) -> bool {
    let &[0xFF, version, rates, ..] = head else { return false };
    version & 0xE0 == 0xE0
        && version & 0x18 != 0x08
        && version & 0x06 == 0x02
        && rates & 0xF0 != 0xF0
        && rates & 0x0C != 0x0C
}

/// What bytes that are no audio look like.
fn describe(head: &[u8]) -> String {
    let starts = |wanted: &[u8]| head.starts_with(wanted);
    let text = if head.is_empty() {
        "an empty file"
    } else if starts(&[0x00, 0x05, 0x16, 0x07]) {
        "file-system litter (AppleDouble)"
    } else if starts(b"MThd") {
        "a MIDI file"
    } else if starts(b"PK\x03\x04") {
        "a ZIP archive"
    } else if starts(b"%PDF") {
        "a PDF document"
    } else if starts(b"\x89PNG") || starts(&[0xFF, 0xD8, 0xFF]) {
        "an image"
    } else if starts(b"RIFF") || starts(b"RF64") || starts(b"RIFX") || starts(b"FORM") {
        "a RIFF or IFF file of another kind"
    } else if starts(&[0xFF, 0xFE]) || starts(&[0xFE, 0xFF]) {
        "text (UTF-16)"
    } else if head.iter().all(|byte| *byte == 0) {
        "a file that begins with zeros"
    } else if head.iter().all(|byte| matches!(byte, 0x09 | 0x0A | 0x0D | 0x20..=0x7E | 0x80..)) {
        "text"
    } else {
        "something unknown"
    };
    text.to_owned()
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

impl PcmStream {
    fn next_block(
        &mut self,
        source: &mut dyn Read,
        bytes: &mut Vec<u8>,
        block: &mut Block,
        damage: &mut Vec<Damage>,
    ) -> Result<bool, Error> {
        let frames = (self.frames - self.position).min(BLOCK_FRAMES);
        let frame_bytes = self.coding.bytes() * self.channels;
        bytes.resize(frames as usize * frame_bytes, 0);
        let whole = read_up_to(source, bytes)? / frame_bytes;
        let bytes = &bytes[..whole * frame_bytes];
        pcm::unpack(bytes, self.coding, self.big_endian, self.channels, self.position, block)?;
        self.position += whole as u64;
        if (whole as u64) < frames {
            // The file became shorter after its header was read.
            let lost = self.frames - self.position;
            damage.push(Damage {
                start_frame: self.position,
                frames: lost,
                cause: "the file ends early".to_owned(),
            });
            self.frames = self.position;
        }
        Ok(whole > 0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stream(frames: u64) -> PcmStream {
        PcmStream { coding: Coding::Int(2), big_endian: false, channels: 1, offset: 0, frames, position: 0 }
    }

    /// A source that fails from some byte on.
    struct Failing<'a>(&'a [u8]);

    impl Read for Failing<'_> {
        fn read(&mut self, bytes: &mut [u8]) -> std::io::Result<usize> {
            match self.0.read(bytes)? {
                0 => Err(std::io::ErrorKind::NotConnected.into()),
                read => Ok(read),
            }
        }
    }

    #[test]
    fn what_cannot_be_read_is_never_given() {
        let bytes = [1; 2 * 5000];
        let mut source = BufReader::with_capacity(READ_BYTES, Failing(&bytes));
        let (mut stream, mut block) = (stream(50_000), Block::default());
        let mut next = || stream.next_block(&mut source, &mut Vec::new(), &mut block, &mut Vec::new());
        assert!(next().unwrap() && next().unwrap(), "two blocks are there");
        for _ in 0..2 {
            assert!(matches!(next(), Err(Error::Io(_))));
        }
    }

    /// A file that becomes shorter while it is read, in the middle of a frame.
    #[test]
    fn a_file_that_ends_early_gives_its_whole_frames() {
        let samples: Vec<i16> = (0..3000).collect();
        let mut bytes: Vec<u8> = samples.iter().flat_map(|sample| sample.to_le_bytes()).collect();
        bytes.push(1);
        let mut stream = stream(50_000);
        let (mut source, mut read) = (&bytes[..], Vec::new());
        let (mut block, mut damage, mut found) = (Block::default(), Vec::new(), Vec::new());
        while stream.next_block(&mut source, &mut read, &mut block, &mut damage).unwrap() {
            found.extend(block.channel(0).iter().map(|sample| (sample * 32768.0) as i16));
        }
        assert_eq!(found, samples);
        let cause = "the file ends early".to_owned();
        assert_eq!(damage, [Damage { start_frame: 3000, frames: 47_000, cause }]);
    }
}
