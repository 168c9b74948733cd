//! Who holds a lock, and whether that process may still be at work. Knows nothing of how a lock is taken.
//!
//! A process is known by the start of its machine, its process namespace, its number and its own start. The machine's
//! name is for people: containers of one machine have different names, and clones of one machine the same.

use std::fs::{self, File};
use std::time::Duration;

use serde::{Deserialize, Serialize};

/// A lock of a process that cannot be asked, and that was not renewed for so long, is nobody's.
const STALE_AFTER: Duration = Duration::from_secs(300);

/// Device and inode of a file.
type FileId = (u64, u64);

/// Who holds a lock.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Holder {
    /// Name of the machine.
    pub host: String,
    /// Process number.
    pub process: u32,
    /// Whether outputs are being replaced.
    pub(super) writing: bool,
    /// By which the process is known again; in a box, since errors carry holders.
    #[serde(flatten)]
    mark: Box<Mark>,
}

/// By what a process is known again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Mark {
    /// Which start of the machine, and which of its moments: process numbers come back. Empty where the system does not
    /// tell.
    started: String,
    /// In which namespace the number counts; empty where the system has none, and in locks of earlier versions.
    #[serde(default)]
    namespace: String,
    /// Which file the holder sees as the lock; null where the system does not tell.
    #[serde(default)]
    file: Option<FileId>,
}

impl Holder {
    /// This process.
    pub fn this() -> Self {
        let process = std::process::id();
        let kernel = fs::read_to_string("/proc/sys/kernel/hostname").map(|name| name.trim().to_owned());
        let namespace =
            fs::read_link("/proc/self/ns/pid").ok().and_then(|link| link.to_str().map(str::to_owned));
        let mark = Mark {
            started: living(process).filter(|_| numbers_are_ours()).unwrap_or_default(),
            namespace: namespace.unwrap_or_default(),
            file: None,
        };
        Self {
            host: kernel.unwrap_or_else(|_| "a machine without a name".to_owned()),
            process,
            writing: false,
            mark: Box::new(mark),
        }
    }

    /// This process as the holder of a lock file.
    pub(super) fn of(lock: &File, writing: bool) -> Self {
        let mut this = Self { writing, ..Self::this() };
        this.mark.file = file_id(lock);
        this
    }

    /// Whether the holder is known to be at work, and is not just ending.
    pub(super) fn is_at_work(&self) -> bool {
        self.counts_as(&Self::this())
            && living(self.process).as_ref() == Some(&self.mark.started)
            && !is_dying(self.process)
    }

    /// Whether the holder may still be at work, asked by somebody who has opened its lock file. `locked` says whether the
    /// system has given its own lock on that file to who asks; the holder had it too, where the system has such locks.
    pub(super) fn may_live(&self, lock: &File, locked: bool) -> bool {
        let this = Self::this();
        if self.is(&this) || locked && self.system_lock_tells(&this, lock) {
            return false;
        }
        if self.counts_as(&this) {
            return living(self.process).as_ref() == Some(&self.mark.started);
        }
        let age = lock.metadata().and_then(|data| data.modified()).ok().and_then(|time| time.elapsed().ok());
        age.is_none_or(|age| age < STALE_AFTER)
    }

    fn is(&self, this: &Self) -> bool {
        self.process == this.process
            && self.mark.started == this.mark.started
            && self.mark.namespace == this.mark.namespace
    }

    /// Whether its number can be looked up here: same start of the machine, same namespace.
    fn counts_as(&self, this: &Self) -> bool {
        let place = if self.mark.namespace.is_empty() {
            self.host == this.host
        } else {
            self.mark.namespace == this.mark.namespace
        };
        place && !self.boot().is_empty() && self.boot() == this.boot()
    }

    fn boot(&self) -> &str {
        self.mark.started.split(' ').next().unwrap_or_default()
    }

    /// Whether the holder cannot live once the system has given its lock to somebody else.
    ///
    /// The system's locks belong to a file of a mounted file system. On a disk of this machine there is one of each file,
    /// whoever opens it. On a share there may be one a mount, so that a lock that was got says something only when the
    /// holder has opened the very same file of the very same kernel: another container with the same mount. Where no
    /// process tells its start, there is nothing better to ask than the lock.
    fn system_lock_tells(&self, this: &Self, lock: &File) -> bool {
        let id = file_id(lock);
        id.is_some_and(|(device, _)| is_disk(device))
            || self.boot() == this.boot()
                && (self.mark.started.is_empty() || id.is_some() && self.mark.file == id)
    }
}

