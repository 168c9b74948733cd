//! Durable writing: a file appears whole under its final name, or not at all.
//!
//! Temporary file in the same folder → write → flush → sync → open again and hash → rename → sync the folder.

use std::convert::Infallible;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Read, Seek, SeekFrom, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::thread::{self, JoinHandle};

use loadin_codec::Output;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use xxhash_rust::xxh3::Xxh3;

use crate::with_part::WithPart;

/// The few calls that writing needs, so that tests can let each of them fail.
pub trait Disk: Send + Sync {
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
    /// Bytes that can still be written to the file system of a folder.
    fn free_bytes(&self, folder: &Path) -> io::Result<u64>;
}

/// A file that is being written.
pub trait DiskFile: Write + Send {
    /// Says that all is written and shall be brought to the disk, and does not wait.
    fn begin_sync(&mut self) {}
    /// Writes the first bytes once more; what is written next still goes to the end.
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()>;
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

/// The thread that waits for the disk: once for every request, and once more when there will be no other.
struct Syncer {
    requests: Option<SyncSender<()>>,
    thread: JoinHandle<io::Result<()>>,
}

/// Bytes after which the disk is asked to begin.
const SYNC_BYTES: u64 = 8 << 20;

impl Syncer {
    fn start(file: &File) -> io::Result<Self> {
        let file = file.try_clone()?;
        let (requests, requested) = sync_channel(1);
        let work = move || {
            requested.into_iter().try_for_each(|()| file.sync_data())?;
            file.sync_all()
        };
        let thread = thread::Builder::new().name("write behind".to_owned()).spawn(work)?;
        Ok(Self { requests: Some(requests), thread })
    }

    fn request(&self) {
        if let Some(requests) = &self.requests {
            // A request that meets a busy disk is dropped: the next one covers it.
            let _ = requests.try_send(());
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
        self.pending += written as u64;
        if self.pending >= SYNC_BYTES {
            self.pending = 0;
            self.start_syncer();
            self.syncer.iter().for_each(Syncer::request);
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
        self.syncer = self.syncer.take().or_else(|| Syncer::start(&self.file).ok());
    }
}

impl DiskFile for WriteBehind {
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
        self.syncer.take().map_or_else(|| self.file.sync_all(), Syncer::finish)
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

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        fs4::available_space(folder)
    }
}

/// Suffix of files that are not finished.
pub const UNFINISHED: &str = ".unfinished";

/// How much is read or written at once.
const PIECE: usize = 1 << 18;

/// A finished file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
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
struct Digesting {
    inner: BufWriter<Box<dyn DiskFile>>,
    digest: FastDigest,
}

impl Write for Digesting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let written = self.inner.write(bytes)?;
        self.digest.update(&bytes[..written]);
        Ok(written)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

impl Output for Digesting {
    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.inner.flush()?;
        self.inner.get_mut().rewrite_head(bytes)?;
        self.digest.rewrite_head(bytes)
    }
}

/// Bytes at the start of a file that can be written once more.
const HEAD_BYTES: usize = 64;

/// A fast digest of everything behind the head, and then of the head, which may have changed meanwhile.
#[derive(Default)]
struct FastDigest {
    head: Vec<u8>,
    rest: Xxh3,
}

impl FastDigest {
    fn update(&mut self, bytes: &[u8]) {
        let (head, rest) = bytes.split_at(bytes.len().min(HEAD_BYTES - self.head.len()));
        self.head.extend_from_slice(head);
        self.rest.update(rest);
    }

    fn rewrite_head(&mut self, bytes: &[u8]) -> io::Result<()> {
        let head = self.head.get_mut(..bytes.len()).ok_or(io::ErrorKind::InvalidInput)?;
        head.copy_from_slice(bytes);
        Ok(())
    }

