//! The calls of a file system that durable writing needs, and that of the operating system.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::sync::mpsc::{Sender, SyncSender, sync_channel};
use std::thread::{self, JoinHandle};

use crate::plain_file;

/// The few calls that writing needs, so that tests can let each of them fail.
pub trait Disk: Send + Sync {
    /// Creates a file that must not exist yet.
    ///
    /// # Errors
    /// When the file exists, or when the file system refuses.
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for reading.
    ///
    /// # Errors
    /// When there is no such file, or when the file system refuses.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>>;
    /// Renames within one folder; an existing file is replaced.
    ///
    /// # Errors
    /// When the file system refuses.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file.
    ///
    /// # Errors
    /// When there is no such file, or when the file system refuses.
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Creates a folder, whose parent exists.
    ///
    /// # Errors
    /// When there is something of that name, or when the file system refuses.
    fn create_folder(&self, folder: &Path) -> io::Result<()> {
        fs::create_dir(folder)
    }
    /// Removes an empty folder.
    ///
    /// # Errors
    /// When it is not empty or not there, or when the file system refuses.
    fn remove_folder(&self, folder: &Path) -> io::Result<()> {
        fs::remove_dir(folder)
    }
    /// Makes the entries of a folder durable.
    ///
    /// # Errors
    /// When the file system cannot promise it.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;
    /// Bytes that can still be written to the file system of a folder.
    ///
    /// # Errors
    /// When the file system does not tell.
    fn free_bytes(&self, folder: &Path) -> io::Result<u64>;
}

/// A file that is being written.
pub trait DiskFile: Write + Send {
    /// Sends to `safe` how many bytes from the start of the file are durable, whenever more of them are. A file that cannot
    /// tell drops it.
    fn tell_safe(&mut self, _safe: Sender<u64>) {}
    /// Says that all is written and shall be brought to the disk, and does not wait.
    fn begin_sync(&mut self) {}
    /// Writes the first bytes once more; what is written next still goes to the end.
    ///
    /// # Errors
    /// When the file system refuses.
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()>;
    /// Makes the contents durable.
    ///
    /// # Errors
    /// When the file system cannot promise it, or has failed to write something before.
    fn sync(&mut self) -> io::Result<()>;
}

/// The operating system's file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

/// A file whose contents are sent to the disk while it is being written, so that the last sync has little to wait for.
struct WriteBehind {
    file: File,
    written: u64,
    /// How many of those bytes the disk was asked for.
    requested: u64,
    syncer: Option<Syncer>,
    /// Who wants to know which bytes are durable, until the syncer is told.
    safe: Option<Sender<u64>>,
}

/// The thread that waits for the disk: once for every request, which is the number of bytes written before it, and once
/// more when there will be no other.
struct Syncer {
    requests: Option<SyncSender<u64>>,
    thread: JoinHandle<io::Result<()>>,
}

/// Bytes after which the disk is asked to begin.
const SYNC_BYTES: u64 = 8 << 20;

impl Syncer {
    fn start(file: &File, safe: Option<Sender<u64>>) -> io::Result<Self> {
        let file = file.try_clone()?;
        let (requests, requested) = sync_channel(1);
        let work = move || {
            for written in requested {
                file.sync_data()?;
                if let Some(safe) = &safe {
                    // Whoever wanted to know may have given up.
                    let _ = safe.send(written);
                }
            }
            file.sync_all()
        };
        let thread = thread::Builder::new().name("write behind".to_owned()).spawn(work)?;
        Ok(Self { requests: Some(requests), thread })
    }

    fn request(&self, written: u64) {
        if let Some(requests) = &self.requests {
            // A request that meets a busy disk is dropped: the next one covers it.
            let _ = requests.try_send(written);
        }
    }

    /// Waits for the last sync. The system reports a failed write only once, perhaps to this thread.
    fn finish(mut self) -> io::Result<()> {
        self.requests = None;
        self.thread.join().unwrap_or_else(|_| Err(io::Error::other("the thread that syncs gave up")))
    }
}

impl Write for WriteBehind {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.written += written as u64;
        if self.written - self.requested >= SYNC_BYTES {
            self.requested = self.written;
            self.start_syncer();
            self.syncer.iter().for_each(|syncer| syncer.request(self.written));
        }
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl WriteBehind {
    /// Without a thread the last sync does it all.
    fn start_syncer(&mut self) {
        if self.syncer.is_none() {
            self.syncer = Syncer::start(&self.file, self.safe.take()).ok();
        }
    }
}

impl DiskFile for WriteBehind {
    fn tell_safe(&mut self, safe: Sender<u64>) {
        self.safe = Some(safe);
    }

    fn begin_sync(&mut self) {
        self.start_syncer();
        if let Some(syncer) = &mut self.syncer {
            syncer.requests = None;
        }
    }

    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file.rewind()?;
        self.file.write_all(bytes)?;
        self.file.seek(SeekFrom::End(0)).map(drop)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.safe = None;
        self.syncer.take().map_or_else(|| self.file.sync_all(), Syncer::finish)
    }
}

impl RealDisk {
    /// A file that was created for writing.
    pub(crate) fn writing(file: File) -> Box<dyn DiskFile> {
        Box::new(WriteBehind { file, written: 0, requested: 0, syncer: None, safe: None })
    }
}

impl Disk for RealDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        Ok(Self::writing(OpenOptions::new().write(true).create_new(true).open(path)?))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        Ok(Box::new(plain_file::open(path)?))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        // Folders cannot be opened as files everywhere; where they can, their entries are synced.
        if cfg!(unix) { File::open(folder)?.sync_all() } else { Ok(()) }
    }

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        fs4::available_space(folder)
    }
}
