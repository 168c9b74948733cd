//! The rough mix: where it stands against the stems, and what of it no stem explains.

use std::collections::BTreeMap;
use std::ops::{Range, RangeInclusive};

use loadin_audio::{Decibels, Located, Part, Sketch, UNMIX_WINDOW, Unmixed, Unmixer, locate};
use loadin_record::evidence::{Polarity, RoughGap, RoughMix, StemPlace};
use loadin_record::finding::round_to;
use loadin_record::survey::{Measures, Survey};
use loadin_session::estimate::{PlaceFit, RoughFit, RoughVerdict, is_sure, judge_rough};
use loadin_session::{ReferenceKind, is_reference};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::recipe::Recipe;
use crate::sketch::Sketches;

/// Bands in which what is missing is looked for; the sketch ends there.
const EDGES_HZ: &[f64] = &[40.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 2500.0];

/// The rough mix may begin so much earlier or later than the stems.
const MOST_DELAY_SECONDS: f64 = 0.5;

/// A stretch of this length says where the rough mix stands, and costs little.
const STRETCH_SECONDS: f64 = 40.0;

/// So many stems of the whole length are asked where the rough mix stands.
const MOST_ASKED: usize = 8;

/// A stem does not have the whole length when it is shorter than the longest by more than this.
const SHORTER_SECONDS: f64 = 0.5;

/// More drift than a frame in the whole song, and a sum no longer cancels.
const MOST_DRIFT_PPM: f64 = 0.1;

/// The rough mix of a delivery, and how it stands against the stems.
pub(crate) struct Mix<'a> {
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
    inverted: bool,
    drift_ppm: Option<f64>,
}