    fn finish(mut self) -> u128 {
        self.rest.update(&self.head);
        self.rest.digest128()
    }
}

/// Contents that are written under an unfinished name and on their way to the disk.
pub struct Written<T> {
    path: PathBuf,
    unfinished: PathBuf,
    file: Box<dyn DiskFile>,
    digest: u128,
    made: T,
}

/// Writes `path` whole or not at all; `contents` gets the writer.
pub fn store<T, E>(
    disk: &dyn Disk,
    path: &Path,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<(T, Stored), StoreError<E>> {
    write_whole(disk, path, contents)?.settle(disk).map_err(StoreError::with_contents)
}

/// The first half of [`store`], for whoever has other work meanwhile: the contents are handed to the system, which has
/// begun to bring them to the disk.
pub fn write<T, E>(
    disk: &dyn Disk,
    path: &Path,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<Written<T>, StoreError<E>> {
    let mut written = write_whole(disk, path, contents)?;
    written.file.begin_sync();
    Ok(written)
}

fn write_whole<T, E>(
    disk: &dyn Disk,
    path: &Path,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<Written<T>, StoreError<E>> {
    let unfinished = unfinished_path(path);
    let at_disk = |source| StoreError::Disk { path: path.to_owned(), source };
    // A leftover of an interrupted run is nobody's work.
    remove_if_there(disk, &unfinished).map_err(at_disk)?;
    let result = write_unfinished(disk, path, &unfinished, contents);
    if result.is_err() {
        clear_away(disk, &unfinished);
    }
    result
}

fn write_unfinished<T, E>(
    disk: &dyn Disk,
    path: &Path,
    unfinished: &Path,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<Written<T>, StoreError<E>> {
    let at_disk = |source| StoreError::Disk { path: path.to_owned(), source };
    let file = disk.create_new(unfinished).map_err(at_disk)?;
    let mut writer =
        Digesting { inner: BufWriter::with_capacity(PIECE, file), digest: FastDigest::default() };
    let made = contents(&mut writer).map_err(|failure| match failure {
        WriteFailure::Io(source) => at_disk(source),
        WriteFailure::Contents(error) => StoreError::Contents(error),
    })?;
    let Digesting { inner, digest } = writer;
    let file = inner.into_inner().map_err(|error| at_disk(error.into_error()))?;
    let (path, unfinished) = (path.to_owned(), unfinished.to_owned());
    Ok(Written { path, unfinished, file, digest: digest.finish(), made })
}

/// Best effort: the name says what it is, and the next run removes it.
fn clear_away(disk: &dyn Disk, unfinished: &Path) {
    let _ = disk.remove(unfinished);
}

impl<T> Written<T> {
    /// What the contents amount to.
    pub(crate) fn made(&self) -> &T {
        &self.made
    }

    /// The second half of [`store`]: waits for the disk, reads back, and gives the file its final name.
    pub fn settle(self, disk: &dyn Disk) -> Result<(T, Stored), StoreError<Infallible>> {
        self.settle_with_part(disk, 0..0).map(|(made, stored, _)| (made, stored))
    }

    /// The same, with the SHA-256 of a part of what was read back, in hex.
    pub(crate) fn settle_with_part(
        self,
        disk: &dyn Disk,
        part: Range<u64>,
    ) -> Result<(T, Stored, String), StoreError<Infallible>> {
        let Self { path, unfinished, mut file, digest, made } = self;
        let at_disk = |source| StoreError::Disk { path: path.clone(), source };
        let settle = || {
            file.sync().map_err(at_disk)?;
            drop(file);
            let mut read_back = FastDigest::default();
            let mut reader = disk.open(&unfinished).map_err(at_disk)?;
            let mut sums = WithPart::new(part);
            let see = |piece: &[u8]| {
                sums.update(piece);
                read_back.update(piece);
            };
            each_piece(&mut *reader, see).map_err(at_disk)?;
            if read_back.finish() != digest {
                return Err(StoreError::ReadsBackDifferent { path: path.clone() });
            }
            disk.rename(&unfinished, &path).map_err(at_disk)?;
            let folder = path.parent().unwrap_or(Path::new("."));
            disk.sync_folder(folder).map_err(at_disk)?;
            Ok(sums.finish())
        };
        let result = settle();
        if result.is_err() {
            clear_away(disk, &unfinished);
        }
        result.map(|(stored, part)| (made, stored, part))
    }
}

impl<E> StoreError<E> {
    /// What whoever made the contents says; else the failure of the disk.
    pub(crate) fn contents(self) -> Result<E, StoreError<Infallible>> {
        match self {
            Self::Contents(error) => Ok(error),
            Self::Disk { path, source } => Err(StoreError::Disk { path, source }),
            Self::ReadsBackDifferent { path } => Err(StoreError::ReadsBackDifferent { path }),
        }
    }
}

impl StoreError<Infallible> {
    /// The same failure, where the contents could have failed too.
    fn with_contents<E>(self) -> StoreError<E> {
        match self {
            Self::Disk { path, source } => StoreError::Disk { path, source },
            Self::ReadsBackDifferent { path } => StoreError::ReadsBackDifferent { path },
        }
    }
}

/// Removes a file that may have gone already.
pub(crate) fn remove_if_there(disk: &dyn Disk, path: &Path) -> io::Result<()> {
    match disk.remove(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Gives a file the first of these names that is free.
pub(crate) fn move_to_free(
    disk: &dyn Disk,
    from: &Path,
    mut names: impl Iterator<Item = PathBuf>,
) -> Result<(), StoreError<Infallible>> {
    let free = names.find(|place| !place.exists()).expect("there are more names than files");
    let moved =
        disk.rename(from, &free).and_then(|()| disk.sync_folder(free.parent().unwrap_or(Path::new("."))));
    moved.map_err(|source| StoreError::Disk { path: free, source })
}

/// Where a file stands until it is whole.
pub(crate) fn unfinished_path(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    // Long names must stay within the file system's limit, so the temporary name is a digest of the final one.
    let digest = Sha256::digest(path.file_name().unwrap_or_default().as_encoded_bytes());
    name.push(hex(&digest[..8]));
    name.push(UNFINISHED);
    path.with_file_name(name)
}

/// Size and SHA-256 of a file.
pub fn digest_file(path: &Path) -> io::Result<Stored> {
    digest(&mut File::open(path)?)
}

/// Size and SHA-256 of everything that a reader gives.
pub(crate) fn digest(reader: &mut dyn Read) -> io::Result<Stored> {
    let mut stored = DigestWriter::default();
    each_piece(reader, |piece| stored.add(piece))?;
    Ok(stored.finish())
}

/// A writer that keeps nothing but size and SHA-256 of what it is given.
///
/// A head that is written once more cannot go into a digest that has passed it, so the same has to be written again to
/// a writer that knows the head.
#[derive(Default)]
pub(crate) struct DigestWriter {
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
    pub(crate) fn knowing(head: Vec<u8>) -> Self {
        Self { head, ..Self::default() }
    }

    /// The head that was written last, where it is another one than this writer knew.
    pub(crate) fn better_head(&mut self) -> Option<Vec<u8>> {
        self.better_head.take()
    }

    pub(crate) fn finish(self) -> Stored {
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
pub(crate) fn each_piece(reader: &mut dyn Read, mut see: impl FnMut(&[u8])) -> io::Result<()> {
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

/// Lower-case hex.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// A value as indented JSON with one final newline.
pub(crate) fn json_text(value: &impl Serialize) -> String {
    serde_json::to_string_pretty(value).expect("a record holds nothing that JSON cannot") + "\n"
}

/// Writes a small text file whole or not at all.
pub fn store_text(disk: &dyn Disk, path: &Path, text: &str) -> Result<Stored, StoreError<Infallible>> {
    store_bytes(disk, path, text.as_bytes())
}

/// Writes a small file whole or not at all.
pub(crate) fn store_bytes(
    disk: &dyn Disk,
    path: &Path,
    bytes: &[u8],
) -> Result<Stored, StoreError<Infallible>> {
    store(disk, path, |writer| Ok(writer.write_all(bytes)?)).map(|((), stored)| stored)
}
