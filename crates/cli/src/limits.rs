//! What the system grants this process: memory, open files, and how large a file may become. Work that it is too little for is
//! refused before it begins. Knows no verb.

use crate::{Exit, Failure};

/// Address space that a thread of the pool takes at most, with those that it starts for a stem: their stacks and the
/// blocks that they hold (measured: DEVELOPERS.md).
const BYTES_A_THREAD: u64 = 24 << 20;

/// Address space that a run takes beside its threads: what is compared of all stems, the plan, the papers.
const BYTES_OF_A_RUN: u64 = 40 << 20;

/// Files that a thread has open at most: a source, an output that is written and read back, the folders on the way to them.
const FILES_A_THREAD: u64 = 6;

/// Files that a run has open beside them: the streams, the lock, a record, a paper.
const FILES_OF_A_RUN: u64 = 16;

/// What is granted; `None` is no limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Grants {
    /// Address space in bytes that is left.
    bytes: Option<u64>,
    /// Open files.
    files: Option<u64>,
}

/// Refuses to begin on so many threads where the system grants too little for them.
pub(crate) fn check(threads: usize) -> Result<(), Failure> {
    ask_for_files(needed_files(threads as u64));
    grants().check(threads as u64)
}

/// How much of `bytes` may be kept in memory beside the work of so many threads.
pub(crate) fn bounded(bytes: u64, threads: usize) -> u64 {
    grants().bytes.map_or(bytes, |left| bytes.min(left.saturating_sub(needed_bytes(threads as u64)) / 2))
}

fn needed_bytes(threads: u64) -> u64 {
    BYTES_OF_A_RUN + threads * BYTES_A_THREAD
}

fn needed_files(threads: u64) -> u64 {
    FILES_OF_A_RUN + threads * FILES_A_THREAD
}

/// Takes of the open files that the system would grant as many as are needed, where it has granted fewer.
#[cfg(target_os = "linux")]
fn ask_for_files(needed: u64) {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

    let Rlimit { current, maximum } = getrlimit(Resource::Nofile);
    if current.is_some_and(|current| current < needed) {
        let current = Some(maximum.map_or(needed, |most| most.min(needed)));
        // Whoever may not have them is told so by the check.
        let _ = setrlimit(Resource::Nofile, Rlimit { current, maximum });
    }
}

#[cfg(not(target_os = "linux"))]
fn ask_for_files(_needed: u64) {}

impl Grants {
    fn check(self, threads: u64) -> Result<(), Failure> {
        let bytes = needed_bytes(threads);
        if let Some(left) = self.bytes.filter(|left| *left < bytes) {
            return Err(too_little(format!(
                "the system leaves this process {} MB of address space, {} MB are needed on {threads} threads; use fewer --jobs, or raise the limit (ulimit -v)",
                left >> 20,
                bytes.div_ceil(1 << 20)
            )));
        }
        let files = needed_files(threads);
        if let Some(granted) = self.files.filter(|granted| *granted < files) {
            return Err(too_little(format!(
                "the system lets this process open {granted} files, {files} are needed on {threads} threads; use fewer --jobs, or raise the limit (ulimit -n)"
            )));
        }
        Ok(())
    }
}

fn too_little(text: String) -> Failure {
    Failure::new(Exit::CannotWrite, anyhow::Error::msg(text))
}

#[cfg(target_os = "linux")]
fn grants() -> Grants {
    use rustix::process::{Resource, getrlimit};

    let taken = std::fs::read_to_string("/proc/self/statm").ok();
    let pages = taken.and_then(|text| text.split_whitespace().next()?.parse::<u64>().ok()).unwrap_or(0);
    let taken = pages * rustix::param::page_size() as u64;
    Grants {
        bytes: getrlimit(Resource::As).current.map(|limit| limit.saturating_sub(taken)),
        files: getrlimit(Resource::Nofile).current,
    }
}

/// Elsewhere nobody is asked, and the work says what it could not have.
#[cfg(not(target_os = "linux"))]
fn grants() -> Grants {
    Grants { bytes: None, files: None }
}

/// Begins the process anew with one arena of the allocator, where its address space is limited: glibc takes 64 MB and more for
/// every thread, of which it uses little, and what is left may be too little for the first small thing. Called before anything
/// else; does nothing where that is so already.
#[cfg(target_os = "linux")]
pub fn spare_address_space() {
    use std::os::unix::process::CommandExt;
    use std::process::Command;

    use rustix::process::{Resource, getrlimit};

    const ARENAS: &str = "MALLOC_ARENA_MAX";

    if getrlimit(Resource::As).current.is_some() && std::env::var_os(ARENAS).is_none() {
        let mut args = std::env::args_os();
        let mut again = Command::new("/proc/self/exe");
        if let Some(name) = args.next() {
            again.arg0(name);
        }
        // Where that fails, it goes on as it is.
        let _ = again.args(args).env(ARENAS, "1").exec();
    }
}

/// Elsewhere nothing is known of arenas.
#[cfg(not(target_os = "linux"))]
pub fn spare_address_space() {}

/// From here on, a file that would become larger than the system allows fails to be written. Unasked, the signal would end the
/// process without a word.
#[cfg(unix)]
pub(crate) fn let_large_writes_fail() {
    use std::sync::Arc;
    use std::sync::atomic::AtomicBool;

    // Whoever cannot listen is ended by the signal, as before; what is written then is whole or absent all the same.
    let _ = signal_hook::flag::register(signal_hook::consts::SIGXFSZ, Arc::new(AtomicBool::new(false)));
}

#[cfg(not(unix))]
pub(crate) fn let_large_writes_fail() {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_little_is_refused_with_what_is_needed_and_what_helps() {
        let none = Grants { bytes: None, files: None };
        let text = |grants: Grants| grants.check(2).unwrap_err();
        assert!(none.check(64).is_ok());
        assert!(Grants { bytes: Some(needed_bytes(2)), files: Some(28) }.check(2).is_ok());
        let memory = text(Grants { bytes: Some(needed_bytes(2) - 1), ..none });
        assert_eq!(memory.exit, Exit::CannotWrite);
        assert!(memory.error.to_string().contains("88 MB are needed on 2 threads; use fewer --jobs"));
        let files = text(Grants { files: Some(27), ..none });
        assert_eq!(files.exit, Exit::CannotWrite);
        assert!(files.error.to_string().contains("open 27 files, 28 are needed"), "{}", files.error);
    }
}
