//! The rough mix as a signal: which file it is, and where it stands in time against the stems. It judges nothing.

use std::ops::RangeInclusive;

use loadin_audio::{Located, Sketch, locate};
use loadin_record::survey::Survey;
use loadin_session::estimate::{PlaceFit, is_sure};
use loadin_session::{ReferenceKind, is_reference};

use crate::delivery::{Delivery, sounding};

/// The rough mix may begin so much earlier or later than the stems.
pub(crate) const MOST_DELAY_SECONDS: f64 = 0.5;

/// A stretch of this length says where the rough mix stands, and costs little.
const STRETCH_SECONDS: f64 = 40.0;

/// So many stems of the whole length are asked where the rough mix stands.
const MOST_ASKED: usize = 8;

/// A stem does not have the whole length when it is shorter than the longest by more than this.
const SHORTER_SECONDS: f64 = 0.5;

/// The rough mix of a delivery, and how it stands against the stems.
pub(crate) struct RoughMixSignal<'a> {
    pub(crate) survey: &'a Survey,
    pub(crate) sketch: Sketch,
    pub(crate) samples: Vec<f32>,
    /// The stems with sound that were measured at its rate, by path: those of the whole length, and the shorter ones.
    pub(crate) whole: Vec<&'a Survey>,
    pub(crate) short: Vec<&'a Survey>,
    pub(crate) delay: Option<Delay>,
}

/// Where a rough mix stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Delay {
    /// In samples of the sketch.
    pub(crate) samples: f64,
    /// Whether its polarity is opposite to that of the stems.
    pub(crate) inverted: bool,
    /// How much too fast it runs, in parts of a million; `None` where that is not certain.
    pub(crate) drift_ppm: Option<f64>,
}

impl<'a> RoughMixSignal<'a> {
    /// Finds the rough mix: the one that somebody has chosen, or the first by path that is named so, with sound.
    pub(crate) fn find(delivery: &Delivery<'a>) -> Option<Self> {
        let chosen = |survey: &Survey| delivery.chosen == Some(survey.path.as_str());
        let named = |survey: &&Survey| {
            let by_name = is_reference(&survey.path) == Some(ReferenceKind::RoughMix);
            chosen(survey) || by_name && delivery.is_reference(&survey.path)
        };
        let sounds = |survey: &&Survey| sounding(survey).is_some();
        let surveys = delivery.surveys.iter();
        let survey =
            surveys.filter(sounds).filter(named).min_by_key(|survey| (!chosen(survey), &survey.path))?;
        let rate = |survey: &Survey| sounding(survey).map(|measures| measures.target_hz);
        let stems = delivery.sounding_stems().into_iter().map(|(_, stem)| stem);
        let stems: Vec<&Survey> = stems.filter(|stem| rate(stem) == rate(survey)).collect();
        let longest = stems.iter().map(|stem| seconds(stem)).max_by(f64::total_cmp)?;
        let (whole, short) = stems.into_iter().partition(|stem| seconds(stem) > longest - SHORTER_SECONDS);
        let sketch = delivery.sketch(survey)?;
        let samples = sketch.whole();
        let mut mix = Self { survey, sketch, samples, whole, short, delay: None };
        mix.delay = mix.agreed(delivery);
        Some(mix)
    }

    /// Finds samples of a stem in the mix, if that is sure.
    pub(crate) fn locate(&self, stem: &[f32], among: RangeInclusive<i64>) -> Option<Located> {
        self.locate_in(&self.samples, stem, among)
    }

    fn locate_in(&self, mix: &[f32], stem: &[f32], among: RangeInclusive<i64>) -> Option<Located> {
        let factor = self.sketch.factor();
        let found = locate(stem, mix, among, self.sketch.sample_hz(), factor)?;
        let fit = PlaceFit {
            peak_ratio: found.ratio,
            rise: found.rise,
            uncertainty_frames: found.uncertainty * f64::from(factor),
        };
        is_sure(&fit).then_some(found)
    }