impl<'a> Mix<'a> {
    /// Finds the rough mix: the first by path that is named so and has sound.
    pub(crate) fn find(recipe: &Recipe, surveys: &'a [Survey], sketches: &Sketches<'_>) -> Option<Self> {
        let named = |survey: &&Survey| is_reference(&survey.path) == Some(ReferenceKind::RoughMix);
        let sounds = |survey: &&Survey| measures(survey).is_some();
        let survey = surveys.iter().filter(sounds).filter(named).min_by_key(|survey| &survey.path)?;
        let rate = |survey: &Survey| measures(survey).map(|measures| measures.target_hz);
        let is_stem = |survey: &&Survey| !crate::plan::takes_for_reference(recipe, &survey.path);
        let mut stems: Vec<&Survey> =
            surveys.iter().filter(sounds).filter(is_stem).filter(|stem| rate(stem) == rate(survey)).collect();
        stems.sort_by(|a, b| a.path.cmp(&b.path));
        let longest = stems.iter().map(|stem| seconds(stem)).max_by(f64::total_cmp)?;
        let (whole, short) = stems.into_iter().partition(|stem| seconds(stem) > longest - SHORTER_SECONDS);
        let sketch = sketches.get(&survey.path, &survey.sha256)?;
        let samples = sketch.whole();
        let mut mix = Self { survey, sketch, samples, whole, short, delay: None };
        mix.delay = mix.agreed(sketches);
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
    fn agreed(&self, sketches: &Sketches<'_>) -> Option<Delay> {
        let mut found = Vec::new();
        for survey in self.whole.iter().take(MOST_ASKED) {
            let stem = sketches.get(&survey.path, &survey.sha256)?.whole();
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
    fn is_same(&self, place: f64, other: f64) -> bool {
        (place - other).abs() <= 2.0 / f64::from(self.sketch.factor())
    }

    /// Samples of the stretch that is compared.
    fn stretch(&self) -> usize {
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
fn loudest(samples: &[f32], length: usize) -> usize {
    let energy = |from: &usize| -> f64 {
        samples[*from..from + length].iter().map(|x| f64::from(*x) * f64::from(*x)).sum()
    };
    let places = (0..=samples.len() - length).step_by((length / 10).max(1));
    places.max_by(|a, b| energy(a).total_cmp(&energy(b)).then(b.cmp(a))).unwrap_or(0)
}

fn measures(survey: &Survey) -> Option<&Measures> {
    survey.measures.as_ref().ok().filter(|measures| measures.active_frames > 0)
}

fn seconds(survey: &Survey) -> f64 {
    measures(survey).map_or(0.0, |m| m.target_frames as f64 / f64::from(m.target_hz.max(1)))
}

/// What the mix shows, with the places of the stems that start at their own entry.
pub(crate) fn judge(
    mix: &Mix<'_>,
    places: &[StemPlace],
    by_stamps: bool,
    sketches: &Sketches<'_>,
) -> RoughMix {
    let factor = f64::from(mix.sketch.factor());
    let mut rough = RoughMix {
        path: mix.survey.path.clone(),
        delay_frames: mix.delay.and_then(|delay| round_to(delay.samples * factor, 1)),
        rate_hz: mix.sketch.rate_hz(),
        drift_ppm: mix.delay.and_then(|delay| delay.drift_ppm).and_then(|ppm| round_to(ppm, 2)),
        polarity: mix.delay.map(|d| if d.inverted { Polarity::Inverted } else { Polarity::Same }),
        cannot_judge: None,
        unexplained_db: None,
        gains_db: BTreeMap::new(),
        gaps: Vec::new(),
        absent: Vec::new(),
    };
    let starts = match starts(mix, places, by_stamps) {
        Ok(starts) => starts,
        Err(reason) => {
            rough.cannot_judge = Some(reason);
            return rough;
        }
    };
    let Some(unmixed) = unmix(mix, &starts, sketches) else { return rough };
    let verdict = judge_rough(&RoughFit {
        mix: &unmixed.mix,
        rest: &unmixed.rest,
        follows: &unmixed.follows,
        gains: &unmixed.gains,
        energies: &unmixed.energies,
        held_peaks: measures(mix.survey).map_or(0.0, held_peaks),
        hop_seconds: (UNMIX_WINDOW / 2) as f64 / mix.sketch.sample_hz(),
        edges_hz: EDGES_HZ,
    });
    let total = |cells: &[Vec<f64>]| cells.iter().flatten().sum::<f64>();
    let (whole, rest) = (total(&unmixed.mix), total(&unmixed.rest));
    rough.unexplained_db = round_to(10.0 * (rest / whole).max(1e-12).log10(), 1);
    let path = |index: &usize| starts[*index].0.path.clone();
    match verdict {
        RoughVerdict::CannotJudge(reason) => rough.cannot_judge = Some(reason),
        RoughVerdict::Judged { gaps, absent } => {
            rough.absent = absent.iter().map(path).collect();
            let gains = unmixed.gains.iter().enumerate();
            rough.gains_db = gains
                .filter(|(index, gain)| **gain != 0.0 && !absent.contains(index))
                .filter_map(|(index, gain)| Some((path(&index), round_to(Decibels::from_ratio(*gain).0, 1)?)))
                .collect();
            // A mix that begins after the stems do says nothing of what was before.
            let begins = mix.delay.map_or(0.0, |delay| (-delay.samples).max(0.0)) / mix.sketch.sample_hz();
            let to_record = |gap: &loadin_session::estimate::Gap| {
                Some(RoughGap {
                    from_seconds: round_to(begins + gap.from_seconds, 1)?,
                    to_seconds: round_to(begins + gap.to_seconds, 1)?,
                    low_hz: gap.low_hz,
                    high_hz: gap.high_hz,
                    level_db: round_to(gap.level_db, 1)?,
                })
            };
            rough.gaps = gaps.iter().filter_map(to_record).collect();
        }
    }
    rough
}

/// Every stem and where its first sample stands after the common start, in samples, or why that is not known.
fn starts<'a>(
    mix: &Mix<'a>,
    places: &[StemPlace],
    by_stamps: bool,
) -> Result<Vec<(&'a Survey, f64)>, String> {
    if by_stamps {
        return Err(
            "time stamps place the stems; it is compared only with stems that start together".to_owned()
        );
    }
    let Some(delay) = mix.delay else {
        return Err("the stems do not agree where it begins".to_owned());
    };
    match delay.drift_ppm {
        None => return Err("whether it runs at the speed of the stems all along is not certain".to_owned()),
        Some(ppm) if ppm.abs() > MOST_DRIFT_PPM => {
            return Err(format!("it runs at another speed than the stems, by {ppm:.2} parts of a million"));
        }
        Some(_) => {}
    }
    let mut starts: Vec<(&Survey, f64)> = mix.whole.iter().map(|stem| (*stem, 0.0)).collect();
    for stem in &mix.short {
        let place = places.iter().find(|place| place.path == stem.path);
        let Some(place) = place else {
            return Err(format!("nobody knows where \"{}\" starts", stem.path));
        };
        starts.push((*stem, place.start_frames as f64 / f64::from(mix.sketch.factor())));
    }
    Ok(starts)
}

/// The stems of a mix with their sketches and places.
struct Set<'a> {
    mix: &'a Mix<'a>,
    drawn: Vec<Sketch>,
    places: Vec<(i64, f64)>,
}

/// Fits the stems to the mix. The delay is found again from the sum of the stems, since 0.1 frames off are enough to
/// leave a remainder at −30 dB.
fn unmix(mix: &Mix<'_>, starts: &[(&Survey, f64)], sketches: &Sketches<'_>) -> Option<Unmixed> {
    let drawn: Vec<Sketch> =
        starts.iter().map(|(survey, _)| sketches.get(&survey.path, &survey.sha256)).collect::<Option<_>>()?;
    let set = Set { mix, drawn, places: starts.iter().map(|(_, start)| split(*start)).collect() };
    let delay = mix.delay?.samples;
    let length = mix.stretch().min(mix.samples.len());
    let from = loudest(&mix.samples, length);
    let first = set.unmix(delay, from..from + length);
    let delay = set.refined(&first.gains, delay, from, length).unwrap_or(delay);
    Some(set.unmix(delay, 0..mix.samples.len()))
}

impl Set<'_> {
    fn unmix(&self, delay: f64, stretch: Range<usize>) -> Unmixed {
        // Whole samples are shifted by reading elsewhere.
        let (delay, late) = split(delay);
        let mut unmixer = Unmixer::new(self.drawn.len(), EDGES_HZ, self.mix.sketch.sample_hz());
        let mut window = vec![0.0; UNMIX_WINDOW];
        let mut windows = vec![vec![0.0; UNMIX_WINDOW]; self.drawn.len()];
        // Where the mix has not begun or has ended, it says nothing of the stems.
        let begin = stretch.start.max((-delay).max(0) as usize);
        for start in (begin..stretch.end).step_by(UNMIX_WINDOW / 2) {
            let start = start as i64;
            if start + delay + UNMIX_WINDOW as i64 > self.mix.samples.len() as i64 {
                break;
            }
            self.mix.sketch.read(start + delay, &mut window);
            let places = self.places.iter();
            let sounding: Vec<bool> = self
                .drawn
                .iter()
                .zip(places.clone())
                .zip(&mut windows)
                .map(|((sketch, (place, _)), out)| sketch.read(start - place, out))
                .collect();
            let stems: Vec<Option<Part<'_>>> = windows
                .iter()
                .zip(places)
                .zip(sounding)
                .map(|((samples, &(_, late)), sounds)| sounds.then_some(Part { samples, late: -late }))
                .collect();
            unmixer.add(Part { samples: &window, late }, &stems);
        }
        unmixer.finish()
    }

    /// The delay between the mix and the sum of the stems at these gains; `None` where it is far from `delay`.
    fn refined(&self, gains: &[f64], delay: f64, from: usize, length: usize) -> Option<f64> {
        let (mut sum, mut one) = (vec![0.0; length], vec![0.0; length]);
        for ((sketch, (place, late)), gain) in self.drawn.iter().zip(&self.places).zip(gains) {
            // What lies between samples would blur the sum.
            if *late == 0.0 && sketch.read(from as i64 - place, &mut one) {
                sum.iter_mut().zip(&one).for_each(|(sum, sample)| *sum += *gain as f32 * sample);
            }
        }
        let most = (MOST_DELAY_SECONDS * self.mix.sketch.sample_hz()) as usize;
        let mut mix = vec![0.0; length + 2 * most];
        self.mix.sketch.read(from as i64 - most as i64, &mut mix);
        let factor = self.mix.sketch.factor();
        let found = locate(&sum, &mix, 0..=2 * most as i64, self.mix.sketch.sample_hz(), factor)?;
        let found = found.at - most as f64;
        self.mix.is_same(found, delay).then_some(found)
    }
}

/// A place as whole samples and a rest of half a sample at the most.
fn split(samples: f64) -> (i64, f64) {
    (samples.round() as i64, samples - samples.round())
}

/// Part of the sounding windows of the envelope whose peak lies within 1 dB of the greatest.
fn held_peaks(measures: &Measures) -> f64 {
    let channels = &measures.envelope.channels;
    let windows = channels.iter().map(|channel| channel.max.len().min(channel.min.len())).min().unwrap_or(0);
    let peaks: Vec<f32> = (0..windows)
        .map(|window| channels.iter().map(|c| c.max[window].max(-c.min[window])).fold(0.0, f32::max))
        .collect();
    let greatest = peaks.iter().copied().fold(0.0, f32::max);
    let part = |least: f32| peaks.iter().filter(|peak| **peak >= least * greatest).count() as f64;
    part(0.891) / part(0.01).max(1.0)
}
