//! How a delivery stands, by the look of it: no file is read to its end.

use std::path::Path;

use loadin_plan::answers::Answers;
use loadin_plan::recipe::Recipe;
use loadin_record::finding::Id;
use loadin_record::layout::MANIFEST;
use loadin_record::manifest::{State, StemRecord};
use loadin_record::survey::FileFacts;

use super::UnitError;
use crate::output::folder::OutFolder;
use crate::output::manifest_file::read_manifest;
use crate::run;
use crate::source::file;

/// How a delivery stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DeliveryState {
    /// There is work to do.
    Open,
    /// It is prepared, and the delivery looks as it did then.
    Sealed,
    /// The same, but so many stems have failed: there is work for a person, or for another try.
    Failed(usize),
}

/// Compares the listing with the manifest: cheap, since it is asked of every delivery of an archive. A stem that was
/// replaced is known by its size, or by being newer than the manifest.
pub(super) fn state(
    delivery: &Path,
    recipe: &Recipe,
    folder: &OutFolder,
    files: &[FileFacts],
) -> DeliveryState {
    let modified = |path: &Path| path.metadata().and_then(|data| data.modified()).ok();
    let Some(earlier) = folder.earlier().filter(|_| !folder.was_interrupted()) else {
        return DeliveryState::Open;
    };
    let sealed_at = modified(&folder.outputs().join(MANIFEST));
    let gone = |stem: &&StemRecord| stem.findings.iter().any(|finding| finding.id == Id::SourceGone);
    let there_then = earlier.stems.iter().filter(|stem| !gone(stem));
    let mut known: Vec<(&str, u64)> =
        there_then.map(|stem| (stem.source.path.as_str(), stem.source.bytes)).collect();
    known.sort_unstable();
    let there = files.iter().map(|file| (file.path.as_str(), file.bytes));
    let written = |file: &FileFacts| modified(file::locate(delivery, &file.path).ok()?.path());
    let older = |file: &FileFacts| written(file) < sealed_at;
    let failed = earlier.stems.iter().filter(|stem| stem.state == State::Failed).count();
    let answers = recipe.answers.as_ref().map(Answers::record);
    let as_then = earlier.recipe.sha256 == recipe.sha256() && earlier.answers == answers;
    if !as_then || !there.eq(known) || !files.iter().all(older) {
        DeliveryState::Open
    } else if failed > 0 {
        DeliveryState::Failed(failed)
    } else {
        DeliveryState::Sealed
    }
}

/// The recipe with the answers that hold in an output folder: those that are given with it, or those of the preparation there.
///
/// # Errors
/// When the folder's own are needed and gone.
pub fn holding(out: &Path, recipe: &Recipe) -> Result<Recipe, UnitError> {
    let manifest = read_manifest(out).ok();
    Ok(run::with_answers(recipe, manifest.as_ref().map(|manifest| (out, manifest)))?)
}
