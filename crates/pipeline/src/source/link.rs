//! Links in a delivery: a stranger who made it may have no right to what a link of it leads to. It opens nothing, and names no
//! target: that would stand in papers which go to others.

use std::fs;
use std::path::Path;

/// Why a link is not followed, in the words of the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum UnreadLink {
    /// What lies there is listed at its own place.
    #[error("a link to a folder of the delivery; links to folders are not followed")]
    FolderInside,
    /// A folder elsewhere.
    #[error(
        "it is a link to a folder outside of the delivery, which may hold audio and is not followed; copy the folder itself into the delivery"
    )]
    FolderOutside,
    /// A file elsewhere.
    #[error(
        "it is a link that leads out of the delivery, and is not read; copy the file itself into the delivery, or allow it in the decode stage by outside-links = \"read\""
    )]
    Outside,
    /// Nothing that can be reached.
    #[error("it is a link that leads to nothing that can be read; ask for the file itself")]
    Nowhere,
}

/// Whether the link at `real` in the delivery `root` (a path without links) is read; else, why not.
pub(super) fn follow(root: &Path, real: &Path, reads_outside: bool) -> Result<(), UnreadLink> {
    let target = fs::canonicalize(real).map_err(|_| UnreadLink::Nowhere)?;
    match (target.starts_with(root), target.is_dir()) {
        (true, true) => Err(UnreadLink::FolderInside),
        (false, true) => Err(UnreadLink::FolderOutside),
        (false, false) if !reads_outside => Err(UnreadLink::Outside),
        _ => Ok(()),
    }
}
