//! One run at a time in an output folder, also where the folder lies on a share and the runs on two machines.
//!
//! The operating system's file lock ends with its process. Shares do not always carry it to other machines, so the
//! lock file also says who holds it, and its time is renewed while the run lives.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use serde::{Deserialize, Serialize};

/// How often a living run renews its lock.
const RENEWAL: Duration = Duration::from_secs(30);

/// A lock of another machine that was not renewed for so long is nobody's.
const STALE_AFTER: Duration = Duration::from_secs(300);

/// Who holds a lock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Name of the machine.
    pub host: String,
    /// Process number.
    pub process: u32,
    /// Which start of the machine, and which of its moments: process numbers come back.
    started: String,
    /// Whether outputs are being replaced.
    writing: bool,
}

impl Holder {
    /// This process.
    pub fn this() -> Self {
        let process = std::process::id();
        Self { host: host(), process, started: started(process).unwrap_or_default(), writing: false }
    }

    /// Whether the holder may still be at work.
    fn may_live(&self, lock: &File) -> bool {
        if self.process == std::process::id() && self.started == Self::this().started {
            return false;
        }
        if self.host == host() && !self.started.is_empty() {
            return started(self.process).as_ref() == Some(&self.started);
        }
        let age = lock.metadata().and_then(|data| data.modified()).ok().and_then(|time| time.elapsed().ok());
        age.is_none_or(|age| age < STALE_AFTER)
    }
}

fn host() -> String {
    let kernel = fs::read_to_string("/proc/sys/kernel/hostname").map(|name| name.trim().to_owned());
    kernel.unwrap_or_else(|_| "a machine without a name".to_owned())
}

/// Which process of that number is meant; `None` when there is none, or where the system does not tell.
fn started(process: u32) -> Option<String> {
    let boot = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The name in brackets may hold anything; the start time is the 20th field behind it.
    let ticks = stat.rsplit_once(')')?.1.split_whitespace().nth(19)?;
    Some(format!("{} {ticks}", boot.trim()))
}

/// A lock that is held until it is dropped.
pub struct Lock {
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
    /// Takes the lock, which is this file.
    ///
    /// # Errors
    /// [`LockError::Held`] when another run holds it or may still be at work there, [`LockError::Disk`] when the file system
    /// refuses.
    pub fn take(path: &Path) -> Result<Self, LockError> {
        let there = path.exists();
        let mut file = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path)?;
        let mut text = String::new();
        let held = file.try_lock();
        file.read_to_string(&mut text)?;
        let holder: Option<Holder> = serde_json::from_str(&text).ok();
        match held {
            Err(TryLockError::WouldBlock) => return Err(LockError::Held(holder)),
            // Without locks of the system, the holder's word has to do.
            Ok(()) | Err(TryLockError::Error(_)) => {}
        }
        if !is_still_there(&file, path) {
            // Its holder has just ended and taken it away; whoever comes next makes a new one.
            return Err(LockError::Held(holder));
        }
        if holder.as_ref().is_some_and(|holder| holder.may_live(&file)) {
            return Err(LockError::Held(holder));
        }
        let writing = holder.is_none_or(|holder| holder.writing);
        let mut lock = Self {
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
        let holder = Holder { writing, ..Holder::this() };
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
        fs::remove_file(std::mem::take(&mut self.path))
    }
}

#[cfg(unix)]
fn is_still_there(file: &File, path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let place = |data: fs::Metadata| (data.dev(), data.ino());
    file.metadata().map(place).ok() == fs::metadata(path).map(place).ok()
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
            fs::remove_file(&self.path)
        };
        // Closing is not enough: a child that is being started holds a copy of the file until its program begins.
        let _ = self.file.unlock();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write_holder(path: &Path, holder: &Holder) {
        fs::write(path, serde_json::to_string(holder).unwrap()).unwrap();
    }

    #[test]
    fn a_second_run_is_refused_and_a_dead_one_is_not_in_the_way() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let mut first = Lock::take(&path).ok().unwrap();
        assert!(!first.interrupted);
        assert!(matches!(Lock::take(&path), Err(LockError::Held(_))));
        first.begin_writing().unwrap();
        drop(first);
        let second = Lock::take(&path).ok().unwrap();
        assert!(second.interrupted);
        second.remove().unwrap();
        assert!(!path.exists());
        drop(Lock::take(&path).ok().unwrap());
        assert!(!path.exists(), "a run that has replaced nothing leaves no sign");
    }

    /// As a child does that is started at that moment.
    #[test]
    fn a_copy_of_the_file_does_not_hold_the_lock() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let mut first = Lock::take(&path).ok().unwrap();
        first.begin_writing().unwrap();
        let copy = first.file.try_clone().unwrap();
        drop(first);
        assert!(Lock::take(&path).is_ok());
        drop(copy);
    }

    /// A share may not carry the system's lock to another machine: then the holder's word counts.
    #[test]
    fn another_machine_is_believed_while_it_renews() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let elsewhere =
            Holder { host: "another".to_owned(), process: 1, started: "a b".to_owned(), writing: true };
        write_holder(&path, &elsewhere);
        assert!(matches!(Lock::take(&path), Err(LockError::Held(Some(holder))) if holder == elsewhere));
        let old = now() - STALE_AFTER - Duration::from_secs(1);
        File::options().write(true).open(&path).unwrap().set_modified(old).unwrap();
        assert!(Lock::take(&path).is_ok());
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_process_number_that_came_back_is_another_process() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("lock");
        let parent = std::os::unix::process::parent_id();
        let living =
            Holder { host: host(), process: parent, started: started(parent).unwrap(), writing: true };
        write_holder(&path, &living);
        assert!(Lock::take(&path).is_err());
        write_holder(&path, &Holder { started: "long ago".to_owned(), ..living });
        assert!(Lock::take(&path).is_ok());
    }
}
