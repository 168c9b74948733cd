//! One run at a time in an output folder, also where the folder lies on a share and the runs on two machines.
//!
//! The operating system's file lock ends with its process. Shares do not always carry it to other machines, so the
//! lock file also says who holds it, and its time is renewed while the run lives.

mod holder;

use std::fs::{File, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

pub use self::holder::Holder;

use crate::disk::Disk;
use crate::folder_disk::FolderDisk;

/// How often a living run renews its lock.
const RENEWAL: Duration = Duration::from_secs(30);

/// How long a lock is asked for whose holder is not known to be at work: a process that was killed needs a moment to let
/// go, and a child that it has just started holds its files until its own program begins.
const PATIENCE: Duration = Duration::from_secs(2);

/// How often it is asked for.
const POLL: Duration = Duration::from_millis(20);

/// A lock that is held until it is dropped.
pub struct Lock {
    disk: FolderDisk,
    path: PathBuf,
    file: File,
    /// Whether a run was interrupted here while it replaced outputs.
    pub interrupted: bool,
    writing: bool,
    renewal: Option<(Sender<()>, JoinHandle<()>)>,
}

/// Why a lock cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Somebody holds it.
    #[error("another run is at work there")]
    Held(Option<Holder>),
    /// The file system refused.
    #[error("the lock cannot be used: {0}")]
    Disk(#[source] io::Error),
}

impl From<io::Error> for LockError {
    fn from(error: io::Error) -> Self {
        Self::Disk(error)
    }
}

impl Lock {
    /// Takes the lock, which is this file of this disk; waits for a holder that is just ending.
    ///
    /// # Errors
    /// [`LockError::Held`] when another run holds it or may still be at work there, [`LockError::Disk`] when the file system
    /// refuses.
    pub fn take(disk: &FolderDisk, path: &Path) -> Result<Self, LockError> {
        let mut was_at_work = false;
        for _ in 0..PATIENCE.as_millis() / POLL.as_millis() {
            let refused = match Self::try_take(disk, path) {
                Err(LockError::Held(holder)) => holder,
                other => return other,
            };
            let is_at_work = refused.as_ref().is_some_and(Holder::is_at_work);
            // Looked at twice: a signal that has arrived shows for a blink neither as pending nor as an end.
            if was_at_work && is_at_work {
                return Err(LockError::Held(refused));
            }
            was_at_work = is_at_work;
            thread::sleep(POLL);
        }
        Self::try_take(disk, path)
    }

    fn try_take(disk: &FolderDisk, path: &Path) -> Result<Self, LockError> {
        let there = path.exists();
        let mut file = disk.open_or_create(path)?;
        let mut text = String::new();
        let asked = file.try_lock();
        let read = file.read_to_string(&mut text);
        let holder: Option<Holder> = serde_json::from_str(&text).ok();
        let locked = match asked {
            // Some systems do not let a locked file be read.
            Err(TryLockError::WouldBlock) => return Err(LockError::Held(holder)),
            Ok(()) => true,
            // Without locks of the system, the holder's word has to do.
            Err(TryLockError::Error(_)) => false,
        };
        read?;
        if !is_still_there(&file, path) {
            // Its holder has just ended and taken it away; whoever comes next makes a new one.
            return Err(LockError::Held(holder));
        }
        if holder.as_ref().is_some_and(|holder| holder.may_live(&file, locked)) {
            return Err(LockError::Held(holder));
        }
        let writing = holder.is_none_or(|holder| holder.writing);
        let mut lock = Self {
            disk: disk.clone(),
            path: path.to_owned(),
            renewal: renew(&file),
            file,
            interrupted: there && writing,
            writing: false,
        };
        lock.sign(lock.interrupted)?;
        Ok(lock)
    }

    /// Says that outputs are about to be replaced.
    ///
    /// # Errors
    /// When the lock cannot be written.
    pub fn begin_writing(&mut self) -> io::Result<()> {
        self.writing = true;
        self.sign(true)
    }

    fn sign(&mut self, writing: bool) -> io::Result<()> {
        let holder = Holder::of(&self.file, writing);
        self.file.rewind()?;
        self.file.set_len(0)?;
        self.file.write_all(serde_json::to_string(&holder).unwrap_or_default().as_bytes())?;
        self.file.sync_all()
    }

    /// Ends the run: nothing is left that could be taken for an interrupted one.
    ///
    /// # Errors
    /// When the lock cannot be removed.
    pub fn remove(mut self) -> io::Result<()> {
        (self.writing, self.interrupted) = (false, false);
        // What is dropped afterwards must not touch the lock of whoever comes next.
        self.disk.remove(&std::mem::take(&mut self.path))
    }
}

#[cfg(unix)]
fn is_still_there(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let place = |data: std::fs::Metadata| (data.dev(), data.ino());
    file.metadata().map(place).ok() == std::fs::symlink_metadata(path).map(place).ok()
}

#[cfg(not(unix))]
fn is_still_there(_: &File, path: &Path) -> bool {
    path.exists()
}

fn renew(file: &File) -> Option<(Sender<()>, JoinHandle<()>)> {
    let file = file.try_clone().ok()?;
    let (stop, stopped) = channel::<()>();
    let work = move || {
        while stopped.recv_timeout(RENEWAL) == Err(RecvTimeoutError::Timeout) {
            // A share that is away for a moment is back at the next renewal.
            let _ = file.set_modified(now());
        }
    };
    Some((stop, thread::Builder::new().name("lock".to_owned()).spawn(work).ok()?))
}

#[expect(clippy::disallowed_methods, reason = "the age of a lock is about time; no output depends on it")]
fn now() -> std::time::SystemTime {
    std::time::SystemTime::now()
}

impl Drop for Lock {
    fn drop(&mut self) {
        if let Some((stop, thread)) = self.renewal.take() {
            drop(stop);
            let _ = thread.join();
        }
        let _ = if self.writing || self.interrupted {
            // The file stays as the sign of an interrupted run, but nobody holds it.
            self.file.set_len(0)
        } else {
            self.disk.remove(&self.path)
        };
        // Closing is not enough: a child that is being started holds a copy of the file until its program begins.
        let _ = self.file.unlock();
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn take(path: &Path) -> Result<Lock, LockError> {
        Lock::take(&FolderDisk::new(path.parent().unwrap()), path)
    }

    #[test]
    fn a_second_run_is_refused_and_a_dead_one_is_not_in_the_way() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let mut first = take(&path).ok().unwrap();
        assert!(!first.interrupted);
        assert!(matches!(take(&path), Err(LockError::Held(_))));
        first.begin_writing().unwrap();
        drop(first);
        let second = take(&path).ok().unwrap();
        assert!(second.interrupted);
        second.remove().unwrap();
        assert!(!path.exists());
        drop(take(&path).ok().unwrap());
        assert!(!path.exists(), "a run that has replaced nothing leaves no sign");
    }

    /// As a child does that is started at that moment.
    #[test]
    fn a_copy_of_the_file_does_not_hold_the_lock() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let mut first = take(&path).ok().unwrap();
        first.begin_writing().unwrap();
        let copy = first.file.try_clone().unwrap();
        drop(first);
        assert!(take(&path).is_ok());
        drop(copy);
    }

    /// What the versions before this one have written.
    #[test]
    fn older_lock_files_are_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        fs::write(&path, r#"{"host":"another","process":1,"started":"a b","writing":true}"#).unwrap();
        let old = std::time::UNIX_EPOCH;
        File::options().write(true).open(&path).unwrap().set_modified(old).unwrap();
        assert!(take(&path).ok().unwrap().interrupted);
    }

    /// A killed process lets go of its files a moment after its end is seen.
    #[test]
    fn a_process_that_is_just_dying_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        fs::write(&path, "").unwrap();
        let held = File::open(&path).unwrap();
        held.lock().unwrap();
        let dying = thread::spawn(move || {
            thread::sleep(Duration::from_millis(300));
            drop(held);
        });
        assert!(take(&path).is_ok());
        dying.join().unwrap();
    }

    /// The child has the lock in its hands, is killed, and nobody collects it.
    #[cfg(target_os = "linux")]
    #[test]
    fn the_lock_of_a_killed_process_is_had_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let mut file = File::create(&path).unwrap();
        file.lock().unwrap();
        let mut sleep = std::process::Command::new("sleep");
        let mut child = sleep.arg("60").stdin(file.try_clone().unwrap()).spawn().unwrap();
        drop(sleep);
        let stat = fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
        let ticks = stat.rsplit_once(')').unwrap().1.split_whitespace().nth(19).unwrap();
        let mut holder = serde_json::to_value(Holder::of(&file, true)).unwrap();
        let own = holder["started"].as_str().unwrap().to_owned();
        holder["process"] = child.id().into();
        holder["started"] = format!("{} {ticks}", own.split(' ').next().unwrap()).into();
        file.write_all(holder.to_string().as_bytes()).unwrap();
        drop(file);
        let refused = take(&path);
        assert!(matches!(refused, Err(LockError::Held(Some(holder))) if holder.process == child.id()));
        child.kill().unwrap();
        assert!(take(&path).ok().unwrap().interrupted);
        child.wait().unwrap();
    }
}
