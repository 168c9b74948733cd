//! Why a unit has ended without its output, and whether waiting helps.

use std::io::{self, ErrorKind};
use std::path::PathBuf;

use loadin_storage::store::StoreError;

use crate::output::folder::OutFolderError;
use crate::run::RunError;

/// Why a unit has ended without its output.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum UnitError {
    /// An input is not there yet.
    #[error("{what} is not there yet; it is made by an earlier unit, or the share does not show it yet")]
    NotYet {
        /// The input.
        what: String,
    },
    /// A file was made and its record was not.
    #[error(
        "the record about \"{path}\" cannot be written or read back; see that the share has room and answers"
    )]
    NotRecorded {
        /// The stem.
        path: String,
    },
    /// The file system refused a read.
    #[error("cannot read \"{}\": {source}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// The unit before was run with another recipe, or by another version.
    #[error("\"{}\" was made with another recipe or by another version of this program; give the same --recipe to every unit, or begin with `loadin unit scan` again", path.display())]
    OtherRecipe {
        /// The file.
        path: PathBuf,
    },
    /// Surveys were made after the plan.
    #[error("the plan in \"{}\" rests on other surveys than those that are there; run `loadin unit plan` and `render` again", out.display())]
    Outdated {
        /// The output folder.
        out: PathBuf,
    },
    /// The stem that was asked for is not there.
    #[error("there is no stem \"{path}\" to work on in \"{}\"; write its path as in the inventory, and give --stem to one delivery only", delivery.display())]
    NoSuchStem {
        /// The path that was asked for.
        path: String,
        /// The delivery.
        delivery: PathBuf,
    },
    /// As a whole run would end.
    #[error(transparent)]
    Run(#[from] RunError),
}

impl From<OutFolderError> for UnitError {
    fn from(error: OutFolderError) -> Self {
        Self::Run(error.into())
    }
}

impl UnitError {
    /// Whether the same command may succeed later without anybody doing anything.
    pub fn may_pass(&self) -> bool {
        match self {
            Self::NotYet { .. } | Self::NotRecorded { .. } => true,
            Self::OtherRecipe { .. } | Self::Outdated { .. } | Self::NoSuchStem { .. } => false,
            Self::Io { source, .. } => passes(source),
            Self::Run(error) => match error {
                RunError::Scan(error) => passes(&error.cause),
                RunError::Store(error) => store_passes(error),
                RunError::Out(error) => match error {
                    OutFolderError::Busy { .. } | OutFolderError::NoRoom { .. } => true,
                    OutFolderError::Disk { source, .. } => passes(source),
                    OutFolderError::Store(error) => store_passes(error),
                    _ => false,
                },
                RunError::Empty { .. }
                | RunError::Stopped
                | RunError::OtherDelivery { .. }
                | RunError::WouldChange { .. }
                | RunError::AnswersWouldChange { .. }
                | RunError::Answers { .. }
                | RunError::OwnAnswers { .. }
                | RunError::OwnRecipe { .. }
                | RunError::NoSuchStem { .. } => false,
            },
        }
    }
}

fn store_passes(error: &StoreError) -> bool {
    matches!(error, StoreError::Disk { source, .. } if passes(source))
}

/// Shares lose files for a moment, fill up and are emptied again. What only a person can change does not pass.
fn passes(error: &io::Error) -> bool {
    !matches!(
        error.kind(),
        ErrorKind::PermissionDenied
            | ErrorKind::ReadOnlyFilesystem
            | ErrorKind::AlreadyExists
            | ErrorKind::InvalidInput
            | ErrorKind::InvalidFilename
            | ErrorKind::IsADirectory
            | ErrorKind::NotADirectory
            | ErrorKind::Unsupported
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_passes_by_itself_is_told_from_what_needs_a_person() {
        let refused = |kind| {
            let source = io::Error::from(kind);
            UnitError::Run(RunError::from(StoreError::Disk { path: PathBuf::from("a"), source }))
        };
        for kind in [
            ErrorKind::StaleNetworkFileHandle,
            ErrorKind::StorageFull,
            ErrorKind::NotFound,
            ErrorKind::TimedOut,
        ] {
            assert!(refused(kind).may_pass(), "{kind}");
        }
        for kind in [ErrorKind::PermissionDenied, ErrorKind::ReadOnlyFilesystem, ErrorKind::AlreadyExists] {
            assert!(!refused(kind).may_pass(), "{kind}");
        }
        assert!(!UnitError::Run(RunError::Stopped).may_pass());
        assert!(UnitError::NotYet { what: String::new() }.may_pass());
    }
}
