//! The manifest of a prepared delivery as a file.

use std::io;
use std::path::{Path, PathBuf};

use loadin_record::layout::{MANIFEST, MOST_PAPER_BYTES};
use loadin_record::manifest::{Manifest, ManifestError};
use loadin_storage::plain_file;

/// Why there is no manifest that can be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ManifestFileError {
    /// The file cannot be read.
    #[error("cannot read \"{}\": {cause}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the file system said; it stands in the text, and not behind it once more.
        cause: io::Error,
    },
    /// It holds something else.
    #[error("\"{}\": {cause}", path.display())]
    Contents {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        cause: ManifestError,
    },
}

/// Reads the manifest in the folder `out`.
///
/// # Errors
/// When the file cannot be read, or is no manifest of this format version.
pub fn read_manifest(out: &Path) -> Result<Manifest, ManifestFileError> {
    let path = out.join(MANIFEST);
    match plain_file::read_text(&path, MOST_PAPER_BYTES) {
        Err(cause) => Err(ManifestFileError::Disk { path, cause }),
        Ok(text) => Manifest::from_json(&text).map_err(|cause| ManifestFileError::Contents { path, cause }),
    }
}
