//! The stems of a delivery as players of one song: who they are, where they stand in time, when they sound.

use std::collections::BTreeMap;

use loadin_audio::{FLUX_HZ, Flux, FluxMeter};
use loadin_record::evidence::StemPlace;
use loadin_record::survey::{Measures, Survey};
use loadin_session::estimate::{Part, Player, Presence};
use loadin_session::{Family, role_of, without_title};
use rayon::prelude::*;

use crate::delivery::Delivery;

/// A stem with sound that is no reference.
pub(crate) struct Member<'a> {
    pub(crate) survey: &'a Survey,
    pub(crate) family: Family,
    /// When it begins, after the common start.
    pub(crate) start_seconds: f64,
}

/// The members of a delivery, in the order of their paths. They stand where the delivery says, and those that `places` has
/// where the rough mix has them.
pub(crate) fn members<'a>(delivery: &Delivery<'a>, places: &[StemPlace]) -> Vec<Member<'a>> {
    let stems: Vec<&Survey> = delivery.sounding_stems().into_iter().map(|(_, survey)| survey).collect();
    let start = |survey: &Survey| {
        // A stamp that the mix contradicts is a question, and holds until it is answered.
        let by_mix = places.iter().find(|place| place.path == survey.path && place.stated_frames.is_none());
        by_mix.map_or_else(
            || delivery.start_seconds(&survey.path),
            |place| place.start_frames as f64 / f64::from(place.rate_hz.max(1)),
        )
    };
    let paths: Vec<&str> = stems.iter().map(|stem| stem.path.as_str()).collect();
    let spoken = without_title(&paths);
    let member = |(survey, name): (&&'a Survey, &String)| Member {
        survey,
        family: role_of(name).family,
        start_seconds: start(survey),
    };
    stems.iter().zip(&spoken).map(member).collect()
}

/// Who a stem is for meter and form; effects have no part in them.
fn player(family: Family) -> Option<Player> {
    Some(match family {
        Family::Kick => Player::Kick,
        Family::Snare => Player::Snare,
        Family::Hat
        | Family::Toms
        | Family::Cymbals
        | Family::Overheads
        | Family::Room
        | Family::Loop
        | Family::Percussion => Player::Kit,
        Family::Bass => Player::Bass,
        Family::Guitar | Family::Keys | Family::Synth | Family::Pad | Family::Strings | Family::Brass => {
            Player::Chords
        }
        Family::LeadVocal | Family::VocalDouble | Family::BackingVocal => Player::Voice,
        Family::Unsorted => Player::Unknown,
        Family::Effect => return None,
    })
}

impl Member<'_> {
    pub(crate) fn measures(&self) -> Option<&Measures> {
        self.survey.measures.as_ref().ok()
    }

    pub(crate) fn is_voice(&self) -> bool {
        player(self.family) == Some(Player::Voice)
    }

    /// When it sounds, by its envelope.
    pub(crate) fn presence(&self) -> Option<Presence> {
        let measures = self.measures()?;
        let envelope = &measures.envelope;
        let windows = envelope.channels.first()?.sum_sq.len();
        let share = 1.0 / (envelope.window_frames.max(1) * envelope.channels.len() as u64) as f64;
        let power =
            |at: usize| envelope.channels.iter().map(|c| f64::from(c.sum_sq[at])).sum::<f64>() * share;
        Some(Presence {
            power: (0..windows).map(power).collect(),
            window_seconds: envelope.window_seconds(),
            start_seconds: self.start_seconds,
        })
    }
}

/// The members that play one part at one rate: they are summed up, and the sum is listened to.
type PartMembers<'a> = ((Player, u32), Vec<&'a Member<'a>>);

/// The onsets of all players. What plays one part is summed up before it is heard, so that the cost hardly grows with the
/// number of stems. Runs on the current rayon pool; its size changes nothing in the result.
pub(crate) fn parts(members: &[Member<'_>], delivery: &Delivery<'_>) -> Vec<Part> {
    let mut parts: BTreeMap<(Player, u32), Vec<&Member<'_>>> = BTreeMap::new();
    for member in members {
        if let (Some(player), Some(measures)) = (player(member.family), member.measures()) {
            parts.entry((player, measures.target_hz)).or_default().push(member);
        }
    }
    let parts: Vec<PartMembers<'_>> = parts.into_iter().collect();
    parts.par_iter().map(|((player, _), members)| part(*player, members, delivery)).collect()
}

/// What is listened to, from the common start on: as much as a sketch has.
const MOST_SECONDS: f64 = 20.0 * 60.0;

/// Values that one thread measures at once: 40 s.
const PIECE: usize = 8000;

/// All values, so that a part that is alone does not keep a thread waiting.
fn flux(meter: &FluxMeter<'_>) -> Flux {
    let starts: Vec<usize> = (0..meter.values()).step_by(PIECE).collect();
    let end = |start: usize| (start + PIECE).min(meter.values());
    let pieces: Vec<Flux> = starts.par_iter().map(|&start| meter.measure(start..end(start))).collect();
    let mut whole = Flux::default();
    for piece in pieces {
        whole.append(piece);
    }
    whole
}

fn part(player: Player, members: &[&Member<'_>], delivery: &Delivery<'_>) -> Part {
    let mut mix: Vec<f32> = Vec::new();
    let mut sample_hz = 1.0;
    let mut piece = vec![0.0; 1 << 14];
    for member in members {
        let Some(sketch) = delivery.sketch(member.survey) else { continue };
        sample_hz = sketch.sample_hz();
        let late = (member.start_seconds * sample_hz).round() as i64;
        let end = (late + sketch.samples() as i64).clamp(0, (MOST_SECONDS * sample_hz) as i64) as usize;
        mix.resize(mix.len().max(end), 0.0);
        for from in (0..end).step_by(piece.len()) {
            if sketch.read(from as i64 - late, &mut piece) {
                for (sum, sample) in mix[from..end].iter_mut().zip(&piece) {
                    *sum += sample;
                }
            }
        }
    }
    let flux = flux(&FluxMeter::new(&mix, sample_hz));
    Part::of(player, &flux.all, &flux.low, FLUX_HZ)
}
