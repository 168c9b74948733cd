//! Where every stem of a delivery starts: asked once, for all who need it (the plan, the markers, and whoever listens to
//! the stems together).
//!
//! It knows no recipe and no draft: what it needs to know of a stem is its stamp, and whether it has a say.

use std::collections::{BTreeMap, BTreeSet};

use loadin_audio::{rescale_frames, starting_phase};
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
    /// Where the engineer lets files start, by path: frames on the common time line, and their rate.
    said: BTreeMap<String, (u64, u32)>,
}

impl StemStarts {
    /// Places the candidates.
    pub fn new(options: &PlacementOptions, candidates: &[Candidate]) -> Self {
        let timings: Vec<StemTiming> = candidates.iter().map(|candidate| candidate.timing).collect();
        let paths =
            candidates.iter().zip(0..).flat_map(|(one, index)| one.paths.iter().map(move |p| (p, index)));
        let index = paths.map(|(path, index)| (path.clone(), index)).collect();
        Self { placement: place(&timings, options), index, said: BTreeMap::new() }
    }

    /// The same with the starts that the engineer says, by path: frames on the common time line, and their rate.
    #[must_use]
    pub(crate) fn answered(self, said: BTreeMap<String, (u64, u32)>) -> Self {
        Self { said, ..self }
    }

    /// Whether the engineer says where the file at `path` starts.
    pub fn is_answered(&self, path: &str) -> bool {
        self.said.contains_key(path)
    }

    /// First frame of the file at `path` on the common time line, at `rate_hz`; 0 for one that is not known.
    pub fn start_frames(&self, path: &str, rate_hz: u32) -> i64 {
        if let Some(&(frames, from_hz)) = self.said.get(path) {
            return rescale_frames(frames, from_hz, rate_hz) as i64;
        }
        self.index.get(path).map_or(0, |&index| self.placement.start_in(index, rate_hz))
    }

    /// The fraction of a frame at which the file at `path` must begin at `rate_hz` to stand where its stamp says, as
    /// [`starting_phase`] counts it; 0 where no stamp says, or no fraction can be had.
    pub fn phase(&self, path: &str, rate_hz: u32) -> i64 {
        let index = self.index.get(path).filter(|_| !self.is_answered(path));
        index
            .and_then(|&index| self.placement.stamp(index))
            .map_or(0, |(frames, own_hz)| nearest_phase(frames, own_hz, rate_hz))
    }

    /// The start of every file in seconds, by path; to the nanosecond, so that stems which are laid under a mix cancel it.
    pub fn seconds(&self) -> BTreeMap<String, f64> {
        let start = |path: &String| self.start_frames(path, 1_000_000_000) as f64 * 1e-9;
        self.index.keys().map(|path| (path.clone(), start(path))).collect()
    }

    /// The files that stand by a time stamp, or where the engineer says.
    pub fn stamped(&self) -> BTreeSet<String> {
        let stamped = self
            .index
            .iter()
            .filter(|(path, index)| self.placement.is_stamped(**index) || self.is_answered(path));
        stamped.map(|(path, _)| path.clone()).collect()
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
        let index = self.index.get(path).copied().filter(|_| !self.is_answered(path));
        let doubts = self.placement.doubts().iter().filter(move |(stem, _)| Some(*stem) == index);
        doubts.map(|(_, text)| text.as_str())
    }
}

