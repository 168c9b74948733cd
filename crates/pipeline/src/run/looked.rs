//! The surveys of a delivery of which some were made twice. It makes none.

use loadin_record::survey::{FileFacts, Scope, Survey};

use crate::journal::Look;

/// A file, which look at it that is, and what shall be measured.
pub(super) type Item<'a> = (Look, &'a FileFacts, &'a Scope);

/// The surveys of a delivery after a second look.
pub(crate) struct Looked {
    /// What the plan rests on.
    pub(crate) surveys: Vec<Survey>,
    /// The first look at those that were looked at again at the same rate, by their index.
    pub(crate) first: Vec<(usize, Survey)>,
}

impl Looked {
    /// Puts the first look in the place of the second, or back.
    pub(super) fn exchange(&mut self) {
        for (index, other) in &mut self.first {
            std::mem::swap(&mut self.surveys[*index], other);
        }
    }
}
