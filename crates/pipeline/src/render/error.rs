//! Why a stem could not be rendered.

use loadin_storage::store::StoreError;

use crate::journal::RenderFailure;

/// Why a stem could not be rendered.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RenderError {
    /// The source cannot be read any more.
    #[error("the source cannot be read: {0}")]
    Source(String),
    /// The source is not what was surveyed.
    #[error("the source has changed since it was surveyed; run again when nobody writes to the delivery")]
    SourceChanged,
    /// The run was asked to stop.
    #[error("the run was stopped")]
    Stopped,
    /// A processor has panicked.
    #[error(
        "a fault of this program: a stage gave up while it was being prepared; nothing was kept, please report this"
    )]
    Fault,
    /// What was written is not what the plan promised.
    #[error("what was written breaks the plan's promise: {0}; nothing was kept, please report this")]
    Promise(String),
    /// The output cannot be written: this ends the run, since the next stem would meet the same disk.
    #[error(transparent)]
    Store(Box<StoreError>),
}

impl From<RenderError> for RenderFailure {
    fn from(error: RenderError) -> Self {
        Self(error.to_string())
    }
}
