//! What of the rough mix no stem explains, and which stems are not in it. It knows where the mix stands, and asks no file.

use std::collections::BTreeMap;
use std::ops::Range;

use loadin_audio::{Decibels, Part, Sketch, UNMIX_WINDOW, Unmixed, Unmixer, locate};
use loadin_record::evidence::{Polarity, RoughGap, RoughMix, StemPlace};
use loadin_record::finding::round_to;
use loadin_record::survey::{Measures, Survey};
use loadin_session::estimate::{Gap, RoughFit, RoughVerdict, judge_rough};

use crate::delivery::{Delivery, sounding};
use crate::mix::{MOST_DELAY_SECONDS, RoughMixSignal, loudest};

/// Bands in which what is missing is looked for; the sketch ends there.
const EDGES_HZ: &[f64] = &[40.0, 100.0, 200.0, 400.0, 800.0, 1600.0, 2500.0];

/// More drift than a frame in the whole song, and a sum no longer cancels.
const MOST_DRIFT_PPM: f64 = 0.1;

/// What the mix shows, with the places of the stems that start at their own entry.
pub(crate) fn judge(
    mix: &RoughMixSignal<'_>,
    places: &[StemPlace],
    by_stamps: bool,
    delivery: &Delivery<'_>,
) -> RoughMix {
    let mut rough = stands(mix);
    let starts = match starts(mix, places, by_stamps) {
        Ok(starts) => starts,
        Err(reason) => {
            rough.cannot_judge = Some(reason.to_string());
            return rough;
        }
    };
    let Some(unmixed) = unmix(mix, &starts, delivery) else { return rough };
    let verdict = judge_rough(&RoughFit {
        mix: &unmixed.mix,
        rest: &unmixed.rest,
        follows: &unmixed.follows,
        gains: &unmixed.gains,
        energies: &unmixed.energies,
        held_peaks: sounding(mix.survey).map_or(0.0, held_peaks),
        hop_seconds: (UNMIX_WINDOW / 2) as f64 / mix.sketch.sample_hz(),
        edges_hz: EDGES_HZ,
    });
    let total = |cells: &[Vec<f64>]| cells.iter().flatten().sum::<f64>();
    let (whole, rest) = (total(&unmixed.mix), total(&unmixed.rest));
    rough.unexplained_db = round_to(10.0 * (rest / whole).max(1e-12).log10(), 1);
    let path = |index: usize| starts[index].0.path.clone();
    match verdict {
        RoughVerdict::CannotJudge(reason) => rough.cannot_judge = Some(reason),
        RoughVerdict::Judged { gaps, absent } => {
            rough.absent = absent.iter().map(|index| path(*index)).collect();
            let gains = unmixed.gains.iter().enumerate();
            rough.gains_db = gains
                .filter(|(index, gain)| **gain != 0.0 && !absent.contains(index))
                .filter_map(|(index, gain)| Some((path(index), round_to(Decibels::from_ratio(*gain).0, 1)?)))
                .collect();
            // A mix that begins after the stems do says nothing of what was before.
            let begins = mix.delay.map_or(0.0, |delay| (-delay.samples).max(0.0)) / mix.sketch.sample_hz();
            rough.gaps = gaps.iter().filter_map(|gap| rough_gap(gap, begins)).collect();
        }
    }
    rough
}

/// Where the mix stands against the stems, and nothing yet of what is in it.
fn stands(mix: &RoughMixSignal<'_>) -> RoughMix {
    let factor = f64::from(mix.sketch.factor());
    RoughMix {
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
    }
}

/// A gap in seconds after the common start; the mix begins `begins` seconds after it.
fn rough_gap(gap: &Gap, begins: f64) -> Option<RoughGap> {
    Some(RoughGap {
        from_seconds: round_to(begins + gap.from_seconds, 1)?,
        to_seconds: round_to(begins + gap.to_seconds, 1)?,
        low_hz: gap.low_hz,
        high_hz: gap.high_hz,
        level_db: round_to(gap.level_db, 1)?,
    })
}

