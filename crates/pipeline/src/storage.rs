//! Durable writing: a file appears whole under its final name, or not at all.
//!
//! Temporary file in the same folder → write → flush → sync → open again and hash → rename → sync the folder.

use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Read, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::JoinHandle;

use sha2::{Digest, Sha256};
use xxhash_rust::xxh3::Xxh3;

/// The few calls that writing needs, so that tests can let each of them fail.
pub trait Disk: Sync {
    /// Creates a file that must not exist yet.
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>>;
    /// Opens a file for reading.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>>;
    /// Renames within one folder; an existing file is replaced.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;
    /// Removes a file.
    fn remove(&self, path: &Path) -> io::Result<()>;
    /// Makes the entries of a folder durable.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;
}

/// A file that is being written.
pub trait DiskFile: Write + Send {
    /// Makes the contents durable.
    fn sync(&mut self) -> io::Result<()>;
}

/// The operating system's file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealDisk;

/// A file whose contents are sent to the disk while it is being written, so that the last sync has little to wait for.
struct WriteBehind {
    file: File,
    pending: u64,
    syncer: Option<Syncer>,
}

/// The thread that waits for the disk.
struct Syncer {
    wake: SyncSender<()>,
    thread: JoinHandle<io::Result<()>>,
}

/// Bytes after which the disk is asked to begin.
const SYNC_BYTES: u64 = 8 << 20;

impl Syncer {
    fn start(file: &File) -> io::Result<Self> {
        let file = file.try_clone()?;
        // A request that meets a busy disk is dropped: the next one covers it.
        let (wake, woken) = sync_channel(1);
        let work = move || woken.into_iter().try_for_each(|()| file.sync_data());
        let thread = std::thread::Builder::new().name("write behind".to_owned()).spawn(work)?;
        Ok(Self { wake, thread })
    }

    /// Ends the thread. The system reports a failed write only once, perhaps to this thread: so it must be asked.
    fn finish(self) -> io::Result<()> {
        drop(self.wake);
        self.thread.join().unwrap_or_else(|_| Err(io::Error::other("the thread that syncs gave up")))
    }
}

impl Write for WriteBehind {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.file.write(bytes)?;
        self.pending += written as u64;
        if self.pending >= SYNC_BYTES {
            self.pending = 0;
            if self.syncer.is_none() {
                self.syncer = Some(Syncer::start(&self.file)?);
            }
            if let Some(syncer) = &self.syncer {
                let _ = syncer.wake.try_send(());
            }
        }
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}

impl DiskFile for WriteBehind {
    fn sync(&mut self) -> io::Result<()> {
        let behind = self.syncer.take().map_or(Ok(()), Syncer::finish);
        self.file.sync_all().and(behind)
    }
}

impl Disk for RealDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let file = OpenOptions::new().write(true).create_new(true).open(path)?;
        Ok(Box::new(WriteBehind { file, pending: 0, syncer: None }))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        Ok(Box::new(File::open(path)?))
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
}

/// Suffix of files that are not finished.
pub const UNFINISHED: &str = ".unfinished";

/// How much is read or written at once.
const PIECE: usize = 1 << 18;

/// A finished file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stored {
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256 in hex.
    pub sha256: String,
}

/// What hindered a write.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError<E> {
    /// The file system refused.
    #[error("cannot write \"{}\": {source}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// What was read back is not what was written.
    #[error("\"{}\" reads back differently from what was written: the disk or the share cannot be trusted", path.display())]
    ReadsBackDifferent {
        /// The file.
        path: PathBuf,
    },
    /// Whoever made the contents failed.
    #[error(transparent)]
    Contents(E),
}

/// Failures inside the closure that makes the contents.
#[derive(Debug)]
pub enum WriteFailure<E> {
    /// Writing failed.
    Io(io::Error),
    /// Making the contents failed.
    Contents(E),
}

