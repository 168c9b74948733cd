//! One time axis for all stems of a delivery.
//!
//! Zero is the first frame of the prepared files. A source is drawn where its sound lies in the prepared file, so what
//! was cut from the head stands left of zero, and what was moved stands where it was moved to.

use std::collections::BTreeMap;

use loadin_record::manifest::{Manifest, StemRecord};
use loadin_record::survey::{Measures, Survey};

/// Columns of a picture: two pictures of two points a column make 1200 points a stem.
pub(crate) const COLUMNS: usize = 300;

/// The span of all pictures, in seconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Axis {
    pub(crate) start: f64,
    pub(crate) end: f64,
}

impl Axis {
    /// The axis that holds every source and every output.
    pub(crate) fn of(manifest: &Manifest, surveys: &Surveys<'_>) -> Self {
        let mut axis = Self { start: 0.0, end: 0.0 };
        for stem in &manifest.stems {
            let source = source_span(stem, manifest, surveys.of(stem));
            let output = output_span(stem).unwrap_or((0.0, 0.0));
            axis.start = axis.start.min(source.0);
            axis.end = axis.end.max(source.1).max(output.1);
        }
        // An axis of no length has no columns.
        axis.end = axis.end.max(axis.start + 0.001);
        axis
    }

    /// Where a moment lies, in columns.
    pub(crate) fn column(&self, seconds: f64) -> f64 {
        (seconds - self.start) / (self.end - self.start) * COLUMNS as f64
    }

    /// Where a moment lies, in percent of the width.
    pub(crate) fn percent(&self, seconds: f64) -> f64 {
        (self.column(seconds) / COLUMNS as f64 * 100.0).clamp(0.0, 100.0)
    }

    /// Round moments for the scale: at most eight.
    pub(crate) fn ticks(&self) -> Vec<f64> {
        const STEPS: &[f64] = &[
            0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0,
        ];
        let span = self.end - self.start;
        let step = STEPS.iter().copied().find(|step| span / step <= 8.0).unwrap_or(span / 8.0);
        let (first, last) = ((self.start / step).ceil() as i64, (self.end / step).floor() as i64);
        (first..=last).map(|n| n as f64 * step).collect()
    }
}

/// The surveys that are there, by path.
pub(crate) struct Surveys<'a>(BTreeMap<&'a str, &'a Survey>);

impl<'a> Surveys<'a> {
    pub(crate) fn new(surveys: &'a [Survey]) -> Self {
        Self(surveys.iter().map(|survey| (survey.path.as_str(), survey)).collect())
    }

    /// What was measured on the very file that the record speaks of.
    pub(crate) fn of(&self, stem: &StemRecord) -> Option<&'a Measures> {
        let survey = self.0.get(stem.source.path.as_str())?;
        let same = stem.source.sha256.as_ref() == Some(&survey.sha256);
        survey.measures.as_ref().ok().filter(|_| same)
    }
}

/// Where frame 0 of a source lies on the axis, in seconds. A stem without an output is drawn as if it had begun with
/// the others.
pub(crate) fn source_start(stem: &StemRecord, manifest: &Manifest) -> f64 {
    if let Some(map) = &stem.time_map {
        return before(map.shift_frames as f64 / f64::from(map.output_hz.max(1)));
    }
    let rate_hz = manifest.stems.iter().find_map(|stem| stem.output.as_ref().map(|output| output.rate_hz));
    before(manifest.link.trim_head_frames as f64 / f64::from(rate_hz.unwrap_or(48_000).max(1)))
}

/// So many seconds before zero; zero for none, since which of zero and minus zero is less is the processor's to say.
fn before(seconds: f64) -> f64 {
    0.0 - seconds
}

/// First and last moment of a source on the axis; audio that is missing at its end counts.
pub(crate) fn source_span(stem: &StemRecord, manifest: &Manifest, measures: Option<&Measures>) -> (f64, f64) {
    let start = source_start(stem, manifest);
    let rate_hz = f64::from(stem.source.rate_hz.unwrap_or(48_000).max(1));
    let missing = measures.into_iter().flat_map(|m| &m.damage).map(|d| d.start_frame + d.frames).max();
    let frames = stem.source.frames.unwrap_or(0).max(missing.unwrap_or(0));
    (start, start + frames as f64 / rate_hz)
}

/// First and last moment of an output on the axis.
pub(crate) fn output_span(stem: &StemRecord) -> Option<(f64, f64)> {
    let output = stem.output.as_ref()?;
    Some((0.0, output.frames as f64 / f64::from(output.rate_hz.max(1))))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_few() {
        let axis = Axis { start: -0.95, end: 14.41 };
        assert_eq!(axis.ticks(), [0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0]);
        let hour = Axis { start: 0.0, end: 3600.0 };
        assert_eq!(hour.ticks().len(), 7);
        assert_eq!(hour.ticks()[1], 600.0);
    }

    #[test]
    fn nothing_before_zero_is_zero() {
        assert!(before(0.0).is_sign_positive(), "{:.6}", before(0.0));
        assert_eq!(before(1.5), -1.5);
    }

    #[test]
    fn columns_span_the_axis() {
        let axis = Axis { start: -1.0, end: 3.0 };
        assert_eq!(axis.column(-1.0), 0.0);
        assert_eq!(axis.column(3.0), COLUMNS as f64);
        assert_eq!(axis.percent(1.0), 50.0);
    }
}
