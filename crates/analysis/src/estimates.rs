//! What the sound of all stems together says of the music, as facts beside the stated ones. An estimate never replaces a
//! statement and changes no audio: whatever is decided rests on stated facts alone.

use loadin_record::evidence::{DOWNBEAT, Estimates, SECTIONS, StemPlace, TEMPO};
use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::music::{Confidence, Fact, Facts, meters_of, words};
use loadin_session::Family;
use loadin_session::estimate::{
    Known, Presence, Tempo, TempoVerdict, is_same_pulse, judge_tempo, letter, sections as sections_of,
};
use loadin_session::facts::Meter;
use serde_json::{Value, json};

use crate::delivery::Delivery;
use crate::players::{Member, members, parts};

/// Listens to a delivery, of whose music `stated` is known.
pub(crate) fn estimate(delivery: &Delivery<'_>, places: &[StemPlace]) -> Estimates {
    let mut estimates = Estimates::default();
    let members = members(delivery, places);
    let heard: Vec<(&Member<'_>, Presence)> =
        members.iter().filter_map(|member| Some((member, member.presence()?))).collect();
    voices(&mut estimates, &heard);
    tempo(&mut estimates, &members, &heard, delivery);
    compare_tempo(&mut estimates, delivery.stated);
    estimates
}

/// When the lead vocal enters.
fn voices(estimates: &mut Estimates, heard: &[(&Member<'_>, Presence)]) {
    let leads = heard.iter().filter(|(member, _)| member.family == Family::LeadVocal);
    let mut entries: Vec<(f64, &str)> = leads
        .flat_map(|(member, presence)| {
            presence.entries().into_iter().map(|at| (at, member.survey.path.as_str()))
        })
        .collect();
    entries.sort_by(|a, b| a.0.total_cmp(&b.0));
    if !entries.is_empty() {
        let list = entries.iter().map(|(at, path)| json!({ "seconds": rounded(*at, 2), "name": path }));
        let source = "where stems named as lead vocals begin to sound after 4 s of rest, by their envelopes";
        estimates.put("vocal_entries_estimate", list.collect::<Value>(), true, source.to_owned());
    }
}

fn tempo(
    estimates: &mut Estimates,
    members: &[Member<'_>],
    heard: &[(&Member<'_>, Presence)],
    delivery: &Delivery<'_>,
) {
    let stated = delivery.stated;
    let meters = stated.get("meter").map_or(Vec::new(), |fact| meters_of(&fact.value));
    let felt = match meters[..] {
        [] => Some((4, 1.0)),
        [meter] => Meter::felt(meter),
        _ => None,
    };
    let (beats, quarters) = felt.unwrap_or((4, 1.0));
    let said = stated.get("tempo_bpm").and_then(|fact| fact.value.as_f64());
    let instruments = heard.iter().filter(|(member, _)| !member.is_voice());
    let entries: Vec<f64> = instruments.flat_map(|(_, presence)| presence.entries()).collect();
    let known = Known { beats, bpm: said.map(|bpm| bpm / quarters), entries: &entries };
    let parts = parts(members, delivery);
    let measured = format!("onsets of {} stems below 2.5 kHz", members.len());
    match judge_tempo(&parts, &known) {
        TempoVerdict::Steady(tempo) => {
            steady(estimates, &tempo, quarters, &measured);
            let meter = if meters.is_empty() { "four beats a bar assumed" } else { "meter as stated" };
            if felt.is_some() {
                downbeat(estimates, &tempo, meter);
                sections(estimates, &tempo, heard);
            }
        }
        TempoVerdict::Moving(steps) => {
            let list = steps.iter().map(
                |step| json!({ "seconds": rounded(step.seconds, 1), "bpm": rounded(step.bpm * quarters, 1) }),
            );
            let source =
                format!("{measured}: no grid holds over the whole length, so there is no single tempo");
            estimates.put("tempo_changes_estimate", list.collect::<Value>(), false, source);
        }
        TempoVerdict::Unknown(why) => estimates.put("tempo_estimate_declined", why, false, measured),
    }
}

fn steady(estimates: &mut Estimates, tempo: &Tempo, quarters: f64, measured: &str) {
    let digits = if tempo.uncertainty_bpm <= 0.02 { 2 } else { 1 };
    let doubt = match tempo.or_bpm {
        Some(or_bpm) => format!("; it may as well be counted as {:.2} BPM", or_bpm * quarters),
        None if tempo.sure => String::new(),
        None => "; that is too few or too loose to be sure".to_owned(),
    };
    let source = format!(
        "{measured}: {} on one grid ({:.0} % of their weight, ±{:.0} ms), which holds in {:.0} % of the windows of 10 s; \
         ±{:.3} BPM{doubt}",
        tempo.onsets,
        100.0 * tempo.share,
        1000.0 * tempo.spread,
        100.0 * tempo.steady,
        2.0 * tempo.uncertainty_bpm * quarters
    );
    estimates.put(TEMPO, rounded(tempo.bpm * quarters, digits), tempo.sure, source);
}

fn downbeat(estimates: &mut Estimates, tempo: &Tempo, meter: &str) {
    let doubt = if tempo.downbeat_sure { "" } else { "; another beat is nearly as likely" };
    let source = format!("kicks, snares, chords and entries on that grid, {meter}{doubt}");
    let value = rounded(tempo.downbeat, 3);
    estimates.put(DOWNBEAT, value, tempo.downbeat_sure, source);
}

fn sections(estimates: &mut Estimates, tempo: &Tempo, heard: &[(&Member<'_>, Presence)]) {
    let end =
        |presence: &Presence| presence.start_seconds + presence.power.len() as f64 * presence.window_seconds;
    let last = heard.iter().map(|(_, presence)| end(presence)).fold(0.0, f64::max);
    // The first bar line at or before the common start: a pickup belongs to the bar before.
    let first = tempo.downbeat - tempo.bar * (tempo.downbeat / tempo.bar).ceil();
    let bars = ((last - first) / tempo.bar).ceil() as usize;
    let presence: Vec<Vec<f64>> =
        heard.iter().map(|(_, presence)| presence.in_bars(first, tempo.bar, bars)).collect();
    let families: Vec<Family> = heard.iter().map(|(member, _)| member.family).collect();
    let found = sections_of(&presence, &parts_of_players(&families));
    if found.len() < 2 {
        return;
    }
    let list = found.iter().map(|section| {
        let seconds = first + tempo.bar * section.first_bar as f64;
        json!({ "seconds": rounded(seconds.max(0.0), 3), "name": letter(section.kind), "bars": section.bars })
    });
    let sure = tempo.downbeat_sure;
    let doubt = if sure { "" } else { "; where the bar begins is not sure" };
    let source = format!("who plays when, by the envelopes of {} stems, bar by bar{doubt}", heard.len());
    estimates.put(SECTIONS, list.collect::<Value>(), sure, source);
}

/// Asks about a stated tempo that is not the one that is heard. Twice or half of it is one pulse, counted otherwise.
fn compare_tempo(estimates: &mut Estimates, stated: &Facts) {
    let sure = |fact: &&Fact| fact.confidence == Confidence::Estimated;
    let heard = estimates.facts.get(TEMPO).filter(sure).and_then(|fact| fact.value.as_f64());
    let (Some(heard), Some(fact)) = (heard, stated.get("tempo_bpm")) else { return };
    let Some(said) = fact.value.as_f64().filter(|said| !is_same_pulse(*said, heard)) else { return };
    let (said, heard) = (words("tempo_bpm", &said.into()), words("tempo_bpm", &heard.into()));
    let text = format!("the tempo is stated as {said} ({}), but the stems sound like {heard}", fact.source);
    estimates.findings.push(Finding::new(Id::TempoDoubt, text).with("said", said).with("heard", heard));
}

/// Which part of a player each stem of these families is. A family is one player, and so is a drummer, however many
/// microphones they have; of stems whose names say nothing, each is taken for one.
fn parts_of_players(families: &[Family]) -> Vec<f64> {
    let with = |a: Family, b: Family| a == b || (a.is_of_kit() && b.is_of_kit());
    let part = |family: Family| match family {
        Family::Unsorted => 1.0,
        _ => 1.0 / families.iter().filter(|other| with(family, **other)).count() as f64,
    };
    families.iter().map(|family| part(*family)).collect()
}

#[cfg(test)]
mod tests {
    use loadin_record::music::bar_seconds;

    use super::*;

    fn findings(said: f64, heard: f64, sure: bool) -> usize {
        let mut stated = Estimates::default();
        stated.put("tempo_bpm", said, true, "a note".to_owned());
        let mut estimates = Estimates::default();
        estimates.put(TEMPO, heard, sure, String::new());
        compare_tempo(&mut estimates, &stated.facts);
        estimates.findings.len()
    }

    #[test]
    fn a_drummer_and_a_family_are_one_player_and_who_is_not_known_is_one_each() {
        use Family::{Bass, Guitar, Hat, Kick, Snare, Unsorted};
        let families = [Kick, Snare, Hat, Kick, Bass, Guitar, Guitar, Unsorted, Unsorted];
        let parts = parts_of_players(&families);
        assert_eq!(parts, [0.25, 0.25, 0.25, 0.25, 1.0, 0.5, 0.5, 1.0, 1.0]);
    }

    /// What is estimated decides nothing over audio.
    #[test]
    fn the_length_of_a_bar_comes_from_statements_alone() {
        let mut estimates = Estimates::default();
        estimates.put(TEMPO, 120.0, true, String::new());
        assert_eq!(bar_seconds(&estimates.facts), None);
    }

    #[test]
    fn only_a_sure_estimate_of_another_pulse_is_a_question() {
        assert_eq!(findings(120.0, 126.0, true), 1);
        assert_eq!(findings(120.0, 126.0, false), 0);
        assert_eq!(findings(120.0, 120.02, true), 0);
        assert_eq!(findings(140.0, 70.0, true), 0);
    }
}