/// Why the stems cannot be laid under the mix.
#[derive(Debug, thiserror::Error)]
enum Unjudged {
    #[error("time stamps place the stems; it is compared only with stems that start together")]
    ByStamps,
    #[error("the stems do not agree where it begins")]
    NoDelay,
    #[error("whether it runs at the speed of the stems all along is not certain")]
    SpeedUnknown,
    #[error("it runs at another speed than the stems, by {ppm:.2} parts of a million")]
    OtherSpeed { ppm: f64 },
    #[error("nobody knows where \"{path}\" starts")]
    NoPlace { path: String },
}

/// Every stem and where its first sample stands after the common start, in samples, or why that is not known.
fn starts<'a>(
    mix: &RoughMixSignal<'a>,
    places: &[StemPlace],
    by_stamps: bool,
) -> Result<Vec<(&'a Survey, f64)>, Unjudged> {
    if by_stamps {
        return Err(Unjudged::ByStamps);
    }
    let Some(delay) = mix.delay else {
        return Err(Unjudged::NoDelay);
    };
    match delay.drift_ppm {
        None => return Err(Unjudged::SpeedUnknown),
        Some(ppm) if ppm.abs() > MOST_DRIFT_PPM => return Err(Unjudged::OtherSpeed { ppm }),
        Some(_) => {}
    }
    let mut starts: Vec<(&Survey, f64)> = mix.whole.iter().map(|stem| (*stem, 0.0)).collect();
    for stem in &mix.short {
        let place = places.iter().find(|place| place.path == stem.path);
        let Some(place) = place else {
            return Err(Unjudged::NoPlace { path: stem.path.clone() });
        };
        starts.push((*stem, place.start_frames as f64 / f64::from(mix.sketch.factor())));
    }
    Ok(starts)
}

/// A place in samples of a sketch.
#[derive(Debug, Clone, Copy)]
struct SamplePlace {
    /// The nearest whole sample.
    whole: i64,
    /// What is left, at most half a sample either way.
    late: f64,
}

impl SamplePlace {
    fn of(samples: f64) -> Self {
        Self { whole: samples.round() as i64, late: samples - samples.round() }
    }
}

/// The stems of a mix with their sketches and places.
struct UnmixInput<'a> {
    mix: &'a RoughMixSignal<'a>,
    drawn: Vec<Sketch>,
    /// Where the first sample of each stands after the common start.
    places: Vec<SamplePlace>,
}

/// Fits the stems to the mix. The delay is found again from the sum of the stems, since 0.1 frames off are enough to
/// leave a remainder at −30 dB.
fn unmix(mix: &RoughMixSignal<'_>, starts: &[(&Survey, f64)], delivery: &Delivery<'_>) -> Option<Unmixed> {
    let drawn: Vec<Sketch> =
        starts.iter().map(|(survey, _)| delivery.sketch(survey)).collect::<Option<_>>()?;
    let input =
        UnmixInput { mix, drawn, places: starts.iter().map(|(_, start)| SamplePlace::of(*start)).collect() };
    let delay = mix.delay?.samples;
    let length = mix.stretch().min(mix.samples.len());
    let from = loudest(&mix.samples, length);
    let first = input.unmix(delay, from..from + length);
    let delay = input.refined(&first.gains, delay, from, length).unwrap_or(delay);
    Some(input.unmix(delay, 0..mix.samples.len()))
}

impl UnmixInput<'_> {
    fn unmix(&self, delay: f64, stretch: Range<usize>) -> Unmixed {
        // Whole samples are shifted by reading elsewhere.
        let SamplePlace { whole: delay, late } = SamplePlace::of(delay);
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
                .map(|((sketch, place), out)| sketch.read(start - place.whole, out))
                .collect();
            let stems: Vec<Option<Part<'_>>> = windows
                .iter()
                .zip(places)
                .zip(sounding)
                .map(|((samples, place), sounds)| sounds.then_some(Part { samples, late: -place.late }))
                .collect();
            unmixer.add(Part { samples: &window, late }, &stems);
        }
        unmixer.finish()
    }

    /// The delay between the mix and the sum of the stems at these gains; `None` where it is far from `delay`.
    fn refined(&self, gains: &[f64], delay: f64, from: usize, length: usize) -> Option<f64> {
        let (mut sum, mut one) = (vec![0.0; length], vec![0.0; length]);
        for ((sketch, place), gain) in self.drawn.iter().zip(&self.places).zip(gains) {
            // What lies between samples would blur the sum.
            if place.late == 0.0 && sketch.read(from as i64 - place.whole, &mut one) {
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
