//! The hardest check of a prepared delivery: it is made again from its sources and its recipe, into digests alone, and
//! must come out the same to the last bit.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use loadin_plan::plan::StemPlan;
use loadin_plan::recipe::Recipe;
use loadin_record::layout::MOST_RECIPE_BYTES;
use loadin_record::manifest::{Change, Manifest, StemRecord, Tool};
use loadin_storage::disk::RealDisk;
use loadin_storage::plain_file;

use crate::journal::{RenderFailure, StemOutcome};
use crate::output::difference::Verified;
use crate::output::folder::outputs_of;
use crate::output::manifest_file::{ManifestFileError, read_manifest};
use crate::render;
use crate::run::{self, Bound, Kept, RunError, Study};
use crate::work::context::Context;
use crate::work::schedule::in_parallel;

/// Why nothing could be made again.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReplayError {
    /// The manifest cannot be read.
    #[error(transparent)]
    Manifest(#[from] ManifestFileError),
    /// The recipe beside it cannot be read.
    #[error("cannot use \"{}\": {why}", path.display())]
    Recipe {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The delivery cannot be surveyed.
    #[error(transparent)]
    Run(#[from] RunError),
}

/// Makes the prepared delivery in the folder or bag `root` again from the sources in `delivery`, and adds to `verified` what comes out
/// differently. Writes nothing. Runs on the current rayon pool.
///
/// # Errors
/// When the manifest or the recipe beside it cannot be read, when the delivery cannot be studied, or when the work is asked to
/// stop. What comes out differently is no error: it is in `verified`.
pub fn replay(
    root: &Path,
    delivery: &Path,
    work: &Context,
    verified: &mut Verified,
) -> Result<(), ReplayError> {
    let out = &outputs_of(root);
    let manifest = read_manifest(out)?;
    let recipe = recipe_of(out)?.answered(run::own_answers(out, &manifest)?);
    let bound = Bound::by(manifest.clone());
    let study = run::study(delivery, &recipe, work, Some((&bound, out)))?;
    let before = verified.differences.len();
    check_sources(&manifest, &study, verified);
    if verified.differences.len() > before {
        // Other sources give another delivery: saying so once is enough.
        return Ok(());
    }
    let rendered = render_all(out, delivery, &study, work);
    if work.stop.is_asked() {
        return Err(RunError::Stopped.into());
    }
    verified.replayed = rendered.len();
    compare(&manifest, &run::manifest(&recipe, &study, &rendered, &Kept::for_replay(&manifest)), verified);
    Ok(())
}

fn recipe_of(out: &Path) -> Result<Recipe, ReplayError> {
    let path = out.join("recipe.toml");
    let wrong = |why: String| ReplayError::Recipe { path: path.clone(), why };
    let text = plain_file::read_text(&path, MOST_RECIPE_BYTES).map_err(|error| wrong(error.to_string()))?;
    Recipe::parse(&text)
        .map_err(|errors| wrong(errors.iter().map(|e| e.text.clone()).collect::<Vec<_>>().join("; ")))
}

fn check_sources(manifest: &Manifest, study: &Study, verified: &mut Verified) {
    let found: BTreeMap<&str, &str> =
        study.surveys.iter().map(|survey| (survey.path.as_str(), survey.sha256.as_str())).collect();
    let mut known = BTreeSet::new();
    for stem in &manifest.stems {
        let source = &stem.source;
        known.insert(source.path.as_str());
        verified.sources += usize::from(source.sha256.is_some());
        match found.get(source.path.as_str()) {
            None => {
                verified.differs(&source.path, "the source is missing, so nothing can be made from it again");
            }
            Some(sha256) if *sha256 != source.sha256.as_deref().unwrap_or("") => {
                verified.differs(&source.path, "the source has changed, so it gives something else");
            }
            Some(_) => {}
        }
    }
    for path in found.keys().filter(|path| !known.contains(*path)) {
        verified.differs(*path, "it was not in the delivery when that was prepared");
    }
}

fn render_all(out: &Path, delivery: &Path, study: &Study, work: &Context) -> BTreeMap<String, StemOutcome> {
    let context = study.render_context(delivery, out, Arc::new(RealDisk), work, BTreeMap::new());
    let stems: Vec<&StemPlan> = study.plan.rendered().collect();
    let cost = |stem: &&StemPlan| stem.output_bytes();
    let made = in_parallel(&stems, cost, |stem| {
        let made = render::replay(&context, stem).map_err(RenderFailure::from);
        (stem.path().to_owned(), made)
    });
    made.into_iter().collect()
}

/// Compares a manifest with the one that was made again. What another version has made may have other bytes: it is not
/// compared, and that is said.
fn compare(manifest: &Manifest, made: &Manifest, verified: &mut Verified) {
    let before = verified.differences.len();
    let again = |path: &str| made.stems.iter().find(|stem| stem.source.path == path);
    let this = Tool::this().version;
    for stem in &manifest.stems {
        let made_by = stem.made_by.as_ref().unwrap_or(&manifest.tool.version);
        if *made_by != this {
            verified.other_versions += usize::from(stem.output.is_some());
        } else if let Some(other) = again(&stem.source.path).filter(|other| !is_equal(manifest, stem, other))
        {
            verified.differs(&stem.source.path, difference(stem, other));
        }
    }
    // A later visit keeps what was said of stems then; the first one must say it all again.
    let first = manifest.late.is_none() && verified.other_versions == 0 && manifest.tool.version == this;
    if first
        && verified.differences.len() == before
        && manifest.digest != made.digest
        && !is_visited(manifest)
    {
        verified.differs("manifest.json", "made again, it says something else about the delivery as a whole");
    }
}

/// Whether a manifest says how its outputs or sources stood at a visit, which nobody can make again.
fn is_visited(manifest: &Manifest) -> bool {
    manifest.stems.iter().flat_map(|stem| &stem.findings).any(|finding| finding.id.is_of_a_visit())
}

/// Whether a record was made again: all of it for the stems of a first preparation; its sound, its place and its changes
/// for one that later visits have kept.
fn is_equal(manifest: &Manifest, stem: &StemRecord, made: &StemRecord) -> bool {
    if manifest.late.is_none() && !is_visited(manifest) {
        return stem == made;
    }
    let changes = |record: &StemRecord| -> Vec<Change> {
        // Where a label comes from is another story at every visit.
        record.changes.iter().filter(|change| change.stage != "label").cloned().collect()
    };
    stem.output == made.output
        && stem.time_map == made.time_map
        && stem.state == made.state
        && stem.metadata == made.metadata
        && changes(stem) == changes(made)
}

fn difference(stem: &StemRecord, made: &StemRecord) -> String {
    match (&stem.output, &made.output) {
        (Some(output), Some(again)) if output.sha256 != again.sha256 => {
            format!("made again, {} has other bytes", output.path)
        }
        (Some(output), None) => {
            let why = made.error.as_deref().unwrap_or("no reason is given");
            format!("{} cannot be made again: {why}", output.path)
        }
        (None, Some(again)) => {
            format!("the manifest calls it {}, but {} can be made", stem.state.as_str(), again.path)
        }
        _ => "made again, its record says something else".to_owned(),
    }
}
