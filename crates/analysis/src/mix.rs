//! The rough mix as a signal: which file it is, where the stems stand that it can be asked about, and where it stands in time
//! against them. It judges nothing.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::sync::Arc;

use loadin_audio::{HeardMix, Located, Locator, Sketch};
use loadin_record::survey::Survey;
use loadin_session::estimate::{PlaceFit, is_sure, is_sure_beside_others};
use loadin_session::{ReferenceKind, copy_rank, is_reference};

use crate::delivery::{Delivery, sounding};

/// The rough mix may begin so much earlier or later than the stems; further away it is looked for only where it is not here.
const MOST_DELAY_SECONDS: f64 = 0.5;

/// A stretch of this length says where the rough mix stands, and costs little.
const STRETCH_SECONDS: f64 = 40.0;

/// Places that are compared for the loudest stretch are a tenth of it apart.
const TENTHS: usize = 10;

/// So many stems are asked where the rough mix stands.
const MOST_ASKED: usize = 8;

/// So many that are of one mind are enough.
const ENOUGH: usize = 3;

/// A stem without a stamp that ends with the others, within this, starts with them too.
const SHORTER_SECONDS: f64 = 0.5;

/// A difference of one frame between two stems may come from the rounding of their places.
const ROUNDING_FRAMES: f64 = 1.0;

/// The rough mix of a delivery, and how it stands against the stems.
pub(crate) struct RoughMixSignal<'a> {
    pub(crate) survey: &'a Survey,
    pub(crate) sketch: Sketch,
    pub(crate) samples: Vec<f32>,
    locator: Locator,
    /// The stems with sound whose places are known, by path.
    pub(crate) known: Vec<Voice<'a>>,
    /// Those that start at their own entry and say nowhere when.
    pub(crate) open: Vec<Voice<'a>>,
    /// Stems that cannot be compared, each with the reason.
    pub(crate) left_out: BTreeMap<String, String>,
    pub(crate) delay: Option<Delay>,
}

/// A stem, and where it stands.
#[derive(Debug, Clone)]
pub(crate) struct Voice<'a> {
    pub(crate) survey: &'a Survey,
    pub(crate) sketch: Arc<Sketch>,
    /// Where its first sample stands after the common start, in samples of the sketch.
    pub(crate) at: f64,
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

/// Where the delay of the mix is looked for, in samples of the sketch.
struct Around<'h> {
    nominal: f64,
    reach: f64,
    /// The whole mix, where it may be anywhere in it.
    whole: Option<&'h HeardMix>,
}

