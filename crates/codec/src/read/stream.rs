//! Uncompressed frames in a file, and what can be wrong with any file's sound. Knows no container.

use std::fmt;
use std::io::Read;

use loadin_audio::Block;

use crate::Error;
use crate::read::pcm::{self, Coding};

/// Frames of a block: all meters run over it while it is in the fastest cache, and a call still pays for itself.
const BLOCK_FRAMES: u64 = 2048;

/// Bytes that are read at once: the system gives twice as many a second as for one block at a time.
pub(super) const READ_BYTES: usize = 1 << 16;

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

/// Uncompressed frames in a file, interleaved.
pub(crate) struct PcmStream {
    /// How a sample is stored.
    pub(crate) coding: Coding,
    pub(crate) big_endian: bool,
    /// Samples of a frame.
    pub(crate) channels: usize,
    /// The first byte of the first frame in the file.
    pub(crate) offset: u64,
    /// Frames that are there.
    pub(crate) frames: u64,
    /// Frames that were given.
    pub(crate) position: u64,
}

impl PcmStream {
    /// Puts the next frames into `block`; false when there are none. `bytes` is room that is used again.
    pub(super) fn next_block(
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

/// Reads until `bytes` is full or the source ends; gives the bytes that were read.
pub(super) fn read_up_to(source: &mut (impl Read + ?Sized), bytes: &mut [u8]) -> Result<usize, Error> {
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

#[cfg(test)]
mod tests {
    use std::io::BufReader;

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
