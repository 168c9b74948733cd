//! Durable writing: a file appears whole under its final name, or not at all.
//!
//! Temporary file in the same folder → write → flush → sync → open again and hash → rename → sync the folder.

use std::convert::Infallible;
use std::fs;
use std::io::{self, BufWriter, Write};
use std::ops::Range;
use std::path::{Path, PathBuf};

use loadin_codec::Output;
use loadin_record::digest::{Stored, hex};
use sha2::{Digest, Sha256};

use crate::disk::{Disk, DiskFile};
use crate::pieces::PIECE;
use crate::read_back::{Behind, FastDigest, Found, ReadBack};

/// Suffix of files that are not finished.
pub const UNFINISHED: &str = ".unfinished";

/// What hindered a write.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
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
}

/// Why there is no file: the disk refused it, or whoever makes its contents did.
#[derive(Debug)]
pub enum StoreFailure<E> {
    /// The disk.
    Store(StoreError),
    /// Whoever makes the contents.
    Contents(E),
}

impl<E> From<StoreError> for StoreFailure<E> {
    fn from(error: StoreError) -> Self {
        Self::Store(error)
    }
}

/// Why the closure that makes the contents has given up.
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
/// is made from what was read back. It speaks of what the system holds of the file, which mostly comes out of its cache
/// and not from the disk; the bytes are synced before.
struct Digesting {
    inner: BufWriter<Box<dyn DiskFile>>,
    digest: FastDigest,
    behind: Option<Behind>,
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
        // The thread that reads behind may have read the old head already.
        self.behind = None;
        self.inner.flush()?;
        self.inner.get_mut().rewrite_head(bytes)?;
        self.digest.rewrite_head(bytes)
    }
}

/// How a file is read back.
#[derive(Debug, Clone, Default)]
pub struct Check {
    /// Bytes that get a SHA-256 of their own.
    pub part: Range<u64>,
    /// Whether a thread of its own reads what is on the disk while more is written.
    pub beside: bool,
}

/// Contents that are written under an unfinished name and on their way to the disk.
pub struct Written<T> {
    path: PathBuf,
    unfinished: PathBuf,
    file: Box<dyn DiskFile>,
    digest: u128,
    check: Check,
    behind: Option<Behind>,
    made: T,
}

/// A file under its final name.
pub struct Settled<T> {
    /// What the contents gave.
    pub made: T,
    /// Size and SHA-256, as the file was read back.
    pub stored: Stored,
    /// SHA-256 of the part that was asked for, in hex.
    pub part: String,
}

