//! Papers in an output folder: written before anything is changed, written again, and never over somebody's own words.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use loadin_plan::recipe::Recipe;
use loadin_record::digest::{Stored, digest};
use loadin_record::layout::{AUDIO, CHECKSUMS};
use loadin_record::manifest::Manifest;
use loadin_record::survey::Survey;
use loadin_record::written::Measured;
use loadin_storage::disk::Disk;
use loadin_storage::pieces::digest_file;
use loadin_storage::store::{StoreError, move_to_free, store_bytes, store_text};

use crate::journal::Surveys;
use crate::manifest_file::{ManifestFileError, read_manifest};
use crate::out_folder::{OutFolder, OutFolderError, Packaging, outputs_of};
use crate::record::{self, Rendered};
use crate::run::{Papers, RunError, Study};
use crate::sums::{self, listed};

/// Why papers cannot be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PapersError {
    /// There is no prepared delivery.
    #[error("{0}; give the folder of a prepared delivery, the one that holds manifest.json")]
    NotPrepared(#[source] ManifestFileError),
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
    /// A file cannot be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// The record that a run would write, with the measures that the plan expects; nothing is rendered, so the outputs have
/// no digests.
pub fn outlook(recipe: &Recipe, study: &Study) -> Manifest {
    let planned = study.plan.rendered();
    let expected: BTreeMap<String, Rendered> = planned
        .map(|stem| {
            let stored = Stored { bytes: stem.output_bytes(), sha256: String::new() };
            (stem.path().to_owned(), Ok((stem.expected(), stored)))
        })
        .collect();
    record::manifest(recipe, study, &expected)
}

/// Writes the papers of a delivery that was only looked at into a folder of their own.
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

/// Writes the papers of a prepared delivery again, from its manifest and the measurements that its journal keeps.
/// Where those are gone, the papers are made without them.
pub fn write_again(root: &Path, disk: &dyn Disk, papers: &Papers<'_>) -> Result<Manifest, PapersError> {
    let manifest = read_manifest(&outputs_of(root)).map_err(PapersError::NotPrepared)?;
    let folder = OutFolder::claim(root, Packaging::of(root))?;
    if folder.was_interrupted() {
        return Err(PapersError::Interrupted { out: root.to_owned() });
    }
    let records = folder.records(disk);
    let surveys: Vec<Survey> =
        manifest.stems.iter().filter_map(|stem| Surveys(&records).now(&stem.source.path)).collect();
    let out = folder.outputs();
    let mut sums = listed(out);
    sums.extend(store_papers(disk, out, papers(&manifest, &surveys))?);
    store_list(disk, out, &sums)?;
    folder.release(disk, &manifest)?;
    Ok(manifest)
}

/// Writes papers and gives their digests. A paper that somebody has edited since it was written is kept under another
/// name: a note that was worded by hand is work.
pub(crate) fn store_papers(
    disk: &dyn Disk,
    out: &Path,
    papers: Vec<(String, Vec<u8>)>,
) -> Result<BTreeMap<String, String>, StoreError> {
    let ours = listed(out);
    let mut sums = BTreeMap::new();
    for (name, bytes) in papers {
        let path = out.join(&name);
        let new = digest(&bytes);
        // After an interrupted run the new paper may be there already, and not be listed yet.
        let edited = digest_file(&path)
            .is_ok_and(|found| found.sha256 != new && ours.get(&name) != Some(&found.sha256));
        if edited {
            keep(disk, &path)?;
        }
        sums.insert(name, store_bytes(disk, &path, &bytes)?.sha256);
    }
    Ok(sums)
}

/// Gives a file a name that is free: "client-note (edited).md".
fn keep(disk: &dyn Disk, path: &Path) -> Result<(), StoreError> {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let ending = path.extension().map_or(String::new(), |ending| format!(".{}", ending.to_string_lossy()));
    let names = (1..).map(|n| if n == 1 { "edited".to_owned() } else { format!("edited {n}") });
    move_to_free(disk, path, names.map(|word| path.with_file_name(format!("{stem} ({word}){ending}"))))
}

/// Writes the list of digests.
pub(crate) fn store_list(
    disk: &dyn Disk,
    out: &Path,
    sums: &BTreeMap<String, String>,
) -> Result<Stored, StoreError> {
    store_text(disk, &out.join(CHECKSUMS), &sums::to_text(sums))
}
