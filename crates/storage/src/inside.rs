//! Files inside an output folder that may come back from strangers: opened, made and removed without following a link on the
//! way, so that nothing outside of the folder is meant for one of it. It knows no record; how a path is written is checked by its type.

#[cfg(unix)]
use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Error, ErrorKind};
use std::path::{Component, Path, PathBuf};

#[cfg(unix)]
use rustix::fs::{AtFlags, Mode, OFlags, linkat, mkdirat, openat, renameat, unlinkat};
#[cfg(unix)]
use rustix::io::Errno;

use loadin_record::digest::Stored;
use loadin_record::path_below::PathBelow;

use crate::pieces::digest as digest_of;
use crate::plain_file;

/// Opens a plain file below `root` for reading.
///
/// # Errors
/// When it cannot be opened, is no plain file, or when it or a folder on the way to it is a link.
pub fn open(root: &Path, path: &PathBelow) -> io::Result<File> {
    let file = place(root, Path::new(&**path))?.open()?;
    plain_file::check(&file.metadata()?)?;
    Ok(file)
}

/// Size and SHA-256 of a plain file below `root`.
///
/// # Errors
/// As [`open`], or when it cannot be read.
pub fn digest(root: &Path, path: &PathBelow) -> io::Result<Stored> {
    digest_of(&mut open(root, path)?)
}

/// Refuses what is a link where a file or folder of our own would be; nothing at all is fine.
///
/// # Errors
/// When it is one, or when the system does not say.
pub fn refuse_link(path: &Path) -> io::Result<()> {
    match fs::symlink_metadata(path) {
        Ok(data) if data.is_symlink() => Err(is_link()),
        Err(error) if error.kind() != ErrorKind::NotFound => Err(error),
        _ => Ok(()),
    }
}

fn is_link() -> Error {
    Error::new(ErrorKind::InvalidInput, "it is a link, which may lead out of the folder")
}

/// A name in a folder that was come to without a link.
#[cfg(unix)]
pub(crate) struct Place {
    folder: File,
    name: OsString,
    /// Its path, for what errors say.
    real: PathBuf,
}

/// Comes to `below`, which has a name at least, in the folder `root`. Each name is opened in the folder that was opened before
/// it: nobody can put a link in between.
#[cfg(unix)]
pub(crate) fn place(root: &Path, below: &Path) -> io::Result<Place> {
    let mut place = Place { folder: File::open(root)?, name: OsString::new(), real: root.to_owned() };
    for part in below.components() {
        let Component::Normal(name) = part else { return Err(leads_out()) };
        if !place.name.is_empty() {
            place.folder = place.opened(OFlags::RDONLY | OFlags::DIRECTORY)?;
        }
        name.clone_into(&mut place.name);
        place.real.push(name);
    }
    if place.name.is_empty() { Err(leads_out()) } else { Ok(place) }
}

