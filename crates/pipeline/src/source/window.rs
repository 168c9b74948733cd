//! A part of a file as a file of its own: an entry that is stored in an archive as it is. It knows no archive's form.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use super::archive::Entry;

/// A part of a file.
pub(crate) struct Window {
    pub(super) file: File,
    pub(super) entry: Entry,
    pub(super) at: u64,
    checksum: Checksum,
}

impl Window {
    pub(super) fn new(file: File, entry: Entry) -> Self {
        Self { file, entry, at: 0, checksum: Checksum::default() }
    }
}

impl Read for Window {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let count = (bytes.len() as u64).min(self.entry.bytes.saturating_sub(self.at)) as usize;
        self.file.seek(SeekFrom::Start(self.entry.start + self.at))?;
        let read = self.file.read(&mut bytes[..count])?;
        self.checksum.see(self.at, &bytes[..read], &self.entry)?;
        self.at += read as u64;
        Ok(read)
    }
}

/// The checksum of an entry, as far as it was read without a gap.
#[derive(Default)]
pub(super) struct Checksum {
    hash: crc32fast::Hasher,
    at: u64,
}

impl Checksum {
    /// Takes what was read at `from`; at the end it is compared with what the archive states.
    pub(super) fn see(&mut self, from: u64, bytes: &[u8], entry: &Entry) -> io::Result<()> {
        let known = self.at.checked_sub(from).and_then(|known| usize::try_from(known).ok());
        let Some(fresh) = known.and_then(|known| bytes.get(known..)).filter(|fresh| !fresh.is_empty()) else {
            return Ok(());
        };
        self.hash.update(fresh);
        self.at += fresh.len() as u64;
        if self.at == entry.bytes && self.hash.clone().finalize() != entry.crc32 {
            let text = "it is damaged in the archive: its checksum differs; ask for it again";
            return Err(io::Error::new(io::ErrorKind::InvalidData, text));
        }
        Ok(())
    }
}

/// A place after a seek.
pub(super) fn moved(to: SeekFrom, at: u64, bytes: u64) -> io::Result<u64> {
    let place = match to {
        SeekFrom::Start(at) => Some(at),
        SeekFrom::End(by) => bytes.checked_add_signed(by),
        SeekFrom::Current(by) => at.checked_add_signed(by),
    };
    place.ok_or_else(|| io::ErrorKind::InvalidInput.into())
}
