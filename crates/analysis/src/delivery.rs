//! What a comparison is given: the stems of a delivery, and the answers of others about them. It knows no recipe.

use std::collections::{BTreeMap, BTreeSet};

use loadin_audio::Sketch;
use loadin_record::music::Facts;
use loadin_record::survey::{Measures, Survey};

use crate::sketches::Sketches;

/// A surveyed delivery.
pub struct Delivery<'a> {
    /// The surveys of all its files.
    pub surveys: &'a [Survey],
    /// Paths of the rough mix and the other references.
    pub references: &'a BTreeSet<String>,
    /// The one of them that somebody calls the rough mix, whatever its name says.
    pub chosen: Option<&'a str>,
    /// Where every file starts after the common start, in seconds, by path; one that is not here starts there.
    pub starts: &'a BTreeMap<String, f64>,
    /// Paths of the files that stand there by a time stamp.
    pub stamped: &'a BTreeSet<String>,
    /// The sketches of the files.
    pub sketches: &'a Sketches<'a>,
    /// What is stated of the music.
    pub stated: &'a Facts,
}

impl<'a> Delivery<'a> {
    /// The sketch that was drawn of a file, if it is of the very same bytes.
    pub(crate) fn sketch(&self, survey: &Survey) -> Option<Sketch> {
        self.sketches.get(&survey.path, &survey.sha256)
    }

    /// Where a file starts after the common start, in seconds.
    pub(crate) fn start_seconds(&self, path: &str) -> f64 {
        self.starts.get(path).copied().unwrap_or(0.0)
    }

    /// Whether the file at `path` is a reference.
    pub(crate) fn is_reference(&self, path: &str) -> bool {
        self.references.contains(path)
    }

    /// The stems that sound, in the order of their paths, each with its place among the surveys; references are none.
    pub(crate) fn sounding_stems(&self) -> Vec<(usize, &'a Survey)> {
        let stems = self.surveys.iter().enumerate();
        let stems =
            stems.filter(|(_, survey)| sounding(survey).is_some() && !self.is_reference(&survey.path));
        let mut stems: Vec<(usize, &Survey)> = stems.collect();
        stems.sort_by(|a, b| a.1.path.cmp(&b.1.path));
        stems
    }
}

/// The measures of a file that is more than digital silence.
pub(crate) fn sounding(survey: &Survey) -> Option<&Measures> {
    survey.measures.as_ref().ok().filter(|measures| measures.active_frames > 0)
}
