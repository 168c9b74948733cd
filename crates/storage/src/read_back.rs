//! Reading back what was written: digests of what stands on the disk, and not of what was in the memory.

use std::io::{self, Read};
use std::ops::Range;
use std::path::Path;
use std::sync::mpsc::channel;
use std::thread::{self, JoinHandle};

use loadin_record::digest::Stored;
use twox_hash::XxHash3_128;

use crate::disk::{Disk, DiskFile};
use crate::pieces::each_piece;
use crate::sha256_pair::DigestPair;

/// Bytes at the start of a file that can be written once more.
const HEAD_BYTES: usize = 64;

/// A fast digest of everything behind the head, and then of the head, which may have changed meanwhile.
#[derive(Default)]
pub(crate) struct FastDigest {
    head: Vec<u8>,
    rest: XxHash3_128,
}

impl FastDigest {
    pub(crate) fn update(&mut self, bytes: &[u8]) {
        let (head, rest) = bytes.split_at(bytes.len().min(HEAD_BYTES - self.head.len()));
        self.head.extend_from_slice(head);
        self.rest.write(rest);
    }

    pub(crate) fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        let head = self.head.get_mut(..bytes.len()).ok_or(io::ErrorKind::InvalidInput)?;
        head.copy_from_slice(bytes);
        Ok(())
    }

    pub(crate) fn finish(mut self) -> u128 {
        self.rest.write(&self.head);
        self.rest.finish_128()
    }
}

/// A file that is being read back from its start.
pub(crate) struct ReadBack {
    reader: Box<dyn Read + Send>,
    fast: FastDigest,
    sums: DigestPair,
    bytes: u64,
}

/// What was read back.
pub(crate) struct Found {
    /// The digest that is compared with that of what was written.
    pub(crate) fast: u128,
    /// Size and SHA-256 of the file.
    pub(crate) stored: Stored,
    /// SHA-256 of the part of it that was asked for, in hex.
    pub(crate) part: String,
}

impl ReadBack {
    /// Opens the file at `path`, of which `part` gets a digest of its own.
    pub(crate) fn open(disk: &dyn Disk, path: &Path, part: Range<u64>) -> io::Result<Self> {
        let reader = disk.open(path)?;
        Ok(Self { reader, fast: FastDigest::default(), sums: DigestPair::new(part), bytes: 0 })
    }

    /// Reads on to byte `to`, or to the end where there are fewer.
    fn read_to(&mut self, to: u64) -> io::Result<()> {
        let (fast, sums, bytes) = (&mut self.fast, &mut self.sums, &mut self.bytes);
        let mut more = (&mut self.reader).take(to.saturating_sub(*bytes));
        each_piece(&mut more, |piece| {
            sums.update(piece);
            fast.update(piece);
            *bytes += piece.len() as u64;
        })
    }

    /// Reads the rest.
    pub(crate) fn finish(mut self) -> io::Result<Found> {
        self.read_to(u64::MAX)?;
        let (stored, part) = self.sums.finish();
        Ok(Found { fast: self.fast.finish(), stored, part })
    }
}

/// A thread that reads a file back while it is still being written: as far as the disk has it.
pub(crate) struct Behind(JoinHandle<io::Result<ReadBack>>);

impl Behind {
    /// Begins with the file at `path`, of which `part` gets a digest of its own; `None` where the system has no thread for
    /// it, and all is read at the end.
    pub(crate) fn start(
        disk: &dyn Disk,
        path: &Path,
        part: Range<u64>,
        file: &mut dyn DiskFile,
    ) -> io::Result<Option<Self>> {
        let mut read_back = ReadBack::open(disk, path, part)?;
        let (safe, so_far) = channel();
        file.tell_safe(safe);
        let work = move || {
            so_far.into_iter().try_for_each(|bytes| read_back.read_to(bytes))?;
            Ok(read_back)
        };
        Ok(thread::Builder::new().name("read back".to_owned()).spawn(work).ok().map(Self))
    }

