//! A source that is digested while it is decoded, so that what was measured is what the digest names, at one read.

use std::io::{self, Read, Seek, SeekFrom};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use sha2::{Digest, Sha256};

use crate::scan::SourceFile;
use crate::storage::{Stored, each_piece, hex};

/// What a decoder leaves of a file is read in pieces of this size.
const REST_BYTES: u64 = 16 << 20;

#[derive(Default)]
struct Progress {
    hash: Sha256,
    /// Bytes from the start of the file that are in the hash.
    hashed: u64,
}

/// The reader that a decoder owns.
pub(crate) struct HashedFile {
    file: SourceFile,
    position: u64,
    progress: Arc<Mutex<Progress>>,
}

/// What remains when the decoder is done.
pub(crate) struct Remainder {
    file: SourceFile,
    progress: Arc<Mutex<Progress>>,
}

/// Splits a source for one decoder, and for what it leaves.
pub(crate) fn split(file: SourceFile) -> io::Result<(HashedFile, Remainder)> {
    let progress = Arc::new(Mutex::new(Progress::default()));
    // The clone shares the place in the file, so it reads only after the decoder is gone.
    let remainder = Remainder { file: file.try_clone()?, progress: Arc::clone(&progress) };
    Ok((HashedFile { file, position: 0, progress }, remainder))
}

fn lock(progress: &Mutex<Progress>) -> MutexGuard<'_, Progress> {
    // A decoder that panics does so between two reads: the digest is as far as it says.
    progress.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Progress {
    /// Hashes up to the byte `to`, or to the end of the file.
    fn catch_up(&mut self, file: &mut SourceFile, to: u64) -> io::Result<()> {
        file.seek(SeekFrom::Start(self.hashed))?;
        each_piece(&mut file.take(to.saturating_sub(self.hashed)), |piece| self.add(piece))
    }

    fn add(&mut self, bytes: &[u8]) {
        self.hash.update(bytes);
        self.hashed += bytes.len() as u64;
    }
}

impl Read for HashedFile {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut progress = lock(&self.progress);
        if self.position > progress.hashed {
            progress.catch_up(&mut self.file, self.position)?;
            self.file.seek(SeekFrom::Start(self.position))?;
        }
        let read = self.file.read(buffer)?;
        let known = usize::try_from(progress.hashed.saturating_sub(self.position)).unwrap_or(usize::MAX);
        if let Some(fresh) = buffer[..read].get(known..) {
            progress.add(fresh);
        }
        self.position += read as u64;
        Ok(read)
    }
}

impl Seek for HashedFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.file.seek(to)?;
        Ok(self.position)
    }
}

impl Remainder {
    /// Reads what the decoder did not, and gives size and digest of the whole file. After every piece it asks whether
    /// to go on.
    pub(crate) fn finish(mut self, go_on: impl Fn() -> bool) -> io::Result<Stored> {
        let mut progress = lock(&self.progress);
        while go_on() {
            let before = progress.hashed;
            progress.catch_up(&mut self.file, before.saturating_add(REST_BYTES))?;
            if progress.hashed < before + REST_BYTES {
                break;
            }
        }
        let Progress { hash, hashed } = std::mem::take(&mut *progress);
        Ok(Stored { bytes: hashed, sha256: hex(&hash.finalize()) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever a decoder reads, skips or reads again, the digest is that of the whole file.
    #[test]
    fn the_digest_does_not_depend_on_the_way() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let bytes: Vec<u8> = (0..700_000u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
        std::fs::write(&path, &bytes).unwrap();
        let wanted = hex(&Sha256::digest(&bytes));
        let ways: [&[(u64, usize)]; 5] = [
            &[],
            &[(0, 700_000)],
            &[(0, 100), (50, 100), (400_000, 10), (0, 20)],
            &[(699_999, 1), (0, 700_000)],
            &[(900_000, 10), (10, 10)],
        ];
        for way in ways {
            let source = SourceFile::File(std::fs::File::open(&path).unwrap());
            let (mut file, remainder) = split(source).unwrap();
            for &(from, length) in way {
                file.seek(SeekFrom::Start(from)).unwrap();
                let mut found = Vec::new();
                file.by_ref().take(length as u64).read_to_end(&mut found).unwrap();
                let (start, end) =
                    ((from as usize).min(bytes.len()), (from as usize + length).min(bytes.len()));
                assert_eq!(found, bytes[start..end], "{way:?}");
            }
            drop(file);
            let stored = remainder.finish(|| true).unwrap();
            assert_eq!((stored.bytes, &stored.sha256), (700_000, &wanted), "{way:?}");
        }
    }
}