impl<E> From<io::Error> for WriteFailure<E> {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// A writer that digests what passes. What is read back is compared by this fast digest; the SHA-256 of the record
/// is made from what was read back, so that it speaks of the disk and not of the memory.
struct Digesting<W> {
    inner: W,
    digest: Xxh3,
}

impl<W: Write> Write for Digesting<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.inner.write(bytes)?;
        self.digest.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

/// Writes `path` whole or not at all; `contents` gets the writer.
pub fn store<T, E>(
    disk: &dyn Disk,
    path: &Path,
    contents: impl FnOnce(&mut dyn Write) -> Result<T, WriteFailure<E>>,
) -> Result<(T, Stored), StoreError<E>> {
    let unfinished = unfinished_path(path);
    let at_disk = |source| StoreError::Disk { path: path.to_owned(), source };
    // A leftover of an interrupted run is nobody's work.
    match disk.remove(&unfinished) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(at_disk(error)),
        _ => {}
    }
    let result = write_and_check(disk, path, &unfinished, contents)
        .and_then(|done| disk.rename(&unfinished, path).map(|()| done).map_err(at_disk))
        .and_then(|done| {
            let folder = path.parent().unwrap_or(Path::new("."));
            disk.sync_folder(folder).map(|()| done).map_err(at_disk)
        });
    if result.is_err() {
        // Best effort: the name says what it is, and the next run removes it.
        let _ = disk.remove(&unfinished);
    }
    result
}

fn unfinished_path(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    // Long names must stay within the file system's limit, so the temporary name is a digest of the final one.
    let digest = Sha256::digest(path.file_name().unwrap_or_default().as_encoded_bytes());
    name.push(hex(&digest[..8]));
    name.push(UNFINISHED);
    path.with_file_name(name)
}

fn write_and_check<T, E>(
    disk: &dyn Disk,
    path: &Path,
    unfinished: &Path,
    contents: impl FnOnce(&mut dyn Write) -> Result<T, WriteFailure<E>>,
) -> Result<(T, Stored), StoreError<E>> {
    let at_disk = |source| StoreError::Disk { path: path.to_owned(), source };
    let file = disk.create_new(unfinished).map_err(at_disk)?;
    let mut writer = Digesting { inner: BufWriter::with_capacity(PIECE, file), digest: Xxh3::new() };
    let made = contents(&mut writer).map_err(|failure| match failure {
        WriteFailure::Io(source) => at_disk(source),
        WriteFailure::Contents(error) => StoreError::Contents(error),
    })?;
    let Digesting { inner, digest: written } = writer;
    let mut file = inner.into_inner().map_err(|error| at_disk(error.into_error()))?;
    file.sync().map_err(at_disk)?;
    drop(file);
    let mut read_back = Xxh3::new();
    let stored = read_all(&mut *disk.open(unfinished).map_err(at_disk)?, |piece| read_back.update(piece))
        .map_err(at_disk)?;
    if read_back.digest128() == written.digest128() {
        Ok((made, stored))
    } else {
        Err(StoreError::ReadsBackDifferent { path: path.to_owned() })
    }
}

/// Size and SHA-256 of everything that `reader` gives.
pub fn digest(reader: &mut dyn Read) -> io::Result<Stored> {
    read_all(reader, |_| {})
}

/// Reads everything; `also` sees every piece.
fn read_all(reader: &mut dyn Read, mut also: impl FnMut(&[u8])) -> io::Result<Stored> {
    let mut hash = Sha256::new();
    let mut piece = vec![0; PIECE];
    let mut bytes = 0;
    loop {
        match reader.read(&mut piece) {
            Ok(0) => return Ok(Stored { bytes, sha256: hex(&hash.finalize()) }),
            Ok(read) => {
                hash.update(&piece[..read]);
                also(&piece[..read]);
                bytes += read as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// Lower-case hex.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// Writes a small text file whole or not at all.
pub fn store_text(
    disk: &dyn Disk,
    path: &Path,
    text: &str,
) -> Result<Stored, StoreError<std::convert::Infallible>> {
    store(disk, path, |writer| Ok(writer.write_all(text.as_bytes())?)).map(|((), stored)| stored)
}
