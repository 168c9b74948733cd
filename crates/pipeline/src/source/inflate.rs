//! An entry of a ZIP archive that is unpacked while it is read, in bounded memory.
//!
//! Going forward costs what lies between, going back begins anew. No more comes out than the archive states, so a false
//! size cannot become a flood; and what comes out is compared with the archive's CRC-32.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Take};

use flate2::read::DeflateDecoder;

use super::archive::Entry;
use super::window::{Checksum, moved};

/// What lies between is passed in pieces of this size.
const PIECE: usize = 1 << 16;

pub(crate) struct Inflated {
    file: File,
    entry: Entry,
    /// Where the reader wants to be.
    wanted: u64,
    /// Where the unpacked stream is.
    at: u64,
    stream: DeflateDecoder<Take<Own>>,
    checksum: Checksum,
}

/// A clone of a file that minds its own place: clones of the system's share one.
struct Own {
    file: File,
    at: u64,
}

impl Read for Own {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        self.file.seek(SeekFrom::Start(self.at))?;
        let read = self.file.read(bytes)?;
        self.at += read as u64;
        Ok(read)
    }
}

fn stream(file: &File, entry: Entry) -> io::Result<DeflateDecoder<Take<Own>>> {
    let own = Own { file: file.try_clone()?, at: entry.start };
    Ok(DeflateDecoder::new(own.take(entry.packed_bytes)))
}

fn broken(text: String) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, text)
}

impl Inflated {
    pub(super) fn new(file: File, entry: Entry) -> io::Result<Self> {
        let stream = stream(&file, entry)?;
        Ok(Self { file, entry, wanted: 0, at: 0, stream, checksum: Checksum::default() })
    }

    /// The same entry, from its start.
    pub(super) fn again(&self) -> io::Result<Self> {
        Self::new(self.file.try_clone()?, self.entry)
    }

    /// Unpacks the next bytes.
    fn unpack(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let left = self.entry.bytes - self.at;
        let count = (bytes.len() as u64).min(left) as usize;
        if count == 0 {
            return Ok(0);
        }
        let read = self.stream.read(&mut bytes[..count])?;
        if read == 0 {
            return Err(broken(format!("the archive ends {left} bytes before the end of this file")));
        }
        let from = self.at;
        self.at += read as u64;
        if self.at == self.entry.bytes && self.stream.read(&mut [0])? > 0 {
            let stated = self.entry.bytes;
            return Err(broken(format!("it is longer than the {stated} bytes that the archive states")));
        }
        self.checksum.see(from, &bytes[..read], &self.entry)?;
        Ok(read)
    }
}

impl Read for Inflated {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        if self.wanted < self.at {
            *self = Self { wanted: self.wanted, ..self.again()? };
        }
        let mut passed = Vec::new();
        while self.at < self.wanted.min(self.entry.bytes) {
            let between = (self.wanted - self.at).min(PIECE as u64) as usize;
            passed.resize(between, 0);
            self.unpack(&mut passed)?;
        }
        if self.wanted > self.at {
            return Ok(0);
        }
        let read = self.unpack(bytes)?;
        self.wanted += read as u64;
        Ok(read)
    }
}

impl Seek for Inflated {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.wanted = moved(to, self.wanted, self.entry.bytes)?;
        Ok(self.wanted)
    }
}
