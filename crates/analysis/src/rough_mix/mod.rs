//! What of the rough mix no stem explains, where it has the stems whose places nobody knows, and which stems are not in it.
//! It knows where the mix stands, and asks no file.

mod fit;
mod search;
mod straight;

use loadin_audio::Decibels;
use loadin_record::evidence::{Polarity, Sibling, StemPlace};
use loadin_record::finding::round_to;
use loadin_record::rough_mix::{MixedVersion, RoughGap, RoughMix};
use loadin_record::survey::Survey;
use loadin_session::estimate::{
    ComparedName, Gap, NameRelation, RoughFit, RoughVerdict, judge_rough, name_relation,
};

use self::fit::{EDGES_HZ, HOP};
use self::search::Search;
use self::straight::Fitted;
use crate::delivery::{Delivery, sounding};
use crate::mix::{Delay, RoughMixSignal, Voice};

/// More drift than a frame in the whole song, and a sum no longer cancels.
const MOST_DRIFT_PPM: f64 = 0.1;

/// What the mix shows, and the places of stems that only it knows.
pub(crate) fn judge(mix: &RoughMixSignal<'_>, delivery: &Delivery<'_>) -> (Vec<StemPlace>, RoughMix) {
    let mut rough = stands(mix);
    let delay = match comparable(mix) {
        Ok(delay) => delay,
        Err(reason) => {
            rough.cannot_judge = Some(reason.to_string());
            return (Vec::new(), rough);
        }
    };
    let mut search = Search::new(mix, delivery);
    let mut voices = mix.known.clone();
    let mut fitted = Fitted::new(mix, &voices, delay.samples);
    while search.find(&mut voices, &fitted) {
        // The products of all pairs take room, so they are not kept twice.
        drop(fitted);
        fitted = Fitted::new(mix, &voices, delay.samples);
    }
    rough.left_out.extend(search.unplaced());
    tell(&mut rough, mix, &voices, &fitted);
    (search.places, rough)
}

/// Puts down what the fit shows.
fn tell(rough: &mut RoughMix, mix: &RoughMixSignal<'_>, voices: &[Voice<'_>], fitted: &Fitted) {
    let unmixed = &fitted.unmixed;
    let is_lossy = |survey: &Survey| survey.format.as_ref().is_some_and(|format| format.lossy);
    let lossy = is_lossy(mix.survey) || voices.iter().any(|voice| is_lossy(voice.survey));
    let verdict = judge_rough(&RoughFit {
        mix: &unmixed.mix,
        rest: &unmixed.rest,
        refitted: &|windows| unmixed.refitted(windows),
        gains: &unmixed.gains,
        energies: &unmixed.energies,
        processing: fitted.processing(mix.sketch.sample_hz(), lossy),
        moves: &fitted.moves,
        hop_seconds: HOP as f64 / mix.sketch.sample_hz(),
        edges_hz: EDGES_HZ,
    });
    let total = |cells: &[Vec<f64>]| cells.iter().flatten().sum::<f64>();
    let (whole, rest) = (total(&unmixed.mix), total(&unmixed.rest));
    rough.unexplained_db = round_to(10.0 * libm::log10((rest / whole).max(1e-12)), 1);
    let path = |index: usize| voices[index].survey.path.clone();
    match verdict {
        RoughVerdict::CannotJudge(reason) => rough.cannot_judge = Some(reason),
        RoughVerdict::Judged { gaps, absent, processed, floor_db, confidence } => {
            rough.processed = processed;
            rough.floor_db = round_to(floor_db, 1);
            rough.absent = absent.iter().map(|index| path(*index)).collect();
            // The gain of a stem beside its place says nothing of its level.
            let is_placed = |index: usize| !rough.left_out.contains_key(&path(index));
            let heard =
                |(index, gain): &(usize, &f64)| **gain != 0.0 && !absent.contains(index) && is_placed(*index);
            let gains: Vec<(usize, &f64)> = unmixed.gains.iter().enumerate().filter(heard).collect();
            rough.gains_db = gains
                .iter()
                .filter_map(|(index, gain)| {
                    Some((path(*index), round_to(Decibels::from_ratio(**gain).0, 1)?))
                })
                .collect();
            let turned = rough.polarity == Some(Polarity::Inverted);
            let inverted = gains.iter().filter(|(_, gain)| (**gain < 0.0) != turned);
            rough.inverted = inverted.map(|(index, _)| path(*index)).collect();
            let begins = fitted.split.begins as f64 / mix.sketch.sample_hz();
            rough.gaps = gaps.iter().filter_map(|gap| rough_gap(gap, begins, confidence)).collect();
        }
    }
}

