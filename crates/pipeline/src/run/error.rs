//! Why a run ended without a manifest.

use std::path::PathBuf;

use loadin_plan::visit::WouldChange;
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
    /// The folder holds a preparation of something else.
    #[error("\"{}\" holds the prepared stems of \"{prepared}\", and no file of \"{}\" has the contents of one of them; nothing was written: choose another --out, or give --relink, which prepares anew and sets aside what is there", out.display(), delivery.display())]
    OtherDelivery {
        /// The output folder.
        out: PathBuf,
        /// The delivery that was given.
        delivery: PathBuf,
        /// The name of the delivery that was prepared there.
        prepared: String,
    },
    /// The recipe would change what is prepared.
    #[error("this recipe would change {} in \"{}\", and nothing was written:{}\nkeep the recipe that made them, choose another --out, make chosen stems anew with --renew STEM, or all with --relink", counted(stems.len()), out.display(), listed(stems))]
    WouldChange {
        /// The output folder.
        out: PathBuf,
        /// What would change.
        stems: Vec<WouldChange>,
    },
    /// The answers would change what is prepared.
    #[error("these answers would change {} in \"{}\", and nothing was written:{}\nmake chosen stems anew with --renew STEM, or all with --relink; what is said of facts and findings alone takes effect at once", counted(stems.len()), out.display(), listed(stems))]
    AnswersWouldChange {
        /// The output folder.
        out: PathBuf,
        /// What would change.
        stems: Vec<WouldChange>,
    },
    /// The answers do not fit the delivery.
    #[error("the answers cannot be used:\n{mistakes}")]
    Answers {
        /// Every mistake, one a line.
        mistakes: String,
    },
    /// The answers in the folder are needed and cannot be used.
    #[error("\"{}\" is needed to tell what the engineer has said, and cannot be used: {why}; put it back from a copy, choose another --out, or give --relink with --answers", path.display())]
    OwnAnswers {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The recipe in the folder is needed and cannot be used.
    #[error("\"{}\" is needed to tell what another recipe would change, and cannot be used: {why}; put it back from a copy, choose another --out, or give --relink", path.display())]
    OwnRecipe {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// A stem that shall be made anew is not known.
    #[error("--renew \"{name}\": no prepared stem in \"{}\" has this path in the delivery or this label; allowed are those that manifest.json lists", out.display())]
    NoSuchStem {
        /// What was given.
        name: String,
        /// The output folder.
        out: PathBuf,
    },
    /// It was asked to stop.
    #[error("stopped; what was finished before is whole, and the same command goes on from there")]
    Stopped,
    /// A file cannot be written.
    #[error("{0}; what was finished before is whole, and the same command goes on when the cause is gone")]
    Store(Box<StoreError>),
}

fn counted(stems: usize) -> String {
    if stems == 1 { "1 prepared stem".to_owned() } else { format!("{stems} prepared stems") }
}

fn listed(stems: &[WouldChange]) -> String {
    let line = |stem: &WouldChange| {
        format!("\n  {} ({}): {}", stem.output, stem.sources.join(" + "), stem.texts.join("; "))
    };
    stems.iter().map(line).collect()
}

impl From<StoreError> for RunError {
    fn from(error: StoreError) -> Self {
        Self::Store(Box::new(error))
    }
}
