//! The one place where the path of a source becomes a stream of bytes: a file, or an entry of a ZIP archive, which is
//! read in place and never unpacked to the disk.

use std::fs::{self, File, Metadata};
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Component, Path, PathBuf};
use std::time::SystemTime;

use super::archive::{self, Entry};
use super::inflate::Inflated;
use super::window::{Window, moved};
use loadin_storage::plain_file;
use loadin_storage::written_path::meant;

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

/// Opens the source of the delivery in `root` whose written path is `path`.
pub(crate) fn open(root: &Path, path: &str) -> io::Result<SourceFile> {
    locate(root, path)?.open()
}

/// Finds the source whose written path is `path` in `root`, which is a folder or an archive: that file and no other.
pub(crate) fn locate(root: &Path, path: &str) -> io::Result<SourceLocation> {
    if archive::is_archive(root) {
        return entry(root, path);
    }
    // A path out of a record may lead anywhere.
    let below = |text: &str| {
        let inside = PathBuf::from(meant(text));
        let stays = inside.components().all(|part| matches!(part, Component::Normal(_)));
        stays.then(|| root.join(inside))
    };
    if let Some(direct) = below(path).filter(|direct| fs::symlink_metadata(direct).is_ok()) {
        return Ok(SourceLocation::File(direct));
    }
    for (end, _) in path.match_indices('/') {
        if let Some(folder) = below(&path[..end]).filter(|folder| archive::is_archive(folder)) {
            return entry(&folder, &path[end + 1..]);
        }
    }
    Err(io::ErrorKind::NotFound.into())
}

fn entry(archive: &Path, name: &str) -> io::Result<SourceLocation> {
    let listed = archive::list(archive)?.into_iter().find(|listed| listed.name == name);
    let entry = listed.ok_or(io::ErrorKind::NotFound)?.entry.map_err(io::Error::other)?;
    Ok(SourceLocation::Entry(archive.to_owned(), entry))
}

/// What changes when somebody writes to a file, or puts another one in its place.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct State {
    bytes: u64,
    written: Option<SystemTime>,
    /// The disk, the file's number on it, and when anything of it has changed; zeros where the system does not tell.
    identity: (u64, u64, i64, i64),
}

#[cfg(unix)]
fn identity(data: &Metadata) -> (u64, u64, i64, i64) {
    use std::os::unix::fs::MetadataExt;

    (data.dev(), data.ino(), data.ctime(), data.ctime_nsec())
}

#[cfg(not(unix))]
fn identity(_data: &Metadata) -> (u64, u64, i64, i64) {
    (0, 0, 0, 0)
}

impl SourceLocation {
    /// How the file on the disk stands now: two that are equal are of a file to which nobody wrote between.
    pub(crate) fn state(&self) -> io::Result<State> {
        let data = fs::metadata(self.path())?;
        Ok(State { bytes: data.len(), written: data.modified().ok(), identity: identity(&data) })
    }

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
            Self::File(path) => Ok(SourceFile::File(plain_file::open(path)?)),
            Self::Entry(path, entry) => {
                let file = plain_file::open(path)?;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_written_path_finds_its_own_file_and_nothing_outside() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().join("song");
        fs::create_dir_all(root.join("drums")).unwrap();
        fs::write(root.join("drums/Kick.wav"), "").unwrap();
        fs::write(folder.path().join("outside.wav"), "").unwrap();
        let found = |path: &str| locate(&root, path).map(|place| place.path().to_owned());
        assert_eq!(found("drums/Kick.wav").unwrap(), root.join("drums/Kick.wav"));
        let outside = folder.path().join("outside.wav");
        for path in ["../outside.wav", "drums/../../outside.wav", outside.to_str().unwrap(), "drums/kick"] {
            let kind = found(path).map_err(|error| error.kind());
            assert_eq!(kind, Err(io::ErrorKind::NotFound), "{path}");
        }
    }

    /// Nothing that merely reads like it is taken for it.
    #[cfg(target_os = "linux")]
    #[test]
    fn bytes_find_their_own_file() {
        use std::ffi::OsStr;
        use std::os::unix::ffi::OsStrExt;

        let folder = tempfile::tempdir().unwrap();
        let real = |name: &[u8]| folder.path().join(OsStr::from_bytes(name));
        let names = [&b"a\xFE.wav"[..], b"a\\xFE.wav", b"a\nb.wav", b"a\\b.wav"];
        for name in names {
            fs::write(real(name), "").unwrap();
        }
        for (path, name) in [r"a\xFE.wav", r"a\\xFE.wav", r"a\nb.wav", r"a\\b.wav"].into_iter().zip(names) {
            assert_eq!(locate(folder.path(), path).unwrap().path(), real(name), "{path}");
        }
        for path in ["a\u{FFFD}.wav", r"a\xFF.wav"] {
            assert!(locate(folder.path(), path).is_err(), "{path}");
        }
        // A record of an earlier version has the backslash and the line feed as they are.
        assert_eq!(locate(folder.path(), r"a\b.wav").unwrap().path(), real(b"a\\b.wav"));
        assert_eq!(locate(folder.path(), "a\nb.wav").unwrap().path(), real(b"a\nb.wav"));
    }
}
