//! Stems that start at their own entry and say nowhere when: where the rough mix has them.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::facts::Survey;
use crate::findings::round_to;
use crate::rough::Mix;
use crate::sketch::Sketches;

/// Where a stem stands by the rough mix.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Place {
    /// Path of the stem inside the delivery.
    pub path: String,
    /// Path of the rough mix.
    pub by: String,
    /// First frame of the stem on the time line of the stems that have the whole length.
    pub start_frames: i64,
    /// Rate of those frames in Hz.
    pub rate_hz: u32,
    /// The next best place.
    pub second_best_frames: i64,
    /// Height of the best peak of the correlation relative to the next best.
    pub peak_ratio: f64,
    /// Standard deviation of the place in frames.
    pub uncertainty_frames: f64,
}

/// Finds the places of the stems that are shorter than the others, in the order of their paths; only those that are
/// sure.
pub(crate) fn places(mix: &Mix<'_>, sketches: &Sketches<'_>) -> Vec<Place> {
    let Some(delay) = mix.delay else { return Vec::new() };
    let factor = f64::from(mix.sketch.factor());
    let place = |survey: &&Survey| {
        let sketch = sketches.get(&survey.path, &survey.sha256)?;
        let samples = sketch.whole();
        // Most shorter stems only end earlier, which is cheap to see.
        let found = mix
            .at_the_start(&samples, delay)
            .or_else(|| mix.locate(&samples, -(samples.len() as i64) / 2..=mix.samples.len() as i64))?;
        Some(Place {
            path: survey.path.clone(),
            by: mix.survey.path.clone(),
            start_frames: ((found.at - delay.samples) * factor).round() as i64,
            rate_hz: mix.sketch.rate_hz(),
            second_best_frames: ((found.second - delay.samples) * factor).round() as i64,
            peak_ratio: round_to(found.ratio, 2)?,
            uncertainty_frames: round_to(found.uncertainty * factor, 3)?,
        })
    };
    mix.short.iter().filter_map(place).collect()
}

/// Whether time stamps differ, and so say where stems start.
pub(crate) fn tells_by_stamps(surveys: &[Survey]) -> bool {
    let stamps = surveys.iter().filter_map(|survey| {
        let format = survey.format.as_ref()?;
        Some(u128::from(format.timestamp_frames?) * 1_000_000 / u128::from(format.rate_hz.max(1)))
    });
    let (low, high) = stamps.fold((u128::MAX, 0), |(low, high), stamp| (low.min(stamp), high.max(stamp)));
    high > low.saturating_add(1000)
}
