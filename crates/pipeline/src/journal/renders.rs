//! Recorded renders of the planned stems of a delivery.

use std::io;
use std::path::{Path, PathBuf};

use loadin_plan::plan::StemPlan;
use loadin_record::digest::{Stored, digest};
use loadin_record::path_below::PathBelow;
use loadin_record::written::Measured;
use loadin_storage::inside;
use loadin_storage::records::Records;
use serde::{Deserialize, Serialize};

/// Steps of which there may be a record about a stem.
const RENDER: &str = "render";
const FAILED: &str = "failed";

/// Step of the records of files that a run has written and no manifest lists yet: one a file and contents, so that none
/// is forgotten when a label goes to another stem meanwhile.
const WRITTEN: &str = "written";

/// Why a stem could not be rendered, in the words that its record and the manifest show.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub(crate) struct RenderFailure(pub(crate) String);

/// What became of a rendered stem: its measures and its file, or what went wrong.
pub(crate) type StemOutcome = Result<(Measured, Stored), RenderFailure>;

/// The renders among the records of an output folder.
#[derive(Clone, Copy)]
pub(crate) struct Renders<'a>(pub(crate) &'a Records<'a>);

/// A stem that was rendered.
#[derive(Serialize, Deserialize)]
struct Render {
    path: PathBelow,
    stored: Stored,
    measured: Measured,
}

/// An output that some run has written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct KnownOutput {
    /// Its path inside the output folder.
    pub(crate) path: PathBelow,
    /// Its SHA-256 in hex.
    pub(crate) sha256: String,
}

impl KnownOutput {
    fn record_name(&self) -> String {
        format!("{} {}", self.sha256, self.path)
    }
}

impl Renders<'_> {
    /// What was measured and stored of a planned stem, if its output is there as it was written.
    pub(crate) fn proved(self, out: &Path, stem: &StemPlan) -> Option<(Measured, Stored)> {
        let (Render { path, stored, measured, .. }, _) =
            self.0.read(RENDER, stem.path(), &plan_digest(stem)?)?;
        let stands = path == stem.output_path() && inside::digest(out, &path).ok()? == stored;
        stands.then_some((measured, stored))
    }

    /// Records a rendered stem.
    pub(crate) fn record(self, stem: &StemPlan, measured: &Measured, stored: &Stored) {
        if let Some(key) = plan_digest(stem) {
            let render =
                Render { path: stem.output_path(), stored: stored.clone(), measured: measured.clone() };
            self.0.write(RENDER, stem.path(), key, (render, &[]));
        }
    }

    /// Whether the record of a rendered stem is there; its output is not looked at.
    pub(crate) fn has(self, stem: &StemPlan) -> bool {
        plan_digest(stem).is_some_and(|key| self.0.read::<_, Render>(RENDER, stem.path(), &key).is_some())
    }

    /// Records why a stem could not be rendered, for whoever seals on another machine; `None` takes it back.
    pub(crate) fn record_failed(self, stem: &StemPlan, why: Option<&RenderFailure>) {
        match (why, plan_digest(stem)) {
            (Some(why), Some(key)) => drop(self.0.write(FAILED, stem.path(), key, (why, &[]))),
            _ => self.0.remove(FAILED, stem.path()),
        }
    }

    /// Why a stem could not be rendered.
    pub(crate) fn failed(self, stem: &StemPlan) -> Option<RenderFailure> {
        self.0.read(FAILED, stem.path(), &plan_digest(stem)?).map(|(why, _)| why)
    }

    /// Where the records about a stem lie: that it is rendered, and that it could not be.
    pub(crate) fn places(self, path: &str) -> [PathBuf; 2] {
        [RENDER, FAILED].map(|step| self.0.place(step, path))
    }

    /// Every output that some run has recorded here.
    pub(crate) fn outputs(self) -> Vec<KnownOutput> {
        let known = |Render { path, stored, .. }| KnownOutput { path, sha256: stored.sha256 };
        self.0.all(RENDER).into_iter().map(known).collect()
    }

    /// Records that a file is about to get its name as an output, before it has it.
    ///
    /// # Errors
    /// When the disk refuses.
    pub(crate) fn record_written(self, written: &KnownOutput) -> io::Result<()> {
        self.0.write_durably(WRITTEN, &written.record_name(), written)
    }

    /// Every file that runs have written since the last manifest.
    pub(crate) fn written(self) -> Vec<KnownOutput> {
        self.0.all(WRITTEN)
    }

    /// A manifest lists what there is: nothing else has to be known.
    pub(crate) fn forget_written(self) {
        for written in self.written() {
            self.0.remove(WRITTEN, &written.record_name());
        }
    }
}

fn plan_digest(stem: &StemPlan) -> Option<String> {
    Some(digest(&serde_json::to_vec(stem).ok()?))
}
