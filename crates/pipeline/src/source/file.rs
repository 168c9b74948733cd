//! The one place where the path of a source becomes a stream of bytes: a file, or an entry of a ZIP archive, which is
//! read in place and never unpacked to the disk.

use std::fs::{self, File};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use super::archive::{self, Entry};
use super::inflate::Inflated;
use super::window::{Window, moved};

/// Where a source is.
#[derive(Debug, Clone)]
pub(crate) enum SourceLocation {
    /// A file.
    File(PathBuf),
    /// An entry of the archive in this file.
    Entry(PathBuf, Entry),
}

/// A source that is being read.
pub(crate) enum SourceFile {
    /// A file.
    File(File),
    /// A part of an archive, as it is.
    Stored(Window),
    /// A part of an archive that is unpacked while it is read.
    Inflated(Box<Inflated>),
}

/// Opens the source `path` of the delivery in `root`.
pub(crate) fn open(root: &Path, path: &str) -> io::Result<SourceFile> {
    locate(root, path)?.open()
}

/// Finds the source `path` in `root`, which is a folder or an archive: names that are not Unicode are found again by
/// their readable form.
pub(crate) fn locate(root: &Path, path: &str) -> io::Result<SourceLocation> {
    if archive::is_archive(root) {
        return entry(root, path);
    }
    let direct = root.join(path);
    if fs::symlink_metadata(&direct).is_ok() {
        return Ok(SourceLocation::File(direct));
    }
    let mut real = root.to_owned();
    let mut rest = path;
    while !rest.is_empty() {
        if archive::is_archive(&real) {
            return entry(&real, rest);
        }
        let (part, behind) = rest.split_once('/').unwrap_or((rest, ""));
        let found = fs::read_dir(&real).ok().into_iter().flatten().flatten();
        real = found
            .map(|entry| entry.path())
            .find(|p| p.file_name().is_some_and(|n| n.to_string_lossy() == part))
            .ok_or(io::ErrorKind::NotFound)?;
        rest = behind;
    }
    Ok(SourceLocation::File(real))
}

fn entry(archive: &Path, name: &str) -> io::Result<SourceLocation> {
    let listed = archive::list(archive)?.into_iter().find(|listed| listed.name == name);
    let entry = listed.ok_or(io::ErrorKind::NotFound)?.entry.map_err(io::Error::other)?;
    Ok(SourceLocation::Entry(archive.to_owned(), entry))
}

impl SourceLocation {
    /// The file on the disk: the source itself, or the archive that holds it.
    pub(crate) fn path(&self) -> &Path {
        match self {
            Self::File(path) | Self::Entry(path, _) => path,
        }
    }

    /// Size in bytes.
    pub(crate) fn bytes(&self) -> io::Result<u64> {
        match self {
            Self::File(path) => fs::metadata(path).map(|metadata| metadata.len()),
            Self::Entry(_, entry) => Ok(entry.bytes),
        }
    }

    pub(crate) fn open(&self) -> io::Result<SourceFile> {
        match self {
            Self::File(path) => Ok(SourceFile::File(File::open(path)?)),
            Self::Entry(path, entry) => {
                let file = File::open(path)?;
                if entry.deflated {
                    return Ok(SourceFile::Inflated(Box::new(Inflated::new(file, *entry)?)));
                }
                Ok(SourceFile::Stored(Window::new(file, *entry)))
            }
        }
    }
}

impl SourceFile {
    /// The same source once more. For a file, the place in it is shared.
    pub(crate) fn try_clone(&self) -> io::Result<Self> {
        Ok(match self {
            Self::File(file) => Self::File(file.try_clone()?),
            Self::Stored(Window { file, entry, .. }) => Self::Stored(Window::new(file.try_clone()?, *entry)),
            Self::Inflated(inflated) => Self::Inflated(Box::new(inflated.again()?)),
        })
    }
}

impl Read for SourceFile {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match self {
            Self::File(file) => file.read(bytes),
            Self::Stored(window) => window.read(bytes),
            Self::Inflated(inflated) => inflated.read(bytes),
        }
    }
}

impl Seek for SourceFile {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        match self {
            Self::File(file) => file.seek(to),
            Self::Stored(window) => {
                window.at = moved(to, window.at, window.entry.bytes)?;
                Ok(window.at)
            }
            Self::Inflated(inflated) => inflated.seek(to),
        }
    }
}
