//! All that stands beside the samples of one file. Knows no single kind of chunk but `bext`.

use crate::{Bext, Chunk};

/// What stands beside the samples.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Metadata {
    /// The broadcast extension.
    pub bext: Option<Bext>,
    /// Everything else, as chunks of a RIFF file: those of the file itself, or made from what its own container has.
    pub chunks: Vec<Chunk>,
}
