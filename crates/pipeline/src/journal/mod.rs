//! What is finished of a run, so that the next one does only what is missing.
//!
//! One small record a stem and step. A record counts only when everything it rests on is proved again: its own digest,
//! the program's version, what was asked for, and the SHA-256 of the source (survey) or of the output (render).

mod renders;
mod surveys;

use std::path::Path;

use loadin_storage::disk::Disk;
use loadin_storage::records::{Records, Version};

pub(crate) use self::renders::{KnownOutput, RenderFailure, Renders, StemOutcome};
pub(crate) use self::surveys::{Look, Surveys};

/// Bumped when the same sources and settings give other measures or other bytes.
pub(crate) const RESULTS_VERSION: u32 = 10;

/// Folder of the records, beside the lock.
pub(crate) const JOURNAL: &str = "journal";

/// The records in the folder that an output folder remembers its runs in (`.loadin`).
pub(crate) fn records<'a>(disk: &'a dyn Disk, memory: &Path) -> Records<'a> {
    let version = Version { program: env!("CARGO_PKG_VERSION").to_owned(), results: RESULTS_VERSION };
    Records::open(disk, memory.join(JOURNAL), version)
}