/// Writes `path` whole or not at all; `contents` gets the writer.
///
/// # Errors
/// [`StoreFailure::Store`] when the disk refuses or does not give back what was written, [`StoreFailure::Contents`] when
/// `contents` fails. Then `path` is as it was before, unless only its folder could not be made durable.
pub fn store<T, E>(
    disk: &dyn Disk,
    path: &Path,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<(T, Stored), StoreFailure<E>> {
    let written = write_whole(disk, path, Check::default(), contents)?;
    let Settled { made, stored, .. } = written.settle(disk)?;
    Ok((made, stored))
}

/// The first half of [`store`], for whoever has other work meanwhile: the contents are handed to the system, which has
/// begun to bring them to the disk.
///
/// # Errors
/// [`StoreFailure::Store`] when the disk refuses, [`StoreFailure::Contents`] when `contents` fails. Then nothing is left
/// unfinished.
pub fn write<T, E>(
    disk: &dyn Disk,
    path: &Path,
    check: Check,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<Written<T>, StoreFailure<E>> {
    let mut written = write_whole(disk, path, check, contents)?;
    written.file.begin_sync();
    Ok(written)
}

fn write_whole<T, E>(
    disk: &dyn Disk,
    path: &Path,
    check: Check,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<Written<T>, StoreFailure<E>> {
    let unfinished = unfinished_path(path);
    let at_disk = |source| StoreError::Disk { path: path.to_owned(), source };
    // A leftover of an interrupted run is nobody's work.
    remove_if_there(disk, &unfinished).map_err(at_disk)?;
    let result = write_unfinished(disk, path, &unfinished, check, contents);
    if result.is_err() {
        clear_away(disk, &unfinished);
    }
    result
}

fn write_unfinished<T, E>(
    disk: &dyn Disk,
    path: &Path,
    unfinished: &Path,
    check: Check,
    contents: impl FnOnce(&mut dyn Output) -> Result<T, WriteFailure<E>>,
) -> Result<Written<T>, StoreFailure<E>> {
    let at_disk = |source| StoreError::Disk { path: path.to_owned(), source };
    let mut file = disk.create_new(unfinished).map_err(at_disk)?;
    let behind = if check.beside {
        Behind::start(disk, unfinished, check.part.clone(), &mut *file).map_err(at_disk)?
    } else {
        None
    };
    let inner = BufWriter::with_capacity(PIECE, file);
    let mut writer = Digesting { inner, digest: FastDigest::default(), behind };
    let made = contents(&mut writer).map_err(|failure| match failure {
        WriteFailure::Io(source) => at_disk(source).into(),
        WriteFailure::Contents(error) => StoreFailure::Contents(error),
    })?;
    let Digesting { inner, digest, behind } = writer;
    let file = inner.into_inner().map_err(|error| at_disk(error.into_error()))?;
    let (path, unfinished) = (path.to_owned(), unfinished.to_owned());
    Ok(Written { path, unfinished, file, digest: digest.finish(), check, behind, made })
}

/// Best effort: the name says what it is, and the next run removes it.
fn clear_away(disk: &dyn Disk, unfinished: &Path) {
    let _ = disk.remove(unfinished);
}

impl<T> Written<T> {
    /// The second half of [`store`]: waits for the disk, reads back, and gives the file its final name.
    ///
    /// # Errors
    /// When the disk refuses, or does not give back what was written.
    pub fn settle(self, disk: &dyn Disk) -> Result<Settled<T>, StoreError> {
        self.settle_after(disk, |_| Ok(()))
    }

    /// The same, with something to do when it is certain what the file holds and it has not got its final name yet.
    ///
    /// # Errors
    /// The same, and when `before` fails: then `path` is as `before` has left it.
    pub fn settle_after(
        self,
        disk: &dyn Disk,
        before: impl FnOnce(&Stored) -> Result<(), StoreError>,
    ) -> Result<Settled<T>, StoreError> {
        let Self { path, unfinished, mut file, digest, check, behind, made } = self;
        let at_disk = |source| StoreError::Disk { path: path.clone(), source };
        let settle = || {
            file.sync().map_err(at_disk)?;
            drop(file);
            let read_back =
                behind.map_or_else(|| ReadBack::open(disk, &unfinished, check.part), Behind::join);
            let found = read_back.and_then(ReadBack::finish).map_err(at_disk)?;
            if found.fast != digest {
                return Err(StoreError::ReadsBackDifferent { path: path.clone() });
            }
            before(&found.stored)?;
            disk.rename(&unfinished, &path).map_err(at_disk)?;
            let folder = path.parent().unwrap_or(Path::new("."));
            disk.sync_folder(folder).map_err(at_disk)?;
            Ok(found)
        };
        let result = settle();
        if result.is_err() {
            clear_away(disk, &unfinished);
        }
        result.map(|Found { stored, part, .. }| Settled { made, stored, part })
    }
}

/// Makes a folder, whose parent exists, where there is none; says whether there was none.
///
/// # Errors
/// When something else stands there, or when the file system refuses.
pub fn make_folder(disk: &dyn Disk, folder: &Path) -> io::Result<bool> {
    match disk.create_folder(folder) {
        // Another thread or machine was first.
        Err(error) if error.kind() == io::ErrorKind::AlreadyExists && folder.is_dir() => Ok(false),
        made => made.map(|()| true),
    }
}

/// Removes the files of a folder, and then the folder, unless somebody has put one into it.
///
/// # Errors
/// When the folder cannot be read, or a file cannot be removed. A folder that is not there is fine.
pub fn remove_files(disk: &dyn Disk, folder: &Path) -> io::Result<()> {
    let entries = match fs::read_dir(folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        entries => entries?,
    };
    for entry in entries {
        let entry = entry?;
        if !entry.file_type()?.is_dir() {
            disk.remove(&entry.path())?;
        }
    }
    // The system refuses to remove one that is not empty.
    let _ = disk.remove_folder(folder);
    Ok(())
}

/// Removes a file that may have gone already.
///
/// # Errors
/// When the file is there and the disk refuses.
pub fn remove_if_there(disk: &dyn Disk, path: &Path) -> io::Result<()> {
    match disk.remove(path) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

/// Gives a file the first of these names that is free.
///
/// # Errors
/// When the disk refuses.
pub fn move_to_free(
    disk: &dyn Disk,
    from: &Path,
    mut names: impl Iterator<Item = PathBuf>,
) -> Result<(), StoreError> {
    let free = names.find(|place| !place.exists()).expect("there are more names than files");
    let moved =
        disk.rename(from, &free).and_then(|()| disk.sync_folder(free.parent().unwrap_or(Path::new("."))));
    moved.map_err(|source| StoreError::Disk { path: free, source })
}

/// Where a file stands until it is whole.
pub fn unfinished_path(path: &Path) -> PathBuf {
    let mut name = std::ffi::OsString::from(".");
    // Long names must stay within the file system's limit, so the temporary name is a digest of the final one.
    let digest = Sha256::digest(path.file_name().unwrap_or_default().as_encoded_bytes());
    name.push(hex(&digest[..8]));
    name.push(UNFINISHED);
    path.with_file_name(name)
}

/// Writes a small text file whole or not at all.
///
/// # Errors
/// When the disk refuses, or does not give back what was written.
pub fn store_text(disk: &dyn Disk, path: &Path, text: &str) -> Result<Stored, StoreError> {
    store_bytes(disk, path, text.as_bytes())
}

/// Writes a small file whole or not at all.
///
/// # Errors
/// When the disk refuses, or does not give back what was written.
pub fn store_bytes(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<Stored, StoreError> {
    let contents = |writer: &mut dyn Output| Ok(writer.write_all(bytes)?);
    match store::<(), Infallible>(disk, path, contents) {
        Ok(((), stored)) => Ok(stored),
        Err(StoreFailure::Store(error)) => Err(error),
        Err(StoreFailure::Contents(never)) => match never {},
    }
}