/// The phase of what starts at this frame of the clock, and stands on the nearest one at `to_hz`.
pub(crate) fn nearest_phase(frames: u64, from_hz: u32, to_hz: u32) -> i64 {
    let place = i64::try_from(rescale_frames(frames, from_hz.max(1), to_hz)).ok();
    place.and_then(|place| starting_phase(place, frames, from_hz, to_hz)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use loadin_session::StartMode;

    use super::*;

    /// One o'clock in frames since midnight at 48 kHz (EBU Tech 3285 counts frames since midnight; arithmetic).
    const HOUR: u64 = 172_800_000;

    /// A candidate of 20 s.
    fn candidate(paths: &[&str], stamp: Option<u64>, rate_hz: u32) -> Candidate {
        Candidate {
            paths: paths.iter().map(|&path| path.to_owned()).collect(),
            timing: StemTiming {
                timestamp_frames: stamp,
                rate_hz,
                frames: 20 * u64::from(rate_hz),
                reference: false,
            },
        }
    }

    fn reference(mut candidate: Candidate) -> Candidate {
        candidate.timing.reference = true;
        candidate
    }

    fn starts(candidates: &[Candidate]) -> StemStarts {
        StemStarts::new(&PlacementOptions::default(), candidates)
    }

    /// A bass at the start, two sides of an amplifier 1.5 s later at another rate, and a stem without a stamp.
    fn delivery() -> Vec<Candidate> {
        vec![
            candidate(&["Bass.wav"], Some(HOUR), 48_000),
            candidate(&["Kick.wav"], Some(HOUR), 48_000),
            candidate(&["Amp L.wav", "Amp R.wav"], Some(44_100 * 3600 + 66_150), 44_100),
            candidate(&["Vox.wav"], None, 48_000),
        ]
    }

    #[test]
    fn both_files_of_a_joined_stem_start_where_it_starts() {
        let starts = starts(&delivery());
        for (path, rate_hz, frames) in [
            ("Bass.wav", 48_000, 0),
            ("Amp L.wav", 48_000, 72_000),
            ("Amp R.wav", 48_000, 72_000),
            ("Amp R.wav", 44_100, 66_150),
            ("Vox.wav", 48_000, 0),
            ("a file that came later.wav", 48_000, 0),
        ] {
            assert_eq!(starts.start_frames(path, rate_hz), frames, "{path} at {rate_hz} Hz");
        }
        let wanted =
            [("Amp L.wav", 1.5), ("Amp R.wav", 1.5), ("Bass.wav", 0.0), ("Kick.wav", 0.0), ("Vox.wav", 0.0)];
        assert_eq!(starts.seconds(), wanted.map(|(path, start)| (path.to_owned(), start)).into());
    }

    #[test]
    fn only_files_with_a_stamp_that_is_used_stand_by_one() {
        let names = |starts: &StemStarts| starts.stamped().into_iter().collect::<Vec<_>>();
        assert_eq!(names(&starts(&delivery())), ["Amp L.wav", "Amp R.wav", "Bass.wav", "Kick.wav"]);
        let by_file = PlacementOptions { mode: StartMode::File, ..PlacementOptions::default() };
        assert_eq!(names(&StemStarts::new(&by_file, &delivery())), [""; 0]);
    }

    #[test]
    fn seconds_are_rounded_to_the_nanosecond() {
        // One frame at 48 kHz is 20.833 µs (arithmetic).
        let late = candidate(&["b.wav"], Some(HOUR + 1), 48_000);
        let starts = starts(&[candidate(&["a.wav"], Some(HOUR), 48_000), late]);
        let found = starts.seconds()["b.wav"];
        assert!((found - 20_833e-9).abs() < 1e-12, "{found}");
    }

    #[test]
    fn the_earliest_stamp_of_a_stem_counts_as_zero() {
        let placed = starts(&delivery());
        assert_eq!((placed.origin(), placed.uses_stamps()), (Some((HOUR, 48_000)), true));
        assert_eq!(placed.refused(), None);
        let early = reference(candidate(&["Rough mix.wav"], Some(HOUR - 96_000), 48_000));
        let placed = starts(&[delivery(), vec![early]].concat());
        assert_eq!(placed.origin(), Some((HOUR, 48_000)));
        assert_eq!(placed.start_frames("Rough mix.wav", 48_000), -96_000);
    }

    #[test]
    fn without_stamps_and_by_file_all_start_together() {
        let bare = [candidate(&["a.wav"], None, 48_000), candidate(&["b.wav"], None, 48_000)];
        let by_file = PlacementOptions { mode: StartMode::File, ..PlacementOptions::default() };
        for placed in [starts(&bare), starts(&[]), StemStarts::new(&by_file, &delivery())] {
            assert_eq!((placed.origin(), placed.uses_stamps(), placed.refused()), (None, false, None));
            assert!(placed.seconds().values().all(|&start| start == 0.0));
            assert_eq!(placed.start_frames("Amp L.wav", 48_000), 0);
        }
    }

    #[test]
    fn stamps_that_cannot_be_true_are_refused_with_the_reason() {
        let late = candidate(&["b.wav"], Some(HOUR + 48_000 * 901), 48_000);
        let placed = starts(&[candidate(&["a.wav"], Some(HOUR), 48_000), late]);
        assert!(!placed.uses_stamps());
        assert_eq!(placed.origin(), None);
        let why = placed.refused().unwrap();
        assert!(why.starts_with("the last one is 901.0 s after the first"), "{why}");
        assert_eq!(placed.start_frames("b.wav", 48_000), 0);
    }

    #[test]
    fn a_doubt_belongs_to_the_files_of_its_stem_alone() {
        let mut candidates = delivery();
        let mut short = candidate(&["Gtr L.wav", "Gtr R.wav"], None, 48_000);
        short.timing.frames = 5 * 48_000;
        candidates.push(short);
        let placed = starts(&candidates);
        let doubt = "other stems are placed by time stamps, but this one has none and is 15.0 s shorter; it starts with the first of them";
        for (path, doubts) in [
            ("Gtr L.wav", vec![doubt]),
            ("Gtr R.wav", vec![doubt]),
            ("Bass.wav", vec![]),
            ("Vox.wav", vec![]),
            ("a file that came later.wav", vec![]),
        ] {
            assert_eq!(placed.doubts(path).collect::<Vec<_>>(), doubts, "{path}");
        }
    }
}
