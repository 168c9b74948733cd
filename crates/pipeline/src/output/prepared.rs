//! What lies at the place of every output of an earlier run: what it should be, or something else. It decides nothing.

use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};

use loadin_record::layout::AUDIO;
use loadin_record::manifest::Manifest;
use loadin_storage::pieces::digest_file;
use loadin_storage::store::UNFINISHED;
use serde::{Deserialize, Serialize};

use super::audio_folder;
use super::error::OutFolderError;
use crate::journal::KnownOutput;
use crate::work::schedule::in_parallel;

/// What lies at the place of a promised output.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) enum OutputState {
    /// The output, as it was prepared.
    AsPrepared,
    /// Nothing.
    Missing,
    /// What an interrupted run has written, and no manifest lists.
    Unfinished,
    /// Something that somebody has edited or put there.
    Edited,
}

impl OutputState {
    /// Whether the output lies there, as it was prepared or as somebody has edited it.
    pub(crate) fn is_there(self) -> bool {
        matches!(self, Self::AsPrepared | Self::Edited)
    }
}

/// The files below `audio/`, held against a manifest and the journal.
#[derive(Debug, Default)]
pub(crate) struct Prepared {
    /// Every promised output by its path inside the output folder.
    pub(crate) outputs: BTreeMap<String, OutputState>,
    /// Files that interrupted runs have written and no manifest lists, by path.
    pub(crate) leftovers: BTreeSet<String>,
    /// Files that nobody has prepared, by path.
    pub(crate) foreign: BTreeSet<String>,
}

impl Prepared {
    /// Reads every file below `audio/`. Runs on the current rayon pool.
    pub(crate) fn look(
        out: &Path,
        manifest: Option<&Manifest>,
        written: &[KnownOutput],
    ) -> Result<Self, OutFolderError> {
        let records = manifest.into_iter().flat_map(|manifest| &manifest.stems);
        let promised: BTreeMap<&str, (&str, u64)> = records
            .filter_map(|stem| stem.output.as_ref())
            .map(|output| (output.path.as_str(), (output.sha256.as_str(), output.bytes)))
            .collect();
        let listed = audio_folder::listed(out);
        let files: Vec<&String> =
            listed.iter().filter(|path| !path.ends_with(UNFINISHED) && !out.join(path).is_dir()).collect();
        let mut prepared = Self::default();
        let cost = |path: &&String| out.join(path).metadata().map_or(0, |data| data.len());
        for (path, found) in in_parallel(&files, cost, |path| ((*path).clone(), digest_of(&out.join(path)))) {
            let found = found.map_err(|source| OutFolderError::Disk { path: out.join(&path), source })?;
            let ours = || written.iter().any(|w| w.path == path && Some(&w.sha256) == found.as_ref());
            let state = match promised.get(path.as_str()) {
                Some((sha256, _)) if found.as_deref() == Some(sha256) => OutputState::AsPrepared,
                _ if ours() => OutputState::Unfinished,
                _ => OutputState::Edited,
            };
            match state {
                _ if promised.contains_key(path.as_str()) => drop(prepared.outputs.insert(path, state)),
                OutputState::Unfinished => drop(prepared.leftovers.insert(path)),
                _ => drop(prepared.foreign.insert(path)),
            }
        }
        for path in promised.keys() {
            prepared.outputs.entry((*path).to_owned()).or_insert(OutputState::Missing);
        }
        Ok(prepared)
    }

    /// What lies at a promised place; `None` where nothing is promised.
    pub(crate) fn state(&self, output: &str) -> Option<OutputState> {
        self.outputs.get(output).copied()
    }

    /// Names without extension of the files that nobody has prepared: no output may take one.
    pub(crate) fn foreign_labels(&self) -> Vec<String> {
        let label = |path: &String| Some(PathBuf::from(path).file_stem()?.to_str()?.to_owned());
        self.foreign.iter().filter_map(label).collect()
    }

    /// Whether the path is one of somebody's own files, also where it differs in case alone.
    pub(crate) fn is_foreign(&self, path: &str) -> bool {
        let folded = path.to_lowercase();
        self.foreign.iter().any(|foreign| foreign.to_lowercase() == folded)
    }
}

/// The SHA-256 of a file; `None` for what is none: a link, which is never an output, a device.
fn digest_of(path: &Path) -> io::Result<Option<String>> {
    match std::fs::symlink_metadata(path) {
        Ok(data) if data.is_file() => digest_file(path).map(|stored| Some(stored.sha256)),
        _ => Ok(None),
    }
}

/// Whether there is anything below `audio/` that is no leftover of a run's own.
pub(crate) fn has_outputs(out: &Path) -> bool {
    audio_folder::listed(out)
        .iter()
        .any(|path| !path.ends_with(UNFINISHED) && path != AUDIO && !out.join(path).is_dir())
}
