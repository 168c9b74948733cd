//! Where the sketches of a delivery are kept between the survey and the comparison of stems: on record where there
//! are records, so that the memory of a run does not grow with the delivery, else in memory.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard, PoisonError};

use loadin_audio::Sketch;
use loadin_storage::records::{Records, bytes_of, floats_of};

/// Bumped when the same sound gives another sketch; 2: the middle of all channels in 32-bit floats, at most 20 minutes.
const SKETCH_VERSION: u32 = 2;

/// The step under which a sketch is recorded.
const SKETCH: &str = "sketch";

/// The sketches of one study.
pub struct Sketches<'a> {
    records: Option<&'a Records<'a>>,
    kept: Mutex<BTreeMap<String, Sketch>>,
}

impl<'a> Sketches<'a> {
    /// A place for sketches.
    pub fn new(records: Option<&'a Records<'a>>) -> Self {
        Self { records, kept: Mutex::default() }
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<String, Sketch>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Keeps the sketch of the file at `path`, whose bytes have this digest.
    pub fn keep(&self, path: &str, sha256: &str, sketch: Sketch) {
        // Records are best effort; what they cannot take stays here, since the result may not depend on it.
        if !self.records.is_some_and(|records| record(records, path, sha256, &sketch)) {
            self.lock().insert(path.to_owned(), sketch);
        }
    }

    /// Whether that sketch is there.
    pub fn has(&self, path: &str, sha256: &str) -> bool {
        self.get(path, sha256).is_some()
    }

    /// Whether that sketch is on record, for whoever compares the stems on another machine.
    pub fn is_recorded(&self, path: &str, sha256: &str) -> bool {
        self.records.is_some_and(|records| recorded(records, path, sha256).is_some())
    }

    /// Where the record of the sketch of the file at `path` lies, where there are records.
    pub fn place(&self, path: &str) -> Option<PathBuf> {
        self.records.map(|records| records.place(SKETCH, path))
    }

    /// The sketch of the file at `path`, if it was made of the very same bytes.
    pub fn get(&self, path: &str, sha256: &str) -> Option<Sketch> {
        let kept = self.lock().get(path).cloned();
        kept.or_else(|| recorded(self.records?, path, sha256))
    }
}

/// Records a sketch; says whether it can be had back.
fn record(records: &Records<'_>, path: &str, sha256: &str, sketch: &Sketch) -> bool {
    let parts = (sketch.rate_hz(), sketch.samples(), sketch.scales().len());
    let mut tail = bytes_of(sketch.scales());
    tail.extend(sketch.codes().iter().flat_map(|code| code.to_le_bytes()));
    records.write(SKETCH, path, (sha256, SKETCH_VERSION), (parts, &tail))
}

fn recorded(records: &Records<'_>, path: &str, sha256: &str) -> Option<Sketch> {
    let ((rate_hz, samples, scales), tail): ((u32, usize, usize), _) =
        records.read(SKETCH, path, &(sha256, SKETCH_VERSION))?;
    let (scales, codes) = tail.split_at_checked(scales.checked_mul(size_of::<f32>())?)?;
    let codes = codes.as_chunks::<2>().0.iter().map(|code| i16::from_le_bytes(*code)).collect();
    Sketch::from_parts(rate_hz, samples, floats_of(scales), codes)
}
