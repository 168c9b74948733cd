//! What comparing the stems with each other has shown: evidence for findings and for the manifest, never a change.

use serde::{Deserialize, Serialize};

use crate::facts::Survey;
use crate::siblings::{self, Sibling};
use crate::sketch::Sketches;

/// Everything that was found out by comparing sketches.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Heard {
    /// Related stems, and how they stand to each other; sorted by their paths.
    pub siblings: Vec<Sibling>,
}

impl Heard {
    /// Compares the stems of a delivery. Runs on the current rayon pool; its size changes nothing in the result.
    pub(crate) fn of(surveys: &[Survey], sketches: &Sketches<'_>) -> Self {
        Self { siblings: siblings::siblings(surveys, sketches) }
    }
}
