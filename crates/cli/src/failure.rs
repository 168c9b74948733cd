//! A command that could not do its work: the error for people and the exit code for scripts.

use loadin_pipeline::output::folder::OutFolderError;
use loadin_pipeline::run::RunError;

use crate::Exit;

/// A command that could not do its work.
#[derive(Debug)]
pub(crate) struct Failure {
    pub(crate) exit: Exit,
    pub(crate) error: anyhow::Error,
}

impl Failure {
    pub(crate) fn new(exit: Exit, error: impl Into<anyhow::Error>) -> Self {
        Self { exit, error: error.into() }
    }

    /// How a delivery of a batch ends that could not be prepared: a folder that must not be written to is the state of one
    /// delivery, and no mistake of the command.
    pub(crate) fn exit_in_batch(&self) -> Exit {
        match self.error.downcast_ref::<RunError>() {
            Some(
                RunError::OtherDelivery { .. }
                | RunError::WouldChange { .. }
                | RunError::AnswersWouldChange { .. }
                | RunError::OwnAnswers { .. }
                | RunError::OwnRecipe { .. }
                | RunError::Out(
                    OutFolderError::NoManifest { .. }
                    | OutFolderError::DamagedManifest { .. }
                    | OutFolderError::NewerManifest { .. }
                    | OutFolderError::ChangedSince { .. },
                ),
            ) => Exit::SomeStems,
            _ => self.exit,
        }
    }

    pub(crate) fn bad(text: impl Into<String>) -> Self {
        Self::new(Exit::BadArguments, anyhow::Error::msg(text.into()))
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        let exit = match error.kind() {
            std::io::ErrorKind::BrokenPipe => Exit::PipeClosed,
            _ => Exit::CannotWrite,
        };
        Self::new(exit, anyhow::Error::new(error).context("cannot print the result"))
    }
}

impl From<RunError> for Failure {
    fn from(error: RunError) -> Self {
        let exit = match &error {
            RunError::Scan(_)
            | RunError::Empty { .. }
            | RunError::OtherDelivery { .. }
            | RunError::WouldChange { .. }
            | RunError::AnswersWouldChange { .. }
            | RunError::Answers { .. }
            | RunError::OwnAnswers { .. }
            | RunError::OwnRecipe { .. }
            | RunError::NoSuchStem { .. }
            | RunError::Out(OutFolderError::Overlaps { .. }) => Exit::BadArguments,
            RunError::Stopped => Exit::Interrupted,
            _ => Exit::CannotWrite,
        };
        Self::new(exit, error)
    }
}
