//! Looks in what is left of the mix for stems whose places nobody knows, and for those that are not where they should be.

use std::collections::BTreeMap;

use loadin_audio::Located;
use loadin_record::evidence::StemPlace;
use loadin_record::finding::round_to;

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
    /// Found places, by path.
    pub(super) places: Vec<StemPlace>,
}

impl<'m, 'a> Search<'m, 'a> {
    pub(super) fn new(mix: &'m RoughMixSignal<'a>, delivery: &'m Delivery<'a>) -> Self {
        Self { mix, delivery, open: mix.open.clone(), asked_astray: false, places: Vec::new() }
    }

    /// Looks in what the stems so far leave of the mix. Those that are found join them; says whether there were any.
    pub(super) fn find(&mut self, voices: &mut Vec<Voice<'a>>, fitted: &Fitted) -> bool {
        let mut found = Vec::new();
        self.open.retain(|voice| match self.mix.place_of(voice, fitted) {
            Some(located) => {
                found.push((voice.clone(), located));
                false
            }
            None => true,
        });
        for (voice, located) in &found {
            self.places.extend(self.place(voice, *located, fitted));
        }
        let mut any = !found.is_empty();
        voices.extend(found.into_iter().map(|(voice, located)| Voice { at: fitted.at(&located), ..voice }));
        if !any && !self.asked_astray {
            self.asked_astray = true;
            any = self.find_astray(voices, fitted);
        }
        self.places.sort_by(|a, b| a.path.cmp(&b.path));
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
            let Some(located) = self.mix.place_of(&voices[index], fitted) else { continue };
            if self.mix.is_same(fitted.at(&located), voices[index].at) {
                continue;
            }
            self.places.extend(self.place(&voices[index], located, fitted));
            voices[index].at = fitted.at(&located);
            any = true;
        }
        any
    }

    fn place(&self, voice: &Voice<'_>, found: Located, fitted: &Fitted) -> Option<StemPlace> {
        let factor = f64::from(self.mix.sketch.factor());
        let path = &voice.survey.path;
        let stated = self.delivery.stamped.contains(path);
        Some(StemPlace {
            path: path.clone(),
            by: self.mix.survey.path.clone(),
            start_frames: (fitted.at(&found) * factor).round() as i64,
            stated_frames: stated.then(|| (voice.at * factor).round() as i64),
            rate_hz: self.mix.sketch.rate_hz(),
            second_best_frames: ((found.second + fitted.split.begins as f64) * factor).round() as i64,
            peak_ratio: round_to(found.ratio, 2)?,
            uncertainty_frames: round_to(found.uncertainty * factor, 3)?,
        })
    }

    /// The stems that were not found, each with the reason.
    pub(super) fn unplaced(&self) -> BTreeMap<String, String> {
        let why = |voice: &Voice<'_>| {
            let why = "nobody knows where it starts, and the rough mix does not show it surely";
            (voice.survey.path.clone(), why.to_owned())
        };
        self.open.iter().map(why).collect()
    }
}

impl Fitted {
    /// What was found in the remainder, in samples after the common start.
    fn at(&self, found: &Located) -> f64 {
        found.at + self.split.begins as f64
    }
}

impl RoughMixSignal<'_> {
    /// Where a stem stands in what is left of the mix, if that is sure.
    fn place_of(&self, voice: &Voice<'_>, fitted: &Fitted) -> Option<Located> {
        let (stem, rest) = (voice.sketch.whole(), &fitted.split.rest);
        self.locate_in(rest, &stem, -(stem.len() as i64) / 2..=rest.len() as i64)
    }
}
