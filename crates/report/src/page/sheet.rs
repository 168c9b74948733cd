//! What all parts of a page read. Knows nothing of how they are written.

use loadin_record::manifest::Manifest;

use crate::timeline::{Axis, Surveys};

/// Whether a page is made before or after the work.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Act {
    /// Nothing is changed yet: the manifest says what would be done.
    Audit,
    /// The manifest says what was done.
    Prepared,
}

impl Act {
    /// One wording for either.
    pub(super) fn word(self, audit: &'static str, prepared: &'static str) -> &'static str {
        if self == Self::Audit { audit } else { prepared }
    }
}

/// What all parts of a page read.
pub(super) struct Sheet<'a> {
    pub(super) manifest: &'a Manifest,
    pub(super) surveys: Surveys<'a>,
    pub(super) axis: Axis,
    pub(super) act: Act,
}
