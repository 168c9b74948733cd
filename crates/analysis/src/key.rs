//! The key of a delivery, estimated from the sketches of the stems that play notes.

use std::collections::BTreeMap;

use loadin_audio::{Chroma, ChromaMeter, FINE};
use loadin_record::evidence::{Estimates, KEY};
use loadin_record::finding::{Finding, Id, round_to};
use loadin_record::music::{Confidence, Fact, Facts};
use loadin_session::estimate::{KeyFit, KeyRelation, PROFILES, Profile, key_of_circle, key_relation};
use loadin_session::facts::key_of;
use loadin_session::{Family, role_of, without_title};
use rayon::prelude::*;

use crate::delivery::Delivery;

/// The profiles of Aarden and Essen: of the five published ones they score best on invented songs (the figures and the
/// command are in DEVELOPERS.md).
const PROFILE: &Profile = &PROFILES[3];

/// The fact of the key, and the one that says why there is none.
const DECLINED: &str = "key_estimate_declined";

/// A stem plays notes where so much of its power stands in peaks of its spectra; one of which the name says nothing has
/// to be clearer. White noise has 0.3 (measured in the tests of `chroma`).
const TONAL: f64 = 0.5;
const TONAL_UNNAMED: f64 = 0.75;

/// An estimate is sure where it fits so much better than the next one, and not badly (measured, see DEVELOPERS.md).
const SURE_MARGIN: f64 = 0.1;
const SURE_CORRELATION: f64 = 0.7;

/// Below this no key fits: notes without a tonal centre.
const LEAST_CORRELATION: f64 = 0.5;

/// Spectra that an estimate needs: about ten seconds of notes.
const LEAST_SPECTRA: usize = 30;

/// The pitches of the stems that may play notes, by the index of their survey, and whose name says what they are.
pub(crate) struct StemPitches(pub(crate) BTreeMap<usize, (Family, Chroma)>);

impl StemPitches {
    /// Measures them. Runs on the current rayon pool.
    pub(crate) fn measure(delivery: &Delivery<'_>) -> Self {
        let surveys = delivery.surveys;
        let paths: Vec<&str> = surveys.iter().map(|survey| survey.path.as_str()).collect();
        let families = without_title(&paths).iter().map(|name| role_of(name).family).collect::<Vec<_>>();
        let asked: Vec<usize> = (0..surveys.len())
            .filter(|&stem| surveys[stem].measures.is_ok() && least_tonality(families[stem]).is_some())
            .filter(|&stem| !delivery.is_reference(&surveys[stem].path))
            .collect();
        let meter = ChromaMeter::default();
        let measured = asked.par_iter().filter_map(|&stem| {
            let sketch = delivery.sketch(&surveys[stem])?;
            Some((stem, (families[stem], meter.measure(&sketch))))
        });
        Self(measured.collect::<Vec<_>>().into_iter().collect())
    }

    /// The pitches of the stems that play notes clearly enough to have a say.
    fn heard(&self) -> Vec<&Chroma> {
        let has_say =
            |family: Family, chroma: &Chroma| least_tonality(family).is_some_and(|l| chroma.tonality >= l);
        self.0
            .values()
            .filter(|(family, chroma)| has_say(*family, chroma))
            .map(|(_, chroma)| chroma)
            .collect()
    }
}

/// How tonal a stem must be to have a say; drums and effects have none, whatever they sound like.
fn least_tonality(family: Family) -> Option<f64> {
    match family {
        family if family.is_of_kit() => None,
        Family::Loop | Family::Percussion | Family::Effect => None,
        Family::Unsorted => Some(TONAL_UNNAMED),
        _ => Some(TONAL),
    }
}

/// Estimates key and tuning.
pub(crate) fn estimate(pitches: &StemPitches, estimates: &mut Estimates) {
    let heard = pitches.heard();
    let spectra: usize = heard.iter().map(|chroma| chroma.spectra).sum();
    let fit = if spectra < LEAST_SPECTRA { None } else { key_of_circle(&circle(&heard), PROFILE) };
    let Some(fit) = fit else {
        let why = "fewer than ten seconds of notes";
        let source = "pitches of the stems that are no drums and no effects";
        return estimates.put(DECLINED, why, false, source.to_owned());
    };
    let from = format!("pitches of {} stems with {} profiles", heard.len(), PROFILE.name);
    if fit.correlation < LEAST_CORRELATION {
        let why = format!("no key fits, the best correlation is {:.2}", fit.correlation);
        return estimates.put(DECLINED, why, false, from);
    }
    let sure = fit.margin >= SURE_MARGIN && fit.correlation >= SURE_CORRELATION;
    estimates.put(KEY, fit.key.to_string(), sure, said(&fit, &from, sure));
    let cents = round_to(fit.cents, 0).map(|cents| cents as i64);
    estimates.put("tuning_cents_estimate", cents, sure, format!("{from}, against A = 440 Hz"));
}

/// Asks about a stated key that is not the one that is heard. Fifth, relative and parallel keys share most of their notes,
/// so an estimate is no evidence between them.
pub(crate) fn compare(estimates: &mut Estimates, stated: &Facts) {
    let sure = |fact: &&Fact| fact.confidence == Confidence::Estimated;
    let key = |fact: &Fact| key_of(fact.value.as_str()?);
    let heard = estimates.facts.get(KEY).filter(sure).and_then(key);
    let (Some(heard), Some(fact)) = (heard, stated.get("key")) else { return };
    let Some(said) = key(fact).filter(|said| key_relation(*said, heard) == KeyRelation::Other) else {
        return;
    };
    let text = format!("the key is stated as {said} ({}), but the stems sound like {heard}", fact.source);
    let finding = Finding::new(Id::KeyDoubt, text).with("said", said.to_string());
    estimates.findings.push(finding.with("heard", heard.to_string()));
}

fn said(fit: &KeyFit, from: &str, sure: bool) -> String {
    let KeyFit { correlation, next, margin, .. } = fit;
    let doubt = if sure { "" } else { ", which is too near to be sure" };
    format!("{from}: correlation {correlation:.2}, next is {next} with {:.2}{doubt}", correlation - margin)
}

/// All stems on one circle. Each counts by the time in which it sounds, whatever its level.
fn circle(heard: &[&Chroma]) -> [f64; FINE] {
    let mut circle = [0.0; FINE];
    for chroma in heard {
        let sum: f64 = chroma.circle.iter().sum();
        if sum > 0.0 {
            let share = chroma.spectra as f64 / sum;
            circle.iter_mut().zip(chroma.circle).for_each(|(all, own)| *all += share * own);
        }
    }
    circle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_sure_estimate_of_a_key_far_away_is_a_question() {
        let findings = |said: &str, heard: &str, sure: bool| {
            let (mut stated, mut estimates) = (Estimates::default(), Estimates::default());
            stated.put("key", said, true, "a note".to_owned());
            estimates.put(KEY, heard, sure, String::new());
            compare(&mut estimates, &stated.facts);
            estimates.findings.len()
        };
        assert_eq!(findings("D minor", "F# major", true), 1);
        assert_eq!(findings("D minor", "F# major", false), 0);
        for near in ["D minor", "F major", "D major", "A minor", "G minor"] {
            assert_eq!(findings("D minor", near, true), 0, "{near}");
        }
    }
}