#[cfg(unix)]
impl Place {
    fn opened(&self, flags: OFlags) -> io::Result<File> {
        let flags = flags | OFlags::CLOEXEC | OFlags::NOFOLLOW;
        let mode = Mode::from_raw_mode(0o666);
        match openat(&self.folder, &self.name, flags, mode) {
            Ok(file) => Ok(file.into()),
            // What is no folder, or a link, is told in several ways by different systems.
            Err(Errno::LOOP | Errno::MLINK | Errno::NOTDIR) if refuse_link(&self.real).is_err() => {
                Err(is_link())
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Opens it for reading, and does not wait for a pipe.
    pub(crate) fn open(&self) -> io::Result<File> {
        self.opened(OFlags::RDONLY | OFlags::NONBLOCK)
    }

    /// Creates a file that must not exist yet.
    pub(crate) fn create_new(&self) -> io::Result<File> {
        self.opened(OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL)
    }

    /// Opens a file for reading and writing, and creates it where there is none.
    pub(crate) fn open_or_create(&self) -> io::Result<File> {
        self.opened(OFlags::RDWR | OFlags::CREATE | OFlags::NONBLOCK)
    }

    pub(crate) fn rename(&self, to: &Self) -> io::Result<()> {
        Ok(renameat(&self.folder, &self.name, &to.folder, &to.name)?)
    }

    pub(crate) fn link(&self, to: &Self) -> io::Result<()> {
        Ok(linkat(&self.folder, &self.name, &to.folder, &to.name, AtFlags::empty())?)
    }

    pub(crate) fn remove(&self) -> io::Result<()> {
        Ok(unlinkat(&self.folder, &self.name, AtFlags::empty())?)
    }

    pub(crate) fn create_folder(&self) -> io::Result<()> {
        Ok(mkdirat(&self.folder, &self.name, Mode::from_raw_mode(0o777))?)
    }

    pub(crate) fn remove_folder(&self) -> io::Result<()> {
        Ok(unlinkat(&self.folder, &self.name, AtFlags::REMOVEDIR)?)
    }

    pub(crate) fn sync_folder(&self) -> io::Result<()> {
        self.opened(OFlags::RDONLY | OFlags::DIRECTORY)?.sync_all()
    }
}

fn leads_out() -> Error {
    Error::new(ErrorKind::InvalidInput, "its path leads out of the folder")
}

/// A path on the way to which there was no link when it was looked at.
#[cfg(not(unix))]
pub(crate) struct Place(PathBuf);

#[cfg(not(unix))]
pub(crate) fn place(root: &Path, below: &Path) -> io::Result<Place> {
    let mut real = root.to_owned();
    for part in below.components() {
        let Component::Normal(name) = part else { return Err(leads_out()) };
        real.push(name);
        refuse_link(&real)?;
    }
    Ok(Place(real))
}

#[cfg(not(unix))]
impl Place {
    pub(crate) fn open(&self) -> io::Result<File> {
        plain_file::open(&self.0)
    }

    pub(crate) fn create_new(&self) -> io::Result<File> {
        File::create_new(&self.0)
    }

    pub(crate) fn open_or_create(&self) -> io::Result<File> {
        File::options().read(true).write(true).create(true).truncate(false).open(&self.0)
    }

    pub(crate) fn rename(&self, to: &Self) -> io::Result<()> {
        fs::rename(&self.0, &to.0)
    }

    pub(crate) fn link(&self, to: &Self) -> io::Result<()> {
        fs::hard_link(&self.0, &to.0)
    }

    pub(crate) fn remove(&self) -> io::Result<()> {
        fs::remove_file(&self.0)
    }

    pub(crate) fn create_folder(&self) -> io::Result<()> {
        fs::create_dir(&self.0)
    }

    pub(crate) fn remove_folder(&self) -> io::Result<()> {
        fs::remove_dir(&self.0)
    }

    pub(crate) fn sync_folder(&self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::io::Read;
    use std::os::unix::fs::symlink;

    use super::*;

    #[test]
    fn no_link_is_followed_on_the_way() {
        let folder = tempfile::tempdir().unwrap();
        let (root, outside) = (folder.path().join("out"), folder.path().join("outside"));
        fs::create_dir_all(root.join("audio/Drums")).unwrap();
        fs::create_dir_all(&outside).unwrap();
        fs::write(outside.join("Kick.wav"), "theirs").unwrap();
        fs::write(root.join("audio/Drums/Kick.wav"), "ours").unwrap();
        symlink(&outside, root.join("audio/Linked")).unwrap();
        symlink(outside.join("Kick.wav"), root.join("audio/Linked.wav")).unwrap();
        symlink("Drums/Kick.wav", root.join("audio/Inside.wav")).unwrap();
        let below = |path: &str| PathBelow::new(path).unwrap();
        let mut text = String::new();
        open(&root, &below("audio/Drums/Kick.wav")).unwrap().read_to_string(&mut text).unwrap();
        assert_eq!(text, "ours");
        assert_eq!(digest(&root, &below("audio/Drums/Kick.wav")).unwrap().bytes, 4);
        for path in ["audio/Linked/Kick.wav", "audio/Linked.wav", "audio/Inside.wav"] {
            let error = open(&root, &below(path)).unwrap_err();
            assert!(error.to_string().contains("it is a link"), "{path}: {error}");
        }
        assert_eq!(open(&root, &below("audio/Bass.wav")).unwrap_err().kind(), ErrorKind::NotFound);
        assert!(open(&root, &below("audio/Drums")).unwrap_err().to_string().contains("no plain file"));
        refuse_link(&root.join("audio")).unwrap();
        refuse_link(&root.join("nothing")).unwrap();
        refuse_link(&root.join("audio/Linked")).unwrap_err();
    }
}
