//! Where the sketches of a delivery are kept between the survey and the comparison of stems: in the journal where there
//! is one, so that the memory of a run does not grow with the delivery, else in memory.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};

use loadin_audio::Sketch;

use crate::journal::Journal;

/// The sketches of one study.
pub(crate) struct Sketches<'a> {
    journal: Option<&'a Journal<'a>>,
    kept: Mutex<BTreeMap<String, Sketch>>,
}

impl<'a> Sketches<'a> {
    /// A place for sketches.
    pub(crate) fn new(journal: Option<&'a Journal<'a>>) -> Self {
        Self { journal, kept: Mutex::default() }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Sketch>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps the sketch of the file at `path`, whose bytes have this digest.
    pub(crate) fn keep(&self, path: &str, sha256: &str, sketch: Sketch) {
        // The journal is best effort; what it cannot take stays here, since the result may not depend on it.
        if !self.journal.is_some_and(|journal| journal.record_sketch(path, sha256, &sketch)) {
            self.lock().insert(path.to_owned(), sketch);
        }
    }

    /// Whether that sketch is there.
    pub(crate) fn has(&self, path: &str, sha256: &str) -> bool {
        self.get(path, sha256).is_some()
    }

    /// Whether the journal has that sketch, for whoever compares the stems on another machine.
    pub(crate) fn is_recorded(&self, path: &str, sha256: &str) -> bool {
        self.journal.is_some_and(|journal| journal.sketch(path, sha256).is_some())
    }

    /// The sketch of the file at `path`, if it was made of the very same bytes.
    pub(crate) fn get(&self, path: &str, sha256: &str) -> Option<Sketch> {
        let kept = self.lock().get(path).cloned();
        kept.or_else(|| self.journal?.sketch(path, sha256))
    }
}
