//! A source that is digested while it is decoded, so that what was measured is what the digest names, at one read.

use std::io::{self, Read, Seek, SeekFrom};
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};

use loadin_record::digest::{Stored, hex};
use loadin_storage::pieces::each_piece;
use sha2::{Digest, Sha256};

use crate::hands::Hands;
use crate::scan::SourceFile;

/// What a decoder leaves of a file is read in pieces of this size.
const REST_BYTES: u64 = 16 << 20;

struct Progress {
    hash: Hash,
    /// Bytes from the start of the file that are in the hash.
    hashed: u64,
}

/// Where the bytes are digested.
enum Hash {
    /// On the thread that reads them.
    Here(Sha256),
    /// On a thread of its own, for a decoder that would wait for it.
    Beside(Beside),
}

/// A thread that digests copies of what is read.
struct Beside {
    filling: Vec<u8>,
    full: SyncSender<Vec<u8>>,
    empty: Receiver<Vec<u8>>,
    thread: JoinHandle<Sha256>,
}

/// Bytes that go to that thread at once, and how many times as many may wait for it.
const PIECE: usize = 1 << 20;
const WAITING: usize = 4;

impl Beside {
    /// `None` where the system has no thread for it.
    fn start() -> Option<Self> {
        let (full, ready) = sync_channel::<Vec<u8>>(WAITING);
        let (back, empty) = channel();
        let work = move || {
            let mut hash = Sha256::new();
            for mut piece in ready {
                hash.update(&piece);
                piece.clear();
                // The reader may be done.
                let _ = back.send(piece);
            }
            hash
        };
        let thread = thread::Builder::new().name("digest".to_owned()).spawn(work).ok()?;
        Some(Self { filling: Vec::with_capacity(PIECE), full, empty, thread })
    }

    fn update(&mut self, bytes: &[u8]) {
        self.filling.extend_from_slice(bytes);
        if self.filling.len() >= PIECE {
            let next = self.empty.try_recv().unwrap_or_default();
            self.hand_over(next);
        }
    }

    fn hand_over(&mut self, next: Vec<u8>) {
        let full = std::mem::replace(&mut self.filling, next);
        self.full.send(full).expect("the thread takes pieces until there will be no other");
    }

    fn finish(mut self) -> Sha256 {
        self.hand_over(Vec::new());
        drop(self.full);
        self.thread.join().expect("a digest does not panic")
    }
}

impl Hash {
    fn of(hands: Hands) -> Self {
        let beside = if hands == Hands::Two { Beside::start() } else { None };
        beside.map_or_else(|| Self::Here(Sha256::new()), Self::Beside)
    }

    fn update(&mut self, bytes: &[u8]) {
        match self {
            Self::Here(hash) => hash.update(bytes),
            Self::Beside(beside) => beside.update(bytes),
        }
    }

    fn finish(self) -> Sha256 {
        match self {
            Self::Here(hash) => hash,
            Self::Beside(beside) => beside.finish(),
        }
    }
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
pub(crate) fn split(file: SourceFile, hands: Hands) -> io::Result<(HashedFile, Remainder)> {
    let progress = Arc::new(Mutex::new(Progress { hash: Hash::of(hands), hashed: 0 }));
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
        let hash = std::mem::replace(&mut progress.hash, Hash::Here(Sha256::new())).finish();
        Ok(Stored { bytes: progress.hashed, sha256: hex(&hash.finalize()) })
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
        for (way, hands) in ways.iter().flat_map(|way| [(way, Hands::One), (way, Hands::Two)]) {
            let source = SourceFile::File(std::fs::File::open(&path).unwrap());
            let (mut file, remainder) = split(source, hands).unwrap();
            for &(from, length) in *way {
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
