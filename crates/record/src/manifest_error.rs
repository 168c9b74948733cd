//! Why a text is no manifest. It reads none.

use crate::layout::AUDIO;
use crate::path_below::PathBelow;

/// Version of the manifest's format.
pub const FORMAT_VERSION: u32 = 1;

/// Why a text is no manifest that this program reads.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ManifestError {
    /// It cannot be read as JSON.
    #[error("it is not JSON: {0}")]
    NotJson(serde_json::Error),
    /// It was written in another form.
    #[error("it has format version {found}, this program reads {FORMAT_VERSION}")]
    OtherVersion {
        /// The version that it has.
        found: u64,
    },
    /// It does not say which form it has.
    #[error("it has no \"manifest\" version field")]
    NoVersion,
    /// A field is missing or is something else.
    #[error("it does not follow the manifest schema: {0}")]
    OtherSchema(serde_json::Error),
    /// An output of it lies where none is ever written.
    #[error("it has the output \"{path}\", allowed are files below {AUDIO}/: it was changed by somebody")]
    OutputElsewhere {
        /// The output's path.
        path: PathBelow,
    },
}
