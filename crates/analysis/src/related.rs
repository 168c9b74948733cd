//! How related stems stand to each other: delay, polarity and likeness, from their sketches.

use std::collections::BTreeMap;

use loadin_audio::{Correlator, Cross, Fit, STRETCH, Sketch, Spectrum};
use loadin_record::evidence::{Polarity, Sibling};
use loadin_record::finding::round_to;
use loadin_record::survey::Survey;
use loadin_session::estimate::{ComparedName, NameRelation, name_relation};
use rayon::prelude::*;

use crate::delivery::Delivery;

/// Delays are looked for up to this; it is more than the latency of any usual device, and less than a beat.
const MOST_SECONDS: f64 = 0.25;

/// Likeness from which a pair is worth a line: common practice, no source.
const LEAST_CORRELATION: f64 = 0.2;

/// A peak that rises less above the rest is no peak: strangers stay below 7 among 3000 lags (measured in the tests).
const LEAST_RISE: f64 = 10.0;

/// Stems that are compared at once; more of one family are too many to look at in pairs, and the first ones stand for it.
const MOST_IN_FAMILY: usize = 24;

/// A pair that may be related: indices of two surveys.
type Pair = (usize, usize);

/// Compares every two stems that are related by name, in the order of their paths.
pub(crate) fn siblings(delivery: &Delivery<'_>) -> Vec<Sibling> {
    let families = families(&related(delivery));
    let mut found: Vec<Sibling> = families
        .par_iter()
        .map(|pairs| compare(delivery, pairs))
        .collect::<Vec<_>>()
        .into_iter()
        .flatten()
        .collect();
    found.sort_by(|first, second| (&first.a, &first.b).cmp(&(&second.a, &second.b)));
    found
}

/// The pairs that names relate; only stems with sound, of one rate, that start at one time.
fn related(delivery: &Delivery<'_>) -> Vec<Pair> {
    let stems = delivery.sounding_stems().into_iter();
    let stems: Vec<(usize, &Survey, ComparedName)> =
        stems.map(|(index, survey)| (index, survey, ComparedName::of(&survey.path))).collect();
    let measured = |survey: &Survey| {
        let stamp =
            survey.format.as_ref().and_then(|format| format.timestamp_frames.map(|f| (f, format.rate_hz)));
        (survey.measures.as_ref().map_or(0, |measures| measures.target_hz), stamp)
    };
    let mut pairs: Vec<(NameRelation, Pair)> = Vec::new();
    for (at, (first, a, name)) in stems.iter().enumerate() {
        let others = stems[at + 1..].iter().filter(|(_, b, _)| measured(a) == measured(b));
        pairs.extend(
            others.filter_map(|(second, _, other)| Some((name_relation(name, other)?, (*first, *second)))),
        );
    }
    pairs.sort_by_key(|(relation, _)| *relation);
    let mut partners: BTreeMap<usize, usize> = BTreeMap::new();
    pairs.retain(|(_, (first, second))| {
        let few = [first, second].iter().all(|stem| partners.get(stem).is_none_or(|n| *n < MOST_IN_FAMILY));
        if few {
            *partners.entry(*first).or_default() += 1;
            *partners.entry(*second).or_default() += 1;
        }
        few
    });
    pairs.into_iter().map(|(_, pair)| pair).collect()
}

/// Pairs that hang together, so that every stem is read and transformed once.
fn families(pairs: &[Pair]) -> Vec<Vec<Pair>> {
    let mut head: BTreeMap<usize, usize> = BTreeMap::new();
    for &(first, second) in pairs {
        let (a, b) = (*head.entry(first).or_insert(first), *head.entry(second).or_insert(second));
        let (keep, gone) = (a.min(b), a.max(b));
        for stem in head.values_mut().filter(|stem| **stem == gone) {
            *stem = keep;
        }
    }
    let mut families: BTreeMap<usize, Vec<Pair>> = BTreeMap::new();
    for &pair in pairs {
        families.entry(head[&pair.0]).or_default().push(pair);
    }
    families.into_values().collect()
}

fn compare(delivery: &Delivery<'_>, pairs: &[Pair]) -> Vec<Sibling> {
    let mut drawn: BTreeMap<usize, Sketch> = BTreeMap::new();
    for &(first, second) in pairs {
        for stem in [first, second] {
            let survey = &delivery.surveys[stem];
            if !drawn.contains_key(&stem)
                && let Some(sketch) = delivery.sketch(survey)
            {
                drawn.insert(stem, sketch);
            }
        }
    }
    let mut correlator = Correlator::new();
    let mut crosses = vec![Cross::default(); pairs.len()];
    let samples = drawn.values().map(Sketch::samples).max().unwrap_or(0);
    let mut stretch = vec![0.0; STRETCH];
    for start in (0..samples).step_by(STRETCH) {
        let mut spectra: BTreeMap<usize, Spectrum> = BTreeMap::new();
        for (&stem, sketch) in &drawn {
            if sketch.read(start as i64, &mut stretch) {
                spectra.insert(stem, correlator.spectrum(&stretch));
            }
        }
        for (cross, (first, second)) in crosses.iter_mut().zip(pairs) {
            match (spectra.get(first), spectra.get(second)) {
                (Some(a), Some(b)) => cross.add(a, b),
                (a, b) => cross.add_alone(a, b),
            }
        }
    }
    let fits = crosses.iter().zip(pairs).filter_map(|(cross, &(first, second))| {
        let sketch = drawn.get(&first)?;
        let most = (MOST_SECONDS * sketch.sample_hz()) as usize;
        let fit = cross.fit(&correlator, most, sketch.factor(), LEAST_RISE)?;
        sibling(&delivery.surveys[first], &delivery.surveys[second], fit, sketch)
    });
    fits.collect()
}

fn sibling(first: &Survey, second: &Survey, fit: Fit, sketch: &Sketch) -> Option<Sibling> {
    if fit.correlation.abs() < LEAST_CORRELATION {
        return None;
    }
    Some(Sibling {
        a: first.path.clone(),
        b: second.path.clone(),
        lag_frames: (fit.lag * f64::from(sketch.factor())).round() as i64,
        rate_hz: sketch.rate_hz(),
        correlation: round_to(fit.correlation, 4)?,
        polarity: if fit.correlation < 0.0 { Polarity::Inverted } else { Polarity::Same },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_that_share_a_stem_are_one_family() {
        assert_eq!(families(&[(1, 2), (3, 4), (2, 5), (6, 4)]), [vec![(1, 2), (2, 5)], vec![(3, 4), (6, 4)]]);
    }
}