/// Where the mix stands against the stems, and nothing yet of what is in it.
fn stands(mix: &RoughMixSignal<'_>) -> RoughMix {
    let factor = f64::from(mix.sketch.factor());
    let drawn = mix.sketch.samples() as f64 / mix.sketch.sample_hz();
    let whole = sounding(mix.survey).map_or(0.0, |m| m.target_frames as f64 / f64::from(m.target_hz.max(1)));
    RoughMix {
        path: mix.survey.path.clone(),
        delay_frames: mix.delay.and_then(|delay| round_to(delay.samples * factor, 1)),
        rate_hz: mix.sketch.rate_hz(),
        drift_ppm: mix.delay.and_then(|delay| delay.drift_ppm).and_then(|ppm| round_to(ppm, 2)),
        polarity: mix.delay.map(|d| if d.inverted { Polarity::Inverted } else { Polarity::Same }),
        // A sketch ends between two samples.
        first_seconds: (whole > drawn + 1.0).then_some(drawn).and_then(|seconds| round_to(seconds, 0)),
        left_out: mix.left_out.clone(),
        ..RoughMix::default()
    }
}

/// A gap in seconds after the common start; the mix begins `begins` seconds after it.
fn rough_gap(gap: &Gap, begins: f64, confidence: f64) -> Option<RoughGap> {
    Some(RoughGap {
        from_seconds: round_to(begins + gap.from_seconds, 1)?,
        to_seconds: round_to(begins + gap.to_seconds, 1)?,
        low_hz: gap.low_hz,
        high_hz: gap.high_hz,
        level_db: round_to(gap.level_db, 1)?,
        confidence,
    })
}

/// Why the stems cannot be laid under the mix.
#[derive(Debug, thiserror::Error)]
enum Unjudged {
    #[error("no stem with sound says where it stands")]
    NoKnown,
    #[error("the stems do not agree where it begins")]
    NoDelay,
    #[error("whether it runs at the speed of the stems all along is not certain")]
    SpeedUnknown,
    #[error("it runs at another speed than the stems, by {ppm:.2} parts of a million")]
    OtherSpeed { ppm: f64 },
}

/// Where the mix stands, or why stems cannot be laid under it.
fn comparable(mix: &RoughMixSignal<'_>) -> Result<Delay, Unjudged> {
    if mix.known.is_empty() {
        return Err(Unjudged::NoKnown);
    }
    let delay = mix.delay.ok_or(Unjudged::NoDelay)?;
    match delay.drift_ppm {
        None => Err(Unjudged::SpeedUnknown),
        Some(ppm) if ppm.abs() > MOST_DRIFT_PPM => Err(Unjudged::OtherSpeed { ppm }),
        Some(_) => Ok(delay),
    }
}

/// Stems that are as like as this hold one part, whatever their names say; named as versions of one, they need less (common
/// practice, no source).
const ALIKE: f64 = 0.6;

/// A version that is weaker in the mix by this is not the one that it has.
const NOT_IT_DB: f64 = 20.0;

/// Adds which of two versions the mix has.
pub(crate) fn with_versions(mut rough: RoughMix, siblings: &[Sibling]) -> RoughMix {
    for sibling in siblings {
        let names = [&sibling.a, &sibling.b].map(|path| ComparedName::of(path));
        let named = name_relation(&names[0], &names[1]) == Some(NameRelation::Versions);
        if sibling.correlation.abs() < ALIKE && !named {
            continue;
        }
        for (heard, other) in [(&sibling.a, &sibling.b), (&sibling.b, &sibling.a)] {
            let Some(level) = rough.gains_db.get(heard) else { continue };
            let weaker = rough.gains_db.get(other).is_some_and(|other| other + NOT_IT_DB < *level);
            if weaker || rough.absent.contains(other) {
                rough.versions.push(MixedVersion { heard: heard.clone(), other: other.clone() });
            }
        }
    }
    rough
}
