//! A file system that many tasks write to, perhaps the same file at the same time: the first one wins.
//!
//! An engine that loses a node starts its tasks again elsewhere, and the old ones may live on. So every task writes
//! under a temporary name of its own, and `link(2)` decides: it gives a file its final name only where there is none.
//! Whoever comes second with the same bytes has lost nothing; other bytes are an error, since the same inputs must give
//! the same outputs on every machine.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::time::Duration;

use loadin_record::digest::Stored;
use loadin_storage::disk::{Disk, DiskFile};
use loadin_storage::folder_disk::FolderDisk;
use loadin_storage::lock::Holder;
use loadin_storage::pieces::digest_file;
use loadin_storage::store::UNFINISHED;

/// A temporary of another machine that was not written to for so long is nobody's.
const STALE_AFTER: Duration = Duration::from_secs(24 * 60 * 60);

/// The operating system's file system, shared with tasks on other machines.
pub(super) struct SharedDisk {
    real: FolderDisk,
    /// This process, as a part of file names.
    own: String,
    /// What stood under a name when this task began, and may be replaced: it is known to be out of date.
    outdated: BTreeMap<PathBuf, Stored>,
}

impl SharedDisk {
    /// Below the output folder `out`.
    pub(super) fn new(out: &Path) -> Self {
        Self { real: FolderDisk::new(out), own: owner(&Holder::this()), outdated: BTreeMap::new() }
    }

    /// What stands at `path` now is out of date.
    pub(super) fn may_replace(&mut self, path: PathBuf) {
        if let Ok(there) = digest_file(&path) {
            self.outdated.insert(path, there);
        }
    }

    /// The temporary name of this process for the temporary name that everybody knows.
    fn own(&self, path: &Path) -> PathBuf {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        match name.strip_suffix(UNFINISHED) {
            Some(stem) if name.starts_with('.') => {
                path.with_file_name(format!("{stem}.{}{UNFINISHED}", self.own))
            }
            _ => path.to_owned(),
        }
    }

    /// Gives a whole file its final name, unless somebody was first.
    fn commit(&self, from: &Path, to: &Path) -> io::Result<()> {
        File::open(from)?.sync_all()?;
        match self.real.link(from, to) {
            Ok(()) => {}
            // Shares may also say so when the answer to the first attempt was lost; then the bytes are ours.
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                let (ours, there) = (digest_file(from)?, digest_file(to)?);
                if ours != there {
                    if self.outdated.get(to) != Some(&there) {
                        return Err(io::Error::new(
                            io::ErrorKind::AlreadyExists,
                            format!(
                                "it is there with other bytes (SHA-256 {} and not {}): it was changed, or two machines disagree; \
                                 look at it, then remove it and submit again",
                                there.sha256, ours.sha256
                            ),
                        ));
                    }
                    self.real.rename(from, to)?;
                }
            }
            Err(error) => return Err(error),
        }
        // Best effort: the name says what it is, and a later task removes it.
        let _ = self.real.remove(from);
        self.real.sync_folder(to.parent().unwrap_or(Path::new(".")))
    }
}

impl Disk for SharedDisk {
    fn create_new(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        self.real.create_new(&self.own(path))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        self.real.open(&self.own(path))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let own = self.own(from);
        if own == from { self.real.rename(from, to) } else { self.commit(&own, to) }
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        self.real.remove(&self.own(path))
    }

    fn create_folder(&self, folder: &Path) -> io::Result<()> {
        self.real.create_folder(folder)
    }

    fn remove_folder(&self, folder: &Path) -> io::Result<()> {
        self.real.remove_folder(folder)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        self.real.sync_folder(folder)
    }

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        self.real.free_bytes(folder)
    }
}

/// Host and process, in characters that every file system takes.
fn owner(holder: &Holder) -> String {
    let host: String =
        holder.host.chars().filter(|c| c.is_ascii_alphanumeric() || *c == '-').take(40).collect();
    format!("{host}+{}", holder.process)
}

/// Removes temporaries whose task has ended without removing them.
pub(super) fn clear_stale(disk: &dyn Disk, folder: &Path) {
    let this = owner(&Holder::this());
    let host = this.split('+').next().unwrap_or_default();
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(owner) =
            name.strip_suffix(UNFINISHED).and_then(|stem| stem.rsplit_once('.')).map(|(_, owner)| owner)
        else {
            continue;
        };
        let Some((owner_host, process)) = owner.split_once('+') else { continue };
        let ended = if owner_host == host {
            owner != this && Path::new("/proc/self").exists() && !Path::new("/proc").join(process).exists()
        } else {
            let written = entry.metadata().and_then(|data| data.modified()).ok();
            written.and_then(|time| time.elapsed().ok()).is_some_and(|age| age > STALE_AFTER)
        };
        if ended {
            // Best effort: somebody else may have done it.
            let _ = disk.remove(&entry.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use loadin_storage::store::store_text;

    use super::*;

    fn task(name: &str) -> SharedDisk {
        SharedDisk { real: FolderDisk::new(Path::new("/")), own: name.to_owned(), outdated: BTreeMap::new() }
    }

    #[test]
    fn the_first_wins_and_the_same_bytes_are_no_error() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        store_text(&task("x+1"), &path, "sound").unwrap();
        let inode = |path: &Path| std::os::unix::fs::MetadataExt::ino(&fs::metadata(path).unwrap());
        let first = inode(&path);
        store_text(&task("y+2"), &path, "sound").unwrap();
        assert_eq!(inode(&path), first, "the second one's file is not the one that stands there");
        let other = store_text(&task("y+2"), &path, "noise").unwrap_err().to_string();
        assert!(other.contains("other bytes") && other.contains("a.wav"), "{other}");
        assert_eq!(fs::read_to_string(&path).unwrap(), "sound");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "no temporary is left");
    }

    #[test]
    fn only_what_is_known_to_be_out_of_date_is_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.json");
        fs::write(&path, "old").unwrap();
        let mut disk = task("x+1");
        disk.may_replace(path.clone());
        store_text(&disk, &path, "new").unwrap();
        assert_eq!(fs::read_to_string(&path).unwrap(), "new");
        store_text(&disk, &path, "newer").unwrap_err();
    }

    #[test]
    fn two_tasks_do_not_share_a_temporary() {
        let folder = tempfile::tempdir().unwrap();
        let unfinished = folder.path().join(".0123.unfinished");
        let (a, b) = (task("x+1"), task("y+2"));
        a.create_new(&unfinished).unwrap();
        b.create_new(&unfinished).unwrap();
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 2);
    }

    #[test]
    fn temporaries_of_the_dead_go_and_those_of_the_living_stay() {
        let folder = tempfile::tempdir().unwrap();
        let host = owner(&Holder::this()).split('+').next().unwrap().to_owned();
        let names = [format!(".1.{host}+1.unfinished"), ".2.elsewhere+77.unfinished".to_owned()];
        let dead = format!(".3.{host}+4194999.unfinished");
        for name in names.iter().chain([&dead]) {
            fs::write(folder.path().join(name), "").unwrap();
        }
        clear_stale(&FolderDisk::new(folder.path()), folder.path());
        assert!(names.iter().all(|name| folder.path().join(name).exists()), "they may be at work");
        assert!(!folder.path().join(dead).exists());
    }
}