/// What one stem says of the delay: the delay, its polarity, and the middle of the stretch that says it.
struct Said<'s, 'a> {
    voice: &'s Voice<'a>,
    late: Located,
    middle: f64,
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
        let sketch = delivery.sketch(survey)?;
        let samples = sketch.whole();
        let (known, open, left_out) = (Vec::new(), Vec::new(), BTreeMap::new());
        let locator = Locator::new(sketch.sample_hz(), sketch.factor());
        let mut mix = Self { survey, sketch, samples, locator, known, open, left_out, delay: None };
        mix.sort(delivery);
        mix.delay = mix.agreed(delivery);
        Some(mix)
    }

    /// Sorts the stems by what is known of their places. Of stems with one content one is enough.
    fn sort(&mut self, delivery: &Delivery<'a>) {
        let mut stems: Vec<&Survey> = delivery.sounding_stems().into_iter().map(|(_, stem)| stem).collect();
        let end = |stem: &Survey| delivery.start_seconds(&stem.path) + seconds(stem);
        let last = stems.iter().map(|stem| end(stem)).fold(0.0, f64::max);
        let is_known =
            |stem: &Survey| delivery.stamped.contains(&stem.path) || end(stem) > last - SHORTER_SECONDS;
        // The sound of a copy is explained by the file that it is a copy of.
        stems.sort_by_key(|stem| (!is_known(stem), copy_rank(&stem.path), &stem.path));
        let mut contents: Vec<&str> = Vec::new();
        stems.retain(|stem| {
            let content = sounding(stem).map_or("", |measures| &measures.content);
            let is_new = !contents.contains(&content);
            contents.push(content);
            is_new
        });
        stems.sort_by_key(|stem| &stem.path);
        for stem in stems {
            let rate = |survey: &Survey| sounding(survey).map(|measures| measures.target_hz);
            let sketch = delivery.sketch(stem).filter(|_| rate(stem) == rate(self.survey));
            let Some(sketch) = sketch else {
                let why = "it goes on at another rate than the rough mix";
                self.left_out.insert(stem.path.clone(), why.to_owned());
                continue;
            };
            let at = delivery.start_seconds(&stem.path) * sketch.sample_hz();
            let voice = Voice { survey: stem, sketch: Arc::new(sketch), at };
            if is_known(stem) { self.known.push(voice) } else { self.open.push(voice) }
        }
    }

    /// Where in a mix samples may stand, sure or not.
    pub(crate) fn guess_in(&self, mix: &[f32], stem: &[f32], among: RangeInclusive<i64>) -> Option<Located> {
        self.locator.locate(stem, &self.locator.hear(mix, stem.len())?, among)
    }

    /// Whether a place is sure to the frame.
    pub(crate) fn is_sure(&self, found: &Located) -> bool {
        is_sure(&self.fit(found))
    }

    fn fit(&self, found: &Located) -> PlaceFit {
        PlaceFit {
            peak_ratio: found.ratio,
            rise: found.rise,
            uncertainty_frames: found.uncertainty * f64::from(self.sketch.factor()),
        }
    }

    /// The place of the mix on which most of the stems agree, within two frames; where they are of two minds, it is no
    /// measure.
    fn agreed(&self, delivery: &Delivery<'_>) -> Option<Delay> {
        let nominal = delivery.start_seconds(&self.survey.path) * self.sketch.sample_hz();
        let reach = MOST_DELAY_SECONDS * self.sketch.sample_hz();
        self.agreed_within(-nominal, reach).or_else(|| self.agreed_within(0.0, self.samples.len() as f64))
    }

    fn agreed_within(&self, nominal: f64, reach: f64) -> Option<Delay> {
        // The longest say most, and the first of them by path.
        let mut asked: Vec<&Voice<'_>> = self.known.iter().collect();
        asked.sort_by_key(|voice| std::cmp::Reverse(voice.sketch.samples()));
        // The whole mix is heard once for all of them.
        let is_whole = reach >= self.samples.len() as f64;
        let whole = is_whole.then(|| self.locator.hear(&self.samples, self.stretch())).flatten();
        let around = Around { nominal, reach, whole: whole.as_ref() };
        let mut said: Vec<Said<'_, '_>> = Vec::new();
        for voice in asked.into_iter().take(MOST_ASKED) {
            said.extend(self.said(voice, &around));
            // Where the first are of one mind, the others are not asked.
            let delay = (said.len() == ENOUGH).then(|| self.delay(&said, said.len())).flatten();
            if delay.is_some_and(|delay| delay.drift_ppm.is_some()) {
                return delay;
            }
        }
        self.delay(&said, said.len() / 2 + 1)
    }

    /// The delay of which at least so many speak.
    fn delay(&self, said: &[Said<'_, '_>], least: usize) -> Option<Delay> {
        // A held chord may be sure of a place that is half a swing beside the true one, so most are asked, not the surest.
        let alike_to = |one: &Said<'_, '_>| -> Vec<&Said<'_, '_>> {
            said.iter().filter(|other| self.is_same(other.late.at, one.late.at)).collect()
        };
        let agreed = said.iter().max_by(|a, b| {
            let surer = b.late.uncertainty.total_cmp(&a.late.uncertainty);
            alike_to(a).len().cmp(&alike_to(b).len()).then(surer)
        })?;
        let alike = alike_to(agreed);
        let inverted = alike.iter().filter(|other| other.late.inverted).count();
        (alike.len() >= least).then(|| Delay {
            samples: agreed.late.at,
            inverted: 2 * inverted > alike.len(),
            // The first that knows is enough: asking costs more than all that was asked before.
            drift_ppm: alike.iter().find_map(|said| self.drift(said)).or_else(|| self.drift_between(&alike)),
        })
    }

    /// Whether two places are one: within two frames.
    pub(crate) fn is_same(&self, place: f64, other: f64) -> bool {
        (place - other).abs() <= 2.0 / f64::from(self.sketch.factor())
    }

    /// What a stem says of the delay.
    fn said<'s>(&self, voice: &'s Voice<'a>, around: &Around<'_>) -> Option<Said<'s, 'a>> {
        let stem = voice.sketch.whole();
        let length = self.stretch().min(stem.len());
        let from = loudest(&stem, length);
        let late = self.late_at(&stem[from..from + length], voice.at + from as f64, around)?;
        let middle = voice.at + (from + length / 2) as f64;
        Some(Said { voice, late, middle })
    }

    /// Samples of the stretch that is compared.
    fn stretch(&self) -> usize {
        (STRETCH_SECONDS * self.sketch.sample_hz()) as usize
    }

    /// By how much the mix is late, by a stretch of a stem that stands `at` samples after the common start; `at` of the answer
    /// is the delay.
    fn late_at(&self, stretch: &[f32], at: f64, around: &Around<'_>) -> Option<Located> {
        let own = (at + around.nominal).round() as i64;
        let reach = around.reach as i64;
        let (begin, found) = if let Some(whole) = around.whole {
            (0, self.locator.locate(stretch, whole, own - reach..=own + reach))
        } else {
            let begin = (own - reach).clamp(0, self.samples.len() as i64);
            let end = (own + stretch.len() as i64 + reach).clamp(begin, self.samples.len() as i64);
            let mix = &self.samples[begin as usize..end as usize];
            (begin, self.guess_in(mix, stretch, own - begin - reach..=own - begin + reach))
        };
        let mut found = found.filter(|found| is_sure_beside_others(&self.fit(found)))?;
        found.at += begin as f64 - at;
        Some(found)
    }

    /// How the delay differs between begin and end of a stem.
    fn drift(&self, said: &Said<'_, '_>) -> Option<f64> {
        let (stem, at) = (said.voice.sketch.whole(), said.voice.at);
        let length = self.stretch().min(stem.len() / 2);
        let apart = stem.len() - length;
        let reach = MOST_DELAY_SECONDS * self.sketch.sample_hz();
        let around = Around { nominal: said.late.at, reach, whole: None };
        let late = |from: usize| self.late_at(&stem[from..from + length], at + from as f64, &around);
        let (first, second) = (late(0)?, late(apart)?);
        // What lies within its own uncertainty is none.
        Some(ppm(second.at - first.at, 3.0 * (first.uncertainty + second.uncertainty), apart as f64))
    }

    /// How the delay differs between two stems that sound at different times.
    fn drift_between(&self, said: &[&Said<'_, '_>]) -> Option<f64> {
        let first = said.iter().min_by(|a, b| a.middle.total_cmp(&b.middle))?;
        let second = said.iter().max_by(|a, b| a.middle.total_cmp(&b.middle))?;
        let apart = second.middle - first.middle;
        let unsure = 3.0 * (first.late.uncertainty + second.late.uncertainty)
            + ROUNDING_FRAMES / f64::from(self.sketch.factor());
        (apart > MOST_DELAY_SECONDS * self.sketch.sample_hz())
            .then(|| ppm(second.late.at - first.late.at, unsure, apart))
    }
}

/// A difference of delays over a stretch as a speed; a mix that runs too fast has the end too early.
fn ppm(stretch: f64, unsure: f64, apart: f64) -> f64 {
    if stretch.abs() <= unsure { 0.0 } else { -1e6 * stretch / apart.max(1.0) }
}

/// Where the loudest stretch of so many samples begins, to a tenth of its length.
fn loudest(samples: &[f32], length: usize) -> usize {
    let step = (length / TENTHS).max(1);
    let energy = |part: &[f32]| part.iter().map(|x| f64::from(*x) * f64::from(*x)).sum::<f64>();
    let parts: Vec<f64> = samples.chunks(step).map(energy).collect();
    let energies = parts.windows(TENTHS.min(parts.len().max(1))).map(|parts| parts.iter().sum::<f64>());
    let places = (0..=samples.len() - length).step_by(step).zip(energies);
    places.max_by(|(at, a), (other, b)| a.total_cmp(b).then(other.cmp(at))).map_or(0, |(at, _)| at)
}

fn seconds(survey: &Survey) -> f64 {
    sounding(survey).map_or(0.0, |m| m.target_frames as f64 / f64::from(m.target_hz.max(1)))
}
