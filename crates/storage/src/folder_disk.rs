//! The file system below one folder that others may write to as well: no link on the way to a file is followed, also not one
//! that was put there a moment ago. What lies outside of the folder is left to [`RealDisk`]. It knows no record.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use crate::disk::{Disk, DiskFile, RealDisk};
use crate::inside::{self, Place};
use crate::plain_file;

/// The operating system's file system, which follows no link below one folder.
#[derive(Debug, Clone)]
pub struct FolderDisk {
    root: PathBuf,
}

impl FolderDisk {
    /// For whatever lies below `root`; how one comes to `root` itself is the user's own choice.
    pub fn new(root: &Path) -> Self {
        Self { root: root.to_owned() }
    }

    /// Where `path` is; `None` where it does not lie below the folder.
    fn place(&self, path: &Path) -> Option<io::Result<Place>> {
        let below = path.strip_prefix(&self.root).ok().filter(|below| !below.as_os_str().is_empty())?;
        Some(inside::place(&self.root, below))
    }

    /// Both of them, where both lie below the folder.
    fn places(&self, from: &Path, to: &Path) -> Option<io::Result<(Place, Place)>> {
        let (from, to) = (self.place(from)?, self.place(to)?);
        Some(from.and_then(|from| Ok((from, to?))))
    }

    /// Gives the file at `from` the further name `to`.
    ///
    /// # Errors
    /// When there is something at `to`, or when the file system refuses.
    pub fn link(&self, from: &Path, to: &Path) -> io::Result<()> {
        match self.places(from, to) {
            Some(places) => places.and_then(|(from, to)| from.link(&to)),
            None => std::fs::hard_link(from, to),
        }
    }

    /// Opens the plain file at `path` for reading and writing, or creates it.
    pub(crate) fn open_or_create(&self, path: &Path) -> io::Result<File> {
        let file = match self.place(path) {
            Some(place) => place?.open_or_create()?,
            None => File::options().read(true).write(true).create(true).truncate(false).open(path)?,
        };
        plain_file::check(&file.metadata()?)?;
        Ok(file)
    }
}

impl Disk for FolderDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        match self.place(path) {
            Some(place) => Ok(RealDisk::writing(place?.create_new()?)),
            None => RealDisk.create_new(path),
        }
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        let Some(place) = self.place(path) else { return RealDisk.open(path) };
        let file = place?.open()?;
        plain_file::check(&file.metadata()?)?;
        Ok(Box::new(file))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        match self.places(from, to) {
            Some(places) => places.and_then(|(from, to)| from.rename(&to)),
            None => RealDisk.rename(from, to),
        }
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.place(path).map_or_else(|| RealDisk.remove(path), |place| place?.remove())
    }

    fn create_folder(&self, folder: &Path) -> io::Result<()> {
        self.place(folder).map_or_else(|| RealDisk.create_folder(folder), |place| place?.create_folder())
    }

    fn remove_folder(&self, folder: &Path) -> io::Result<()> {
        self.place(folder).map_or_else(|| RealDisk.remove_folder(folder), |place| place?.remove_folder())
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        self.place(folder).map_or_else(|| RealDisk.sync_folder(folder), |place| place?.sync_folder())
    }

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        RealDisk.free_bytes(folder)
    }
}

#[cfg(all(test, unix))]
mod tests {
    use std::fs;
    use std::os::unix::fs::symlink;

    use super::*;

    /// Every call meets a link in the place of a folder on the way, and in the place of the file itself.
    #[test]
    fn no_call_follows_a_link() {
        let folder = tempfile::tempdir().unwrap();
        let (root, outside) = (folder.path().join("out"), folder.path().join("theirs"));
        fs::create_dir_all(outside.join("empty")).unwrap();
        fs::create_dir_all(root.join("ours")).unwrap();
        fs::write(outside.join("file"), "theirs").unwrap();
        fs::write(root.join("ours/file"), "ours").unwrap();
        symlink(&outside, root.join("audio")).unwrap();
        symlink(outside.join("file"), root.join("ours/linked")).unwrap();
        let disk = FolderDisk::new(&root);
        let at = |path: &str| root.join(path);
        assert!(disk.create_new(&at("audio/new")).is_err());
        assert!(disk.open(&at("audio/file")).is_err() && disk.open(&at("ours/linked")).is_err());
        assert!(disk.rename(&at("ours/file"), &at("audio/file")).is_err());
        assert!(disk.rename(&at("audio/file"), &at("ours/taken")).is_err());
        assert!(disk.link(&at("ours/file"), &at("audio/second")).is_err());
        assert!(disk.remove(&at("audio/file")).is_err());
        assert!(disk.create_folder(&at("audio/new")).is_err());
        assert!(disk.remove_folder(&at("audio/empty")).is_err());
        assert!(disk.sync_folder(&at("audio")).is_err());
        assert_eq!(fs::read_dir(&outside).unwrap().count(), 2);
        assert_eq!(fs::read_to_string(outside.join("file")).unwrap(), "theirs");
        // A link is taken away, and not what it leads to.
        disk.remove(&at("ours/linked")).unwrap();
        assert!(outside.join("file").exists());
    }

    #[test]
    fn what_is_no_link_is_as_on_the_real_disk() {
        let folder = tempfile::tempdir().unwrap();
        let disk = FolderDisk::new(folder.path());
        let at = |path: &str| folder.path().join(path);
        disk.create_folder(&at("a")).unwrap();
        assert_eq!(disk.create_folder(&at("a")).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        let mut file = disk.create_new(&at("a/one")).unwrap();
        io::Write::write_all(&mut file, b"one").unwrap();
        file.sync().unwrap();
        assert_eq!(disk.create_new(&at("a/one")).err().unwrap().kind(), io::ErrorKind::AlreadyExists);
        disk.link(&at("a/one"), &at("a/two")).unwrap();
        assert_eq!(disk.link(&at("a/one"), &at("a/two")).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        disk.rename(&at("a/one"), &at("three")).unwrap();
        let mut text = String::new();
        disk.open(&at("three")).unwrap().read_to_string(&mut text).unwrap();
        assert_eq!(text, "one");
        assert_eq!(disk.remove(&at("a/one")).unwrap_err().kind(), io::ErrorKind::NotFound);
        disk.remove(&at("a/two")).unwrap();
        disk.sync_folder(&at("a")).unwrap();
        disk.remove_folder(&at("a")).unwrap();
        assert!(disk.free_bytes(folder.path()).unwrap() > 0);
    }
}
