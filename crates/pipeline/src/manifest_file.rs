//! The manifest of a prepared delivery as a file.

use std::path::{Path, PathBuf};
use std::{fs, io};

use loadin_record::layout::MANIFEST;
use loadin_record::manifest::{Manifest, ManifestError};

/// Why there is no manifest that can be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ManifestFileError {
    /// The file cannot be read.
    #[error("cannot read \"{}\": {source}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// It holds something else.
    #[error("\"{}\": {source}", path.display())]
    Contents {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: ManifestError,
    },
}

/// Reads the manifest in the folder `out`.
///
/// # Errors
/// When the file cannot be read, or is no manifest of this format version.
pub fn read_manifest(out: &Path) -> Result<Manifest, ManifestFileError> {
    let path = out.join(MANIFEST);
    match fs::read_to_string(&path) {
        Err(source) => Err(ManifestFileError::Disk { path, source }),
        Ok(text) => Manifest::from_json(&text).map_err(|source| ManifestFileError::Contents { path, source }),
    }
}
