//! What stems sound like whose names say nothing: proposals, from sketch, envelope and survey. The group stays "unsorted".

mod level;

use std::collections::BTreeMap;

use loadin_audio::{Chroma, Pitch, PitchTracker, Sketch};
use loadin_record::evidence::Proposal;
use loadin_record::finding::round_to;
use loadin_record::survey::{Measures, Survey};
use loadin_session::Family;
use loadin_session::estimate::{Sound, sounds_like};
use rayon::prelude::*;

use crate::delivery::Delivery;
use crate::key::StemPitches;

/// Proposals for the stems whose names say nothing, by path. Runs on the current rayon pool.
pub(crate) fn proposals(delivery: &Delivery<'_>, pitches: &StemPitches) -> BTreeMap<String, Proposal> {
    let unnamed = pitches.0.iter().filter(|(_, (family, _))| *family == Family::Unsorted);
    let asked: Vec<(&Survey, &Chroma)> =
        unnamed.map(|(&stem, (_, chroma))| (&delivery.surveys[stem], chroma)).collect();
    let tracker = PitchTracker::default();
    let propose = |(survey, chroma): &(&Survey, &Chroma)| {
        let measures = survey.measures.as_ref().ok()?;
        let sketch = delivery.sketch(survey)?;
        let sound = sound(measures, &sketch, chroma, &tracker)?;
        let hint = sounds_like(&sound)?;
        let proposal = Proposal {
            sounds_like: hint.kind.as_str().to_owned(),
            confidence: round_to(hint.confidence, 2)?,
            by: by(&sound),
        };
        Some((survey.path.clone(), proposal))
    };
    asked.par_iter().filter_map(propose).collect::<Vec<_>>().into_iter().collect()
}

fn by(sound: &Sound) -> String {
    let share = |part: f64| format!("{:.0} %", 100.0 * part);
    let low = (1.0 - sound.high) * (sound.bands[0] + sound.bands[1]);
    let mut parts = vec![
        format!("{} of the power below 250 Hz and {} above 2.5 kHz", share(low), share(sound.high)),
        format!("{:.1} strokes a second", sound.strokes),
        format!("sounds {} of the time", share(sound.duty)),
    ];
    if sound.voiced > 0.5 {
        parts.push(format!(
            "one pitch around {:.0} Hz over {:.0} semitones",
            sound.pitch_hz, sound.range_semitones
        ));
    }
    if sound.several > 0.5 {
        parts.push("several notes at once".to_owned());
    }
    if let Some(width) = sound.width.filter(|width| *width > 0.0) {
        parts.push(format!("side {:.0} dB against the middle", 20.0 * libm::log10(width)));
    }
    parts.join(", ")
}

/// Everything that is measured; `None` for what is silent or too long.
fn sound(measures: &Measures, sketch: &Sketch, spectra: &Chroma, tracker: &PitchTracker) -> Option<Sound> {
    let course = level::course(&measures.envelope)?;
    let track = tracker.follow(sketch);
    let pitches = Pitches::of(&track);
    let width = measures.relation.as_ref().and_then(|relation| relation.side_to_mid);
    Some(Sound {
        seconds: course.seconds,
        tonality: spectra.tonality,
        high: high(measures, sketch, width)?,
        bands: spectra.bands,
        voiced: pitches.voiced,
        pitch_hz: pitches.median_hz,
        range_semitones: pitches.range_semitones,
        glide_cents: pitches.glide_cents,
        several: pitches.several,
        duty: course.duty,
        strokes: course.strokes,
        sharp: course.sharp,
        fall_seconds: course.fall_seconds,
        width,
    })
}

/// Share of the power of the middle that the sketch, which ends at about 2.5 kHz, has not.
fn high(measures: &Measures, sketch: &Sketch, width: Option<f64>) -> Option<f64> {
    let channels = &measures.envelope.channels;
    let all: f64 = channels.iter().flat_map(|channel| &channel.sum_sq).map(|x| f64::from(*x)).sum();
    // The mean power of two channels is that of middle and side together.
    let middle = all / channels.len().max(1) as f64 / (1.0 + width.unwrap_or(0.0).powi(2));
    let drawn: f64 = sketch.whole().iter().map(|x| f64::from(*x).powi(2)).sum();
    // Both times the seconds of a value.
    let (middle, drawn) = (middle / f64::from(measures.envelope.rate_hz.max(1)), drawn / sketch.sample_hz());
    (middle > 0.0).then(|| (1.0 - drawn / middle).clamp(0.0, 1.0))
}

/// What the pitches of a stem say together.
#[derive(Debug, Default)]
struct Pitches {
    voiced: f64,
    several: f64,
    median_hz: f64,
    range_semitones: f64,
    glide_cents: f64,
}

/// One pitch: a clear period, and something of the spectrum near it.
const CLEAR: f64 = 0.85;
const NEAR: f64 = 2.3;

/// Several notes at once have a common period far below all of them, or none that is clear.
const FAR: f64 = 2.6;

/// Within a note the pitch changes by less than this, in semitones.
const ONE_NOTE: f64 = 0.8;

impl Pitches {
    fn of(track: &[Pitch]) -> Self {
        let all: f64 = track.iter().map(|pitch| pitch.power).sum();
        if all <= 0.0 {
            return Self::default();
        }
        let is_one = |p: &Pitch| p.hz > 0.0 && p.clarity >= CLEAR && p.lowest_hz <= NEAR * p.hz;
        let is_several = |p: &Pitch| !is_one(p) && p.hz > 0.0 && p.lowest_hz > FAR * p.hz;
        let share = |which: &dyn Fn(&Pitch) -> bool| {
            track.iter().filter(|pitch| which(pitch)).map(|pitch| pitch.power).sum::<f64>() / all
        };
        let loudest = track.iter().map(|pitch| pitch.power).fold(0.0, f64::max);
        let semitones = |pitch: &Pitch| 12.0 * libm::log2(pitch.hz / 440.0);
        // Quiet ends of notes say little.
        let one: Vec<&Pitch> = track.iter().filter(|p| is_one(p) && p.power > 1e-3 * loudest).collect();
        let mut notes: Vec<f64> = one.iter().map(|pitch| semitones(pitch)).collect();
        notes.sort_by(f64::total_cmp);
        let at = |part: f64| notes.get((part * notes.len() as f64) as usize).copied().unwrap_or(0.0);
        let mut glides: Vec<f64> = one
            .windows(2)
            .filter(|pair| pair[1].at == pair[0].at + 1)
            .map(|pair| (semitones(pair[1]) - semitones(pair[0])).abs())
            .filter(|change| *change < ONE_NOTE)
            .collect();
        glides.sort_by(f64::total_cmp);
        Self {
            voiced: share(&is_one),
            several: share(&is_several),
            median_hz: if notes.is_empty() { 0.0 } else { 440.0 * libm::exp2(at(0.5) / 12.0) },
            range_semitones: at(0.9) - at(0.1),
            glide_cents: glides.get(glides.len() / 2).map_or(0.0, |change| 100.0 * change),
        }
    }
}
