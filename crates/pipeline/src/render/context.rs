//! What every render of one delivery shares.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use loadin_storage::disk::Disk;

use crate::output::folder::Replaced;
use crate::work::context::Context;

/// What every render of one delivery shares.
pub struct RenderContext {
    /// Folder of the delivery; only read.
    pub delivery: PathBuf,
    /// Folder of the outputs.
    pub out: PathBuf,
    /// The file system that is written to.
    pub disk: Arc<dyn Disk>,
    /// Digests of the samples of the surveyed sources, by path.
    pub sample_digests: BTreeMap<String, String>,
    /// Outputs that were promised and are replaced: each goes when the new one is whole.
    pub(crate) replaced: Replaced,
    /// What survey and render share.
    pub work: Context,
}
