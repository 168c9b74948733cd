//! Why a run ended without a manifest.

use std::path::PathBuf;

use loadin_storage::store::StoreError;

use crate::output::folder::OutFolderError;
use crate::source::scan::ScanError;

/// Why a run ended without a manifest.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RunError {
    /// The delivery cannot be listed.
    #[error(transparent)]
    Scan(#[from] ScanError),
    /// There is nothing in the delivery that claims to be audio.
    #[error("there is no audio in \"{}\" ({ignored} other files); give the folder that holds the stems", path.display())]
    Empty {
        /// The folder.
        path: PathBuf,
        /// How many other files there are.
        ignored: usize,
    },
    /// The output folder cannot be used.
    #[error(transparent)]
    Out(#[from] OutFolderError),
    /// It was asked to stop.
    #[error("stopped; what was finished before is whole, and the same command goes on from there")]
    Stopped,
    /// A file cannot be written.
    #[error("{0}; what was finished before is whole, and the same command goes on when the cause is gone")]
    Store(Box<StoreError>),
}

impl From<StoreError> for RunError {
    fn from(error: StoreError) -> Self {
        Self::Store(Box::new(error))
    }
}
