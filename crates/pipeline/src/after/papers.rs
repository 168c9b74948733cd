//! Papers in an output folder: written before anything is changed, written again, and never over somebody's own words.

use std::fs;
use std::path::{Path, PathBuf};

use loadin_plan::answers::Answers;
use loadin_plan::visit::{AnswerAgainError, answered_again};
use loadin_record::layout::{ANSWERS, AUDIO, MANIFEST};
use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;
use loadin_storage::disk::Disk;
use loadin_storage::store::{StoreError, store_text};

use crate::journal::Surveys;
use crate::output::checksums::listed;
use crate::output::folder::{OutFolder, OutFolderError, Packaging, outputs_of};
use crate::output::manifest_file::{ManifestFileError, read_manifest};
use crate::output::papers::{store_list, store_papers};
use crate::run::{Papers, RunError, forget_answers, keep_answers, own_answers, own_recipe};

/// Why papers cannot be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PapersError {
    /// There is no prepared delivery.
    #[error("{0}; give the folder of a prepared delivery, the one that holds manifest.json")]
    NotPrepared(ManifestFileError),
    /// A run into the folder was interrupted: the outputs may be those of another manifest.
    #[error("the last run into \"{}\" was interrupted; give its command again, which writes the papers too", out.display())]
    Interrupted {
        /// The output folder.
        out: PathBuf,
    },
    /// The page before the work would replace the one about the work.
    #[error("\"{}\" holds a prepared delivery, whose papers an audit would replace; choose another --out", out.display())]
    Prepared {
        /// The output folder.
        out: PathBuf,
    },
    /// The output folder cannot be used.
    #[error(transparent)]
    Out(#[from] OutFolderError),
    /// The delivery cannot be studied.
    #[error(transparent)]
    Run(#[from] RunError),
    /// Something was taken back that the papers alone cannot tell.
    #[error("these answers do not state {} any more, and what the delivery says instead is not in the record; give the command of `prep` with them", .0.join(" and "))]
    Withdrawn(Vec<&'static str>),
    /// A file cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The record with other answers, where papers alone follow from them.
fn answered(folder: &OutFolder, manifest: &Manifest, answers: &Answers) -> Result<Manifest, PapersError> {
    let out = folder.outputs();
    let paths: Vec<&str> = manifest.stems.iter().map(|stem| stem.source.path.as_str()).collect();
    answers
        .check(&paths)
        .map_err(|mistakes| RunError::Answers { mistakes: mistakes.in_file(&answers.file) })?;
    let then = own_answers(out, manifest)?;
    let recipe = own_recipe(out, manifest)?.answered(Some(answers.clone()));
    answered_again(manifest, &recipe, then.as_ref()).map_err(|error| match error {
        AnswerAgainError::WouldChange(stems) => {
            RunError::AnswersWouldChange { out: out.to_owned(), stems }.into()
        }
        AnswerAgainError::Withdrawn(keys) => PapersError::Withdrawn(keys),
    })
}

/// Writes the papers of a delivery that was only looked at into a folder of their own.
///
/// # Errors
/// When `out` cannot be used or holds a prepared delivery, or when a file cannot be written.
pub fn write_audit(
    delivery: &Path,
    out: &Path,
    outlook: &Manifest,
    surveys: &[Survey],
    disk: &dyn Disk,
    papers: &Papers<'_>,
) -> Result<(), PapersError> {
    OutFolder::check_place(delivery, out)?;
    let folder = OutFolder::claim(out, Packaging::Plain)?;
    if folder.earlier().is_some() {
        return Err(PapersError::Prepared { out: out.to_owned() });
    }
    let sums = store_papers(disk, out, papers(outlook, surveys))?;
    store_list(disk, out, &sums)?;
    folder.release(disk, outlook)?;
    // It was made for outputs, and there are none; what is not empty stays.
    let _ = fs::remove_dir(out.join(AUDIO));
    Ok(())
}

/// Writes the papers of a prepared delivery again, from its manifest and the measurements that its journal keeps, and with other
/// answers where some are given: these may change facts, questions and papers, and no output.
/// Where those are gone, the papers are made without them.
///
/// # Errors
/// When there is no readable manifest, when the last run into the folder was interrupted or another one is at work there, or
/// when a file cannot be written.
pub fn write_again(
    root: &Path,
    answers: Option<&Answers>,
    disk: &dyn Disk,
    papers: &Papers<'_>,
) -> Result<Manifest, PapersError> {
    let manifest = read_manifest(&outputs_of(root)).map_err(PapersError::NotPrepared)?;
    let mut folder = OutFolder::claim(root, Packaging::of(root))?;
    if folder.was_interrupted() {
        return Err(PapersError::Interrupted { out: root.to_owned() });
    }
    let manifest = match answers {
        Some(answers) if manifest.answers != Some(answers.record()) => {
            let manifest = answered(&folder, &manifest, answers)?;
            folder.begin_writing()?;
            manifest
        }
        _ => manifest,
    };
    let records = folder.records(disk);
    let surveys: Vec<Survey> =
        manifest.stems.iter().filter_map(|stem| Surveys(&records).now(&stem.source.path)).collect();
    let out = folder.outputs();
    keep_answers(disk, out, answers)?;
    let mut papers = papers(&manifest, &surveys);
    papers.extend(answers.map(|answers| (ANSWERS.to_owned(), answers.text.clone().into_bytes())));
    let mut sums = listed(out);
    sums.extend(store_papers(disk, out, papers)?);
    store_list(disk, out, &sums)?;
    if answers.is_some() {
        store_text(disk, &out.join(MANIFEST), &manifest.to_json())?;
        forget_answers(disk, out, &manifest)?;
    }
    folder.release(disk, &manifest)?;
    Ok(manifest)
}
