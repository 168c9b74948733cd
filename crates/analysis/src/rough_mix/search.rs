//! Looks in what is left of the mix for stems whose places nobody knows, and for those that are not where they should be.

use std::collections::{BTreeMap, BTreeSet};

use loadin_audio::{Located, Settled, settle};
use loadin_record::evidence::StemPlace;
use loadin_record::finding::round_to;
use loadin_session::estimate::{SettledFit, is_explained, is_settled};

use super::fit::EDGES_HZ;
use super::straight::Fitted;
use crate::delivery::Delivery;
use crate::mix::{RoughMixSignal, Voice};

/// A stem with less than this part of the usual gain is not where it was put.
const NOT_THERE: f64 = 0.1;

/// So many stems that are not where they should be are looked for; where more are missing, the mix is another one.
const MOST_ASTRAY: usize = 8;

/// What is looked for, and what was found.
pub(super) struct Search<'m, 'a> {
    mix: &'m RoughMixSignal<'a>,
    delivery: &'m Delivery<'a>,
    open: Vec<Voice<'a>>,
    asked_astray: bool,
    /// Stems that explain something where they were found, but not to the frame.
    roughly: BTreeSet<String>,
    /// Found places, by path.
    pub(super) places: Vec<StemPlace>,
}

/// A place that was found in the remainder, whose first sample is its zero.
#[derive(Debug, Clone, Copy)]
struct Found {
    at: f64,
    second: f64,
    ratio: f64,
    uncertainty: f64,
    is_sure: bool,
}

impl<'m, 'a> Search<'m, 'a> {
    pub(super) fn new(mix: &'m RoughMixSignal<'a>, delivery: &'m Delivery<'a>) -> Self {
        let open = mix.open.clone();
        Self { mix, delivery, open, asked_astray: false, roughly: BTreeSet::new(), places: Vec::new() }
    }

    /// Looks in what the stems so far leave of the mix. Those that are found join them; says whether there were any.
    pub(super) fn find(&mut self, voices: &mut Vec<Voice<'a>>, fitted: &Fitted) -> bool {
        let found = self.open.iter().enumerate();
        let found: Vec<(usize, Found)> =
            found.filter_map(|(index, voice)| Some((index, self.mix.found(voice, fitted)?))).collect();
        // Those that are sure to the frame come first: each that joins leaves the others more room.
        let sure: Vec<(usize, Found)> = found.iter().filter(|(_, found)| found.is_sure).copied().collect();
        let any = self.join(voices, if sure.is_empty() { found } else { sure }, fitted) || {
            let is_first = !std::mem::replace(&mut self.asked_astray, true);
            is_first && self.find_astray(voices, fitted)
        };
        self.places.sort_by(|a, b| a.path.cmp(&b.path));
        any
    }

    /// Lets stems join the others where they were found; says whether there were any.
    fn join(&mut self, voices: &mut Vec<Voice<'a>>, found: Vec<(usize, Found)>, fitted: &Fitted) -> bool {
        let any = !found.is_empty();
        for (index, found) in found.into_iter().rev() {
            let voice = self.open.remove(index);
            if found.is_sure {
                self.places.extend(self.place(&voice, found, fitted));
            } else {
                self.roughly.insert(voice.survey.path.clone());
            }
            voices.push(Voice { at: fitted.at(found), ..voice });
        }
        any
    }

    /// Looks for stems that are not where they should be, now that what else there is has its place.
    fn find_astray(&mut self, voices: &mut [Voice<'a>], fitted: &Fitted) -> bool {
        let gains = &fitted.unmixed.gains;
        let mut sizes: Vec<f64> = gains.iter().map(|gain| gain.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let usual = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
        let astray: Vec<usize> =
            (0..gains.len()).filter(|&index| gains[index].abs() < NOT_THERE * usual).collect();
        let mut any = false;
        for &index in astray.iter().take(MOST_ASTRAY) {
            let Some(found) = self.mix.found(&voices[index], fitted).filter(|found| found.is_sure) else {
                continue;
            };
            if self.mix.is_same(fitted.at(found), voices[index].at) {
                continue;
            }
            self.places.extend(self.place(&voices[index], found, fitted));
            voices[index].at = fitted.at(found);
            any = true;
        }
        any
    }

    fn place(&self, voice: &Voice<'_>, found: Found, fitted: &Fitted) -> Option<StemPlace> {
        let factor = f64::from(self.mix.sketch.factor());
        let path = &voice.survey.path;
        let stated = self.delivery.stamped.contains(path);
        Some(StemPlace {
            path: path.clone(),
            by: self.mix.survey.path.clone(),
            start_frames: (fitted.at(found) * factor).round() as i64,
            stated_frames: stated.then(|| (voice.at * factor).round() as i64),
            rate_hz: self.mix.sketch.rate_hz(),
            second_best_frames: ((found.second + fitted.split.begins as f64) * factor).round() as i64,
            peak_ratio: round_to(found.ratio, 2)?,
            uncertainty_frames: round_to(found.uncertainty * factor, 3)?,
        })
    }

    /// The stems that were not found, each with the reason.
    pub(super) fn unplaced(&self) -> BTreeMap<String, String> {
        let unknown = "nobody knows where it starts, and the rough mix does not show it surely";
        let rough = "it is in the rough mix, but several places there fit it as well";
        let open = self.open.iter().map(|voice| (voice.survey.path.clone(), unknown.to_owned()));
        open.chain(self.roughly.iter().map(|path| (path.clone(), rough.to_owned()))).collect()
    }
}

impl Fitted {
    /// What was found in the remainder, in samples after the common start.
    fn at(&self, found: Found) -> f64 {
        found.at + self.split.begins as f64
    }
}

impl RoughMixSignal<'_> {
    /// Where a stem stands in what is left of the mix: by what it explains there, or by the peak of a correlation alone, as far
    /// as the two agree.
    fn found(&self, voice: &Voice<'_>, fitted: &Fitted) -> Option<Found> {
        let (stem, rest) = (voice.sketch.whole(), &fitted.split.rest);
        let peak = self.guess_in(rest, &stem, -(stem.len() as i64) / 2..=rest.len() as i64)?;
        let settled = self.settled(&stem, rest, &peak);
        let agrees = |settled: &Found| self.is_same(settled.at, peak.at);
        if self.is_sure(&peak) && settled.as_ref().is_none_or(agrees) {
            let Located { at, second, ratio, uncertainty, .. } = peak;
            return Some(Found { at, second, ratio, uncertainty, is_sure: true });
        }
        settled
    }

    /// Where a stem stands by what it leaves of the remainder, if it explains what is there.
    fn settled(&self, stem: &[f32], rest: &[f32], peak: &Located) -> Option<Found> {
        let band = (EDGES_HZ[0], EDGES_HZ[EDGES_HZ.len() - 1]);
        let clock = (self.sketch.sample_hz(), self.sketch.factor());
        let fit = |settled: &Settled| SettledFit {
            explained: settled.explained,
            left: settled.left,
            uncertainty_frames: settled.uncertainty * f64::from(self.sketch.factor()),
        };
        let asked = [peak.at, peak.second].into_iter();
        let mut found = asked.filter_map(|near| settle(stem, rest, near, band, clock));
        let settled = found.find(|settled| is_explained(&fit(settled)))?;
        let is_sure = is_settled(&fit(&settled));
        let Settled { at, second, ratio, uncertainty, .. } = settled;
        Some(Found { at, second, ratio, uncertainty, is_sure })
    }
}