/// Which process of that number is at work; `None` when there is none, or where the system does not tell.
///
/// Source: proc(5). A process that has ended stays in the list until its parent asks for it, which in a container may be
/// never.
fn living(process: u32) -> Option<String> {
    let boot = fs::read_to_string("/proc/sys/kernel/random/boot_id").ok()?;
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).ok()?;
    // The name in brackets may hold anything; fields are counted from the one behind it, which proc(5) calls the third.
    let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
    let field = |number: usize| fields.get(number - 3).copied();
    // The first thread may be gone before the others are, one of which may still write.
    let ended = matches!(field(3)?, "Z" | "X" | "x") && matches!(field(20)?, "0" | "1");
    if ended { None } else { Some(format!("{} {}", boot.trim(), field(22)?)) }
}

/// Whether a process has been killed or is ending, and has only to let go of what it has. Source: proc(5); the number of
/// `SIGKILL` is from signal(7), that of the flag `PF_EXITING` from the kernel's `sched.h` (from memory).
fn is_dying(process: u32) -> bool {
    const KILLED: u64 = 1 << (9 - 1);
    const EXITING: u64 = 4;
    let status = fs::read_to_string(format!("/proc/{process}/status")).unwrap_or_default();
    let pending = status.lines().filter_map(|line| {
        let set = line.strip_prefix("SigPnd:").or_else(|| line.strip_prefix("ShdPnd:"))?;
        u64::from_str_radix(set.trim(), 16).ok()
    });
    let stat = fs::read_to_string(format!("/proc/{process}/stat")).unwrap_or_default();
    let fields = stat.rsplit_once(')').map_or("", |(_, fields)| fields);
    let flags = fields.split_whitespace().nth(9 - 3).and_then(|flags| flags.parse::<u64>().ok());
    pending.into_iter().any(|set| set & KILLED != 0) || flags.is_some_and(|flags| flags & EXITING != 0)
}

/// Whether the numbers in `/proc` are those of this process's namespace; a container may show its host's.
fn numbers_are_ours() -> bool {
    fs::read_link("/proc/self").is_ok_and(|link| link.to_str() == Some(&std::process::id().to_string()))
}

#[cfg(unix)]
fn file_id(file: &File) -> Option<FileId> {
    use std::os::unix::fs::MetadataExt;
    file.metadata().map(|data| (data.dev(), data.ino())).ok()
}

#[cfg(not(unix))]
fn file_id(_: &File) -> Option<FileId> {
    None
}

/// Whether a device is a disk of this machine: such a one has a number other than 0 before the colon in
/// `/sys/dev/block`, which shares, layers and memory have not. Source: sysfs(5); the bits are those of makedev(3) in Linux.
fn is_disk(device: u64) -> bool {
    let major = (device >> 8) & 0xfff | (device >> 32) & 0xffff_f000;
    let minor = device & 0xff | (device >> 12) & 0xffff_ff00;
    major != 0 && fs::metadata(format!("/sys/dev/block/{major}:{minor}")).is_ok()
}

#[cfg(target_os = "linux")]
#[cfg(test)]
mod tests {
    use std::process::{Child, Command};

    use super::*;

    /// A lock file that its holder has just renewed.
    fn lock() -> File {
        tempfile::tempfile().unwrap()
    }

    fn holder(process: u32) -> Holder {
        started(&Holder { process, ..Holder::this() }, &living(process).unwrap())
    }

    fn started(holder: &Holder, started: &str) -> Holder {
        let mark = Mark { started: started.to_owned(), ..(*holder.mark).clone() };
        Holder { mark: Box::new(mark), ..holder.clone() }
    }

    fn in_namespace(holder: &Holder, namespace: &str) -> Holder {
        let mark = Mark { namespace: namespace.to_owned(), ..(*holder.mark).clone() };
        Holder { mark: Box::new(mark), ..holder.clone() }
    }

    fn with_file(holder: &Holder, file: Option<FileId>) -> Holder {
        let mark = Mark { file, ..(*holder.mark).clone() };
        Holder { mark: Box::new(mark), ..holder.clone() }
    }

    fn sleeper() -> Child {
        Command::new("sleep").arg("60").spawn().unwrap()
    }