    /// What is read so far, once the file is synced.
    pub(crate) fn join(self) -> io::Result<ReadBack> {
        self.0.join().unwrap_or_else(|_| Err(io::Error::other("the thread that reads back gave up")))
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use loadin_record::digest::hex;
    use sha2::{Digest, Sha256};

    use super::*;
    use crate::disk::RealDisk;
    use crate::store::{Check, StoreError, WriteFailure, write};

    /// More than the disk is asked for at once, twice.
    const BYTES: usize = 20 << 20;

    fn bytes() -> Vec<u8> {
        (0..BYTES as u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 24) as u8).collect()
    }

    #[test]
    fn it_reads_while_more_is_written_and_finds_what_was_written() {
        let folder = tempfile::tempdir().unwrap();
        let (path, bytes) = (folder.path().join("file"), bytes());
        let mut file = RealDisk.create_new(&path).unwrap();
        let behind = Behind::start(&RealDisk, &path, 10..1000, &mut *file).unwrap().unwrap();
        bytes.chunks(1 << 16).for_each(|piece| file.write_all(piece).unwrap());
        file.sync().unwrap();
        let read_back = behind.join().unwrap();
        assert!(read_back.bytes >= 8 << 20, "{} bytes were read beside the writing", read_back.bytes);
        let found = read_back.finish().unwrap();
        assert_eq!(found.stored.bytes, BYTES as u64);
        assert_eq!(found.stored.sha256, hex(&Sha256::digest(&bytes)));
        assert_eq!(found.part, hex(&Sha256::digest(&bytes[10..1000])));
    }

    /// Gives what the file holds, but for one byte.
    struct Rotten(Box<dyn Read + Send>);

    impl Read for Rotten {
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let read = self.0.read(buffer)?;
            buffer[..read].iter_mut().take(1).for_each(|byte| *byte ^= 1);
            Ok(read)
        }
    }

    /// A disk that loses something after it has said that all is safe.
    struct RottenDisk;

    impl Disk for RottenDisk {
        fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
            RealDisk.create_new(path)
        }

        fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
            Ok(Box::new(Rotten(RealDisk.open(path)?)))
        }

        fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
            RealDisk.rename(from, to)
        }

        fn remove(&self, path: &Path) -> io::Result<()> {
            RealDisk.remove(path)
        }

        fn sync_folder(&self, folder: &Path) -> io::Result<()> {
            RealDisk.sync_folder(folder)
        }

        fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
            RealDisk.free_bytes(folder)
        }
    }

    #[test]
    fn what_the_disk_has_lost_is_seen_whenever_it_is_read() {
        for beside in [false, true] {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("file");
            let settled = |disk: &dyn Disk| {
                let check = Check { part: 0..0, beside };
                let contents = |out: &mut dyn loadin_codec::Output| {
                    out.write_all(&bytes()).map_err(WriteFailure::<io::Error>::Io)
                };
                write(disk, &path, check, contents).unwrap().settle(disk)
            };
            let lost = settled(&RottenDisk).err();
            assert!(matches!(lost, Some(StoreError::ReadsBackDifferent { .. })), "{beside}: {lost:?}");
            assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "nothing of it stays");
            assert_eq!(settled(&RealDisk).unwrap().stored.bytes, BYTES as u64);
        }
    }

    /// A head that is written once more makes what was read beside worthless, and all is read at the end.
    #[test]
    fn a_new_head_is_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let check = Check { part: 0..0, beside: true };
        let contents = |out: &mut dyn loadin_codec::Output| {
            out.write_all(&bytes())?;
            out.rewrite_head(b"new head").map_err(WriteFailure::<io::Error>::Io)
        };
        let settled = write(&RealDisk, &path, check, contents).unwrap().settle(&RealDisk).unwrap();
        let mut wanted = bytes();
        wanted[..8].copy_from_slice(b"new head");
        assert_eq!(settled.stored.sha256, hex(&Sha256::digest(&wanted)));
    }
}
