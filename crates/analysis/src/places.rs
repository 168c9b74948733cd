//! Stems that start at their own entry and say nowhere when: where the rough mix has them.

use loadin_record::evidence::StemPlace;
use loadin_record::finding::round_to;
use loadin_record::survey::Survey;

use crate::delivery::Delivery;
use crate::mix::RoughMixSignal;

/// Finds the places of the stems that are shorter than the others, in the order of their paths; only those that are
/// sure.
pub(crate) fn places(mix: &RoughMixSignal<'_>, delivery: &Delivery<'_>) -> Vec<StemPlace> {
    let Some(delay) = mix.delay else { return Vec::new() };
    let factor = f64::from(mix.sketch.factor());
    let place = |survey: &&Survey| {
        let sketch = delivery.sketch(survey)?;
        let samples = sketch.whole();
        // Most shorter stems only end earlier, which is cheap to see.
        let found = mix
            .at_the_start(&samples, delay)
            .or_else(|| mix.locate(&samples, -(samples.len() as i64) / 2..=mix.samples.len() as i64))?;
        Some(StemPlace {
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