    /// As in a container whose first process collects nobody.
    #[test]
    fn a_process_that_nobody_has_collected_is_dead() {
        let mut child = sleeper();
        let its = holder(child.id());
        assert!(its.may_live(&lock(), false) && its.is_at_work(), "it sleeps");
        child.kill().unwrap();
        let stat = || fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
        while !stat().contains(") Z ") {
            std::thread::sleep(Duration::from_millis(1));
        }
        assert!(!its.may_live(&lock(), false) && !its.is_at_work(), "{}", stat());
        child.wait().unwrap();
        assert!(!its.may_live(&lock(), false));
    }

    #[test]
    fn a_process_that_is_being_killed_is_not_at_work() {
        for _ in 0..20 {
            let mut child = sleeper();
            let its = holder(child.id());
            child.kill().unwrap();
            // At most a blink lies between the signal's arrival and the flag.
            let seen = (0..100).find(|_| {
                std::thread::sleep(Duration::from_millis(1));
                !its.is_at_work()
            });
            assert!(seen.is_some());
            child.wait().unwrap();
        }
        assert!(!is_dying(std::process::id()));
    }

    #[test]
    fn a_process_number_that_came_back_is_another_process() {
        let living = holder(std::os::unix::process::parent_id());
        assert!(living.may_live(&lock(), false));
        let earlier = started(&living, &format!("{} 1", living.boot()));
        assert!(!earlier.may_live(&lock(), false));
    }

    /// The number of a process of another container says nothing here, and its machine's name neither.
    #[test]
    fn another_namespace_is_another_place_and_another_name_is_not() {
        let mut child = sleeper();
        let its = holder(child.id());
        child.kill().unwrap();
        child.wait().unwrap();
        let named = Holder { host: "renamed".to_owned(), ..its.clone() };
        assert!(!named.may_live(&lock(), false), "the same namespace under another name");
        let elsewhere = in_namespace(&its, "pid:[1]");
        assert!(elsewhere.may_live(&lock(), false), "it is believed");
        let old = lock();
        old.set_modified(std::time::UNIX_EPOCH).unwrap();
        assert!(!elsewhere.may_live(&old, false), "it has not renewed");
        let rebooted = started(&its, "another 7");
        assert!(
            rebooted.may_live(&lock(), false),
            "a clone of this machine has its name and its namespace too"
        );
    }

    /// A file that lies on no disk, as on a share.
    fn on_a_share() -> File {
        File::open("/proc/self/stat").unwrap()
    }

    /// Two containers on one machine: whoever gets the system's lock on the same file knows that the other has ended. A
    /// share that is mounted twice is two file systems, and another machine is another kernel.
    #[test]
    fn the_systems_lock_tells_of_another_container_with_the_same_file() {
        let lock = on_a_share();
        let id = file_id(&lock);
        let elsewhere = with_file(&Holder { process: 1, ..in_namespace(&Holder::this(), "pid:[1]") }, id);
        assert!(elsewhere.may_live(&lock, false), "the lock was not got");
        assert!(!elsewhere.may_live(&lock, true));
        let remounted = with_file(&elsewhere, id.map(|(device, inode)| (device + 1, inode)));
        assert!(remounted.may_live(&lock, true));
        let older = with_file(&elsewhere, None);
        assert!(older.may_live(&lock, true));
        let machine = started(&elsewhere, "another 7");
        assert!(machine.may_live(&lock, true));
    }

    /// Elsewhere than in Linux a rerun after a crash asks the system's lock, where there is one.
    #[test]
    fn without_starts_of_processes_the_systems_lock_decides() {
        let (silent, lock) = (started(&Holder::this(), ""), on_a_share());
        assert!(silent.system_lock_tells(&silent, &lock));
        assert!(!silent.system_lock_tells(&Holder::this(), &lock), "another system wrote it");
        assert!(Holder { process: 1, ..silent }.may_live(&lock, false));
    }

    #[test]
    fn disks_and_shares_are_told_apart() {
        let mounts = fs::read_to_string("/proc/self/mountinfo").unwrap();
        let mut seen = 0;
        for line in mounts.lines() {
            let fields: Vec<&str> = line.split(' ').collect();
            let Some((major, minor)) = fields[2].split_once(':') else { continue };
            let (major, minor): (u64, u64) = (major.parse().unwrap(), minor.parse().unwrap());
            let device = (major & 0xfff) << 8 | (major >> 12) << 44 | minor & 0xff | (minor >> 8) << 20;
            assert_eq!(is_disk(device), major != 0, "{line}");
            seen += 1;
        }
        assert!(seen > 0);
    }
}