    /// The place of the mix on which most of the stems agree, within two frames; where they are of two minds, it is no
    /// measure.
    fn agreed(&self, delivery: &Delivery<'_>) -> Option<Delay> {
        let mut found = Vec::new();
        for survey in self.whole.iter().take(MOST_ASKED) {
            let stem = delivery.sketch(survey)?.whole();
            let length = self.stretch().min(stem.len());
            found.extend(self.late_at(&stem, loudest(&stem, length), length).map(|late| (late, stem)));
        }
        let (surest, _) = found.iter().min_by(|a, b| a.0.uncertainty.total_cmp(&b.0.uncertainty))?;
        let alike: Vec<_> = found.iter().filter(|(other, _)| self.is_same(other.at, surest.at)).collect();
        let inverted = alike.iter().filter(|(other, _)| other.inverted).count();
        (2 * alike.len() > found.len()).then(|| Delay {
            samples: surest.at,
            inverted: 2 * inverted > alike.len(),
            drift_ppm: alike.iter().find_map(|(_, stem)| self.drift(stem)),
        })
    }

    /// Whether two places are one: within two frames.
    pub(crate) fn is_same(&self, place: f64, other: f64) -> bool {
        (place - other).abs() <= 2.0 / f64::from(self.sketch.factor())
    }

    /// Samples of the stretch that is compared.
    pub(crate) fn stretch(&self) -> usize {
        (STRETCH_SECONDS * self.sketch.sample_hz()) as usize
    }

    /// By how much the mix is late, by a stretch of a stem; `at` is the delay.
    fn late_at(&self, stem: &[f32], from: usize, length: usize) -> Option<Located> {
        let most = (MOST_DELAY_SECONDS * self.sketch.sample_hz()) as usize;
        let begin = from.saturating_sub(most);
        let mix = self.samples.get(begin..(from + length + most).min(self.samples.len()))?;
        let (own, reach) = ((from - begin) as i64, most as i64);
        let mut found = self.locate_in(mix, &stem[from..from + length], own - reach..=own + reach)?;
        found.at -= own as f64;
        Some(found)
    }

    /// A stem that starts with the others, if that is sure.
    pub(crate) fn at_the_start(&self, stem: &[f32], delay: Delay) -> Option<Located> {
        let length = self.stretch().min(stem.len());
        self.late_at(stem, loudest(stem, length), length).filter(|late| self.is_same(late.at, delay.samples))
    }

    /// How the delay differs between begin and end of a stem.
    fn drift(&self, stem: &[f32]) -> Option<f64> {
        let length = self.stretch().min(stem.len() / 2);
        let apart = stem.len() - length;
        let (first, second) = (self.late_at(stem, 0, length)?, self.late_at(stem, apart, length)?);
        let stretch = second.at - first.at;
        // What lies within its own uncertainty is none.
        let unsure = 3.0 * (first.uncertainty + second.uncertainty);
        let stretch = if stretch.abs() <= unsure { 0.0 } else { stretch };
        // A mix that runs too fast has the end too early.
        Some(-1e6 * stretch / apart.max(1) as f64)
    }
}

/// Where the loudest stretch of so many samples begins, to a tenth of its length.
pub(crate) fn loudest(samples: &[f32], length: usize) -> usize {
    let energy = |from: &usize| -> f64 {
        samples[*from..from + length].iter().map(|x| f64::from(*x) * f64::from(*x)).sum()
    };
    let places = (0..=samples.len() - length).step_by((length / 10).max(1));
    places.max_by(|a, b| energy(a).total_cmp(&energy(b)).then(b.cmp(a))).unwrap_or(0)
}

fn seconds(survey: &Survey) -> f64 {
    sounding(survey).map_or(0.0, |m| m.target_frames as f64 / f64::from(m.target_hz.max(1)))
}
