//! Where every stem of a delivery starts: asked once, for all who need it (the plan, the markers, and whoever listens to
//! the stems together).
//!
//! It knows no recipe and no draft: what it needs to know of a stem is its stamp, and whether it has a say.

use std::collections::BTreeMap;

use loadin_session::{Placement, PlacementOptions, StemTiming, place};

/// A stem as far as its place goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Candidate {
    /// Paths of its sources inside the delivery: one, or left and right.
    pub paths: Vec<String>,
    /// Stamp, rate and length of the first, and whether it has no say in where the others start.
    pub timing: StemTiming,
}

/// Where every stem starts.
#[derive(Debug, Clone, PartialEq)]
pub struct StemStarts {
    placement: Placement,
    index: BTreeMap<String, usize>,
}

impl StemStarts {
    /// Places the candidates.
    pub fn new(options: &PlacementOptions, candidates: &[Candidate]) -> Self {
        let timings: Vec<StemTiming> = candidates.iter().map(|candidate| candidate.timing).collect();
        let paths =
            candidates.iter().zip(0..).flat_map(|(one, index)| one.paths.iter().map(move |p| (p, index)));
        let index = paths.map(|(path, index)| (path.clone(), index)).collect();
        Self { placement: place(&timings, options), index }
    }

    /// First frame of the file at `path` on the common time line, at `rate_hz`; 0 for one that is not known.
    pub fn start_frames(&self, path: &str, rate_hz: u32) -> i64 {
        self.index.get(path).map_or(0, |&index| self.placement.start_in(index, rate_hz))
    }

    /// The start of every file in seconds, by path; to the microsecond, which is finer than a frame.
    pub fn seconds(&self) -> BTreeMap<String, f64> {
        let start = |&index: &usize| self.placement.start_in(index, 1_000_000) as f64 * 1e-6;
        self.index.iter().map(|(path, index)| (path.clone(), start(index))).collect()
    }

    /// The time stamp that counts as zero: frames since midnight, and their rate; `None` where file starts are used.
    pub fn origin(&self) -> Option<(u64, u32)> {
        self.placement.origin()
    }

    /// Whether stamps are used.
    pub fn uses_stamps(&self) -> bool {
        self.placement.uses_stamps()
    }

    /// Why stamps were not used although there are some that differ.
    pub fn refused(&self) -> Option<&str> {
        self.placement.refused()
    }

    /// Why the place of the file at `path` is not certain; nothing where it is.
    pub fn doubts(&self, path: &str) -> impl Iterator<Item = &str> {
        let index = self.index.get(path).copied();
        let doubts = self.placement.doubts().iter().filter(move |(stem, _)| Some(*stem) == index);
        doubts.map(|(_, text)| text.as_str())
    }
}
