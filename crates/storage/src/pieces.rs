//! Reading and digesting in large pieces. It knows readers, and no name of a file but the one that it is given.

use std::io::{self, Read, Write};
use std::path::Path;

use loadin_codec::Output;
use loadin_record::digest::{Stored, hex};
use sha2::{Digest, Sha256};

use crate::plain_file;

/// How much is read or written at once.
pub(crate) const PIECE: usize = 1 << 18;

/// Size and SHA-256 of a file.
///
/// # Errors
/// When the file cannot be opened or read, or is no plain file.
pub fn digest_file(path: &Path) -> io::Result<Stored> {
    digest(&mut plain_file::open(path)?)
}

/// Size and SHA-256 of everything that a reader gives.
///
/// # Errors
/// When the reader fails.
pub fn digest(reader: &mut dyn Read) -> io::Result<Stored> {
    let mut stored = DigestWriter::default();
    each_piece(reader, |piece| stored.add(piece))?;
    Ok(stored.finish())
}

/// A writer that keeps nothing but size and SHA-256 of what it is given.
///
/// A head that is written once more cannot go into a digest that has passed it, so the same has to be written again to
/// a writer that knows the head.
#[derive(Default)]
pub struct DigestWriter {
    hash: Sha256,
    bytes: u64,
    head: Vec<u8>,
    better_head: Option<Vec<u8>>,
}

impl DigestWriter {
    fn add(&mut self, bytes: &[u8]) {
        self.hash.update(bytes);
        self.bytes += bytes.len() as u64;
    }

    /// A writer for contents whose head will be written once more as `head`.
    pub fn knowing(head: Vec<u8>) -> Self {
        Self { head, ..Self::default() }
    }

    /// The head that was written last, where it is another one than this writer knew.
    pub fn better_head(&mut self) -> Option<Vec<u8>> {
        self.better_head.take()
    }

    /// Size and SHA-256 of all that was written.
    pub fn finish(self) -> Stored {
        Stored { bytes: self.bytes, sha256: hex(&self.hash.finalize()) }
    }
}

impl Output for DigestWriter {
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.better_head = (self.head != bytes).then(|| bytes.to_vec());
        Ok(())
    }
}

impl Write for DigestWriter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let known = usize::try_from(self.bytes).ok().and_then(|at| self.head.get(at..)).unwrap_or_default();
        let known = known[..known.len().min(bytes.len())].to_vec();
        self.add(&known);
        self.add(&bytes[known.len()..]);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Reads everything, in large pieces.
///
/// # Errors
/// When the reader fails; an interrupted call is made again.
pub fn each_piece(reader: &mut dyn Read, mut see: impl FnMut(&[u8])) -> io::Result<()> {
    let mut piece = vec![0; PIECE];
    loop {
        match reader.read(&mut piece) {
            Ok(0) => return Ok(()),
            Ok(read) => see(&piece[..read]),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}
