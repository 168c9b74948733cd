//! Tests that root runs as somebody else.

use std::os::unix::fs::MetadataExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::Command;

use crate::job::command;

/// A user of whom the machine knows nothing, and so has no process.
const STRANGER: u32 = 54_321;

/// Somebody else as whom the program can be run: `None` where the tests run as an ordinary user already, or where such a one
/// may not come to the program.
pub(super) fn stranger() -> Option<u32> {
    let is_root = std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0);
    let may_run = || {
        command().arg("--version").uid(STRANGER).gid(STRANGER).output().is_ok_and(|ran| ran.status.success())
    };
    (is_root && may_run()).then_some(STRANGER)
}

/// Gives a folder and all in it to a user.
pub(super) fn give(folder: &Path, user: Option<u32>) {
    let Some(user) = user else { return };
    let owner = format!("{user}:{user}");
    let ran = Command::new("chown").args(["-R", "-h", &owner]).arg(folder).status();
    assert!(ran.is_ok_and(|status| status.success()), "{}", folder.display());
}
