//! The tempo, from the times of onsets: candidates (`pulse`), the fit over the whole length (`grid`), how it is counted
//! (`level`). What is not sure is said, and a tempo that moves is no single tempo. Knows nothing of how onsets were
//! picked.

use super::grid::{self, Grid};
use super::level::{self, Counted};
use super::moving::{self, Step};
use super::onset::{Onset, Part};
use super::pulse::{self, Event, Locked};

/// Two tempi are one up to this share: a quarter of a second in four minutes. Common practice, no source.
const SAME_TEMPO: f64 = 0.001;

/// Ways to count one pulse: twice, half, three times, a third, and dotted.
const LEVELS: &[f64] = &[1.0, 2.0, 0.5, 4.0, 0.25, 3.0, 1.0 / 3.0, 1.5, 2.0 / 3.0];

/// Whether two tempi in beats a minute are the same pulse, however it is counted.
pub fn is_same_pulse(first: f64, second: f64) -> bool {
    LEVELS.iter().any(|level| (first * level / second - 1.0).abs() <= SAME_TEMPO)
}

/// Fewer onsets show no tempo.
const LEAST_ONSETS: usize = 16;

/// A sum of random directions exceeds this many times its usual length once in 10⁸ (Rayleigh: e^−x²); some thousands are
/// tried.
const BEYOND_CHANCE: f64 = 4.3;

/// Candidates that are tried over the whole length.
const TRIED: usize = 6;

/// A pulse is looked at when its fit is worth at least this part of the best one's.
const PULSE: f64 = 0.5;

/// The least part of the windows on the grid, for a tempo at all and for a sure one.
const STEADY: (f64, f64) = (0.6, 0.85);

/// The least part of the onsets that lies on a grid: between its rows there is room for a third by chance.
const LEAST_SHARE: f64 = 0.5;

/// A sure tempo is known to this, as one standard deviation.
const SURE_BPM: f64 = 0.02;

/// What is known beside the onsets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Known<'a> {
    /// Felt beats of a bar; the common four where nothing is stated.
    pub beats: usize,
    /// The stated tempo in felt beats a minute: bars are counted as it says, where it is the same pulse.
    pub bpm: Option<f64>,
    /// When stems without voices begin to play, in seconds.
    pub entries: &'a [f64],
}

/// A steady tempo.
#[derive(Debug, Clone, PartialEq)]
pub struct Tempo {
    /// Beats a minute.
    pub bpm: f64,
    /// Standard deviation of that.
    pub uncertainty_bpm: f64,
    /// Another way to count the pulse that is nearly as likely.
    pub or_bpm: Option<f64>,
    /// Whether it is sure: precise, steady, and counted in one way.
    pub sure: bool,
    /// How many onsets lie on its grid.
    pub onsets: usize,
    /// Which part of the weight of all onsets that is, 0 to 1.
    pub share: f64,
    /// Standard deviation of the onsets around the grid, in seconds.
    pub spread: f64,
    /// Which part of the windows of 10 s stands on the grid, 0 to 1.
    pub steady: f64,
    /// The first downbeat that is played, in seconds.
    pub downbeat: f64,
    /// Whether that is sure.
    pub downbeat_sure: bool,
    /// Seconds of a bar.
    pub bar: f64,
}

/// What the onsets show.
#[derive(Debug, Clone, PartialEq)]
pub enum TempoVerdict {
    /// One tempo.
    Steady(Tempo),
    /// A tempo that moves; the steps are those of windows of 20 s.
    Moving(Vec<Step>),
    /// None, and why.
    Unknown(String),
}

/// Judges the tempo of all parts of a delivery.
pub fn judge_tempo(parts: &[Part], known: &Known<'_>) -> TempoVerdict {
    let events = events(parts);
    if events.len() < LEAST_ONSETS {
        return TempoVerdict::Unknown(format!(
            "there are {} clear onsets, and it takes {LEAST_ONSETS}",
            events.len()
        ));
    }
    let fits = fits(parts, &events);
    let worth = |fit: &(Locked, Grid)| fit.0.strength * fit.1.share * fit.1.steady;
    // A tempo that moves fits no grid over the whole length, and a good one for a while.
    let moving =
        |why: String| moving::follow(parts, &events).map_or(TempoVerdict::Unknown(why), TempoVerdict::Moving);
    let Some((locked, grid)) = fits.iter().max_by(|a, b| worth(a).total_cmp(&worth(b))) else {
        return moving("the onsets repeat at no distance".to_owned());
    };
    if locked.beyond_chance < BEYOND_CHANCE {
        return moving("the onsets fit a grid no better than chance".to_owned());
    }
    if grid.steady < STEADY.0 || grid.share < LEAST_SHARE {
        let why = format!(
            "the onsets fit no grid: {:.0} % of them lie on the best one, and it holds in {:.0} % of the windows of 10 s",
            100.0 * grid.share,
            100.0 * grid.steady
        );
        return moving(why);
    }
    if grid.steady < STEADY.1
        && let Some(steps) = moving::follow_from_grid(parts, &events)
    {
        return TempoVerdict::Moving(steps);
    }
    // Pulses that fit nearly as well as the best one: which of them is the beat is another question.
    let pulses: Vec<f64> = fits
        .iter()
        .filter(|fit| worth(fit) > PULSE * worth(&(*locked, grid.clone())))
        .map(|fit| fit.1.period)
        .collect();
    let counted = level::count(parts, &pulses).and_then(|(mut best, second)| {
        let grid = grid::fit(parts, best.beat)?;
        best.beat = grid.period;
        Some(tempo(parts, &grid, best, second, known))
    });
    counted.map_or_else(
        || TempoVerdict::Unknown("the pulse is no tempo that music has".to_owned()),
        TempoVerdict::Steady,
    )
}

fn tempo(parts: &[Part], grid: &Grid, best: Counted, second: Option<Counted>, known: &Known<'_>) -> Tempo {
    let bpm = 60.0 / best.beat;
    let uncertainty_bpm = bpm * grid.uncertainty / grid.period;
    let precise = uncertainty_bpm <= SURE_BPM && grid.share >= LEAST_SHARE && grid.steady >= STEADY.1;
    let as_stated = known.bpm.filter(|stated| is_same_pulse(*stated, bpm)).map(|stated| {
        let level = LEVELS
            .iter()
            .min_by(|a, b| (bpm * **a / stated - 1.0).abs().total_cmp(&(bpm * **b / stated - 1.0).abs()));
        level::counted(parts, best.beat / level.copied().unwrap_or(1.0))
    });
    let counted = as_stated.unwrap_or(best);
    let bars = level::bars(parts, &counted, known.beats, known.entries);
    Tempo {
        bpm,
        uncertainty_bpm,
        or_bpm: second.map(|second| 60.0 / second.beat),
        sure: precise && second.is_none(),
        onsets: grid.onsets,
        share: grid.share,
        spread: grid.spread,
        steady: grid.steady,
        downbeat: bars.downbeat,
        downbeat_sure: precise && bars.clear >= level::CLEAR && (second.is_none() || as_stated.is_some()),
        bar: counted.beat * known.beats as f64,
    }
}

/// All onsets that say something, in the order of time.
fn events(parts: &[Part]) -> Vec<Event> {
    let event = |part: &Part| -> Vec<Event> {
        let of = |onset: &Onset| Event { seconds: onset.seconds, weight: part.weight(onset) };
        part.onsets.iter().map(of).collect()
    };
    let mut events: Vec<Event> = parts.iter().flat_map(event).filter(|event| event.weight > 0.0).collect();
    events.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    events
}

/// Pulses that may hold over the whole length.
fn fits(parts: &[Part], events: &[Event]) -> Vec<(Locked, Grid)> {
    let fit = |candidate| {
        let locked = pulse::lock(events, candidate)?;
        Some((locked, grid::fit(parts, locked.period)?))
    };
    pulse::candidates(events, TRIED).into_iter().filter_map(fit).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::estimate::onset::Player;

    const KNOWN: Known<'_> = Known { beats: 4, bpm: None, entries: &[] };

    /// Up to 7 ms early or late.
    fn human(n: usize) -> f64 {
        ((n * n * 7919 + n * 104_729) % 1000) as f64 / 1000.0 * 0.014 - 0.007
    }

    fn part(player: Player, times: impl Iterator<Item = f64>) -> Part {
        let times = times.enumerate();
        let onsets = times.map(|(n, at)| Onset { seconds: at + human(n), strength: 1.0, low: 0.3 }).collect();
        Part { player, onsets, sharpness: 1.0 }
    }

    /// Kick on one and three, snare on two and four, hats in eighths, from `from` seconds on.
    fn rock(bpm: f64, from: f64, bars: usize) -> Vec<Part> {
        let at = move |beats: f64| from + beats * 60.0 / bpm;
        let every = |first: f64, step: f64| {
            (0..)
                .map(move |n| first + step * f64::from(n))
                .take_while(move |b| *b < 4.0 * bars as f64)
                .map(at)
        };
        vec![
            part(Player::Kick, every(0.0, 2.0)),
            part(Player::Snare, every(1.0, 2.0)),
            part(Player::Kit, every(0.0, 0.5)),
            part(Player::Chords, every(0.0, 4.0)),
        ]
    }

    fn joined(mut first: Vec<Part>, second: Vec<Part>) -> Vec<Part> {
        for (part, more) in first.iter_mut().zip(second) {
            part.onsets.extend(more.onsets);
        }
        first
    }

    #[test]
    fn one_pulse_is_counted_in_several_ways() {
        assert!(is_same_pulse(140.0, 70.02) && is_same_pulse(60.0, 90.0) && is_same_pulse(92.0, 92.0));
        assert!(!is_same_pulse(92.0, 92.4) && !is_same_pulse(120.0, 128.0));
    }

    #[test]
    fn a_backbeat_says_tempo_and_bar() {
        for bpm in [63.21, 92.0, 127.77, 171.5] {
            let TempoVerdict::Steady(tempo) = judge_tempo(&rock(bpm, 1.3, 40), &KNOWN) else {
                panic!("{bpm}");
            };
            assert!((tempo.bpm - bpm).abs() < 0.01 && tempo.sure, "{bpm}: {tempo:?}");
            assert!((tempo.downbeat - 1.3).abs() < 0.01 && tempo.downbeat_sure, "{bpm}: {tempo:?}");
            assert!((tempo.bar - 240.0 / bpm).abs() < 0.001);
        }
    }

    /// Who states half of it counts in bars twice as long.
    #[test]
    fn bars_are_counted_as_stated() {
        let known = Known { bpm: Some(64.0), ..KNOWN };
        let TempoVerdict::Steady(tempo) = judge_tempo(&rock(128.0, 0.0, 40), &known) else { panic!() };
        assert!((tempo.bpm - 128.0).abs() < 0.01 && (tempo.bar - 240.0 / 64.0).abs() < 0.001, "{tempo:?}");
    }

    #[test]
    fn a_tempo_that_changes_is_no_single_tempo() {
        let parts = joined(rock(100.0, 0.0, 20), rock(130.0, 48.0, 26));
        let TempoVerdict::Moving(steps) = judge_tempo(&parts, &KNOWN) else {
            panic!("{:?}", judge_tempo(&parts, &KNOWN))
        };
        assert!((steps[0].bpm - 100.0).abs() < 0.5, "{steps:?}");
        let last = steps.last().unwrap().bpm;
        assert!((last - 130.0).abs() < 0.7, "{steps:?}");
    }

    /// From 110 to 118 BPM in two and a half minutes, as bands without a click do.
    #[test]
    fn a_tempo_that_drifts_is_no_single_tempo() {
        let drift = |at: f64| at - 0.0002 * at * at;
        let mut parts = rock(110.0, 0.0, 70);
        for onset in parts.iter_mut().flat_map(|part| &mut part.onsets) {
            onset.seconds = drift(onset.seconds);
        }
        assert!(matches!(judge_tempo(&parts, &KNOWN), TempoVerdict::Moving(steps) if steps.len() > 2));
    }

    /// A song whose tempo goes in a straight line from one to another in so many seconds, and keeps the last.
    fn glide(from: f64, to: f64, rest: (f64, f64), seconds: f64) -> Vec<Part> {
        let (before, after) = rest;
        // Beats at a time, and back by bisection.
        let beats = |at: f64| {
            let inside = (at - before).clamp(0.0, seconds);
            let rise = (to - from) / seconds;
            (from * at.min(before)
                + from * inside
                + 0.5 * rise * inside * inside
                + to * (at - before - seconds).max(0.0))
                / 60.0
        };
        let end = before + seconds + after;
        let when = |beat: f64| {
            let (mut low, mut high) = (0.0, end);
            for _ in 0..50 {
                let middle = 0.5 * (low + high);
                if beats(middle) < beat { low = middle } else { high = middle }
            }
            low
        };
        let last = beats(end);
        let every = |first: f64, step: f64| {
            (0..).map(move |n| first + step * f64::from(n)).take_while(move |b| *b < last).map(when)
        };
        vec![
            part(Player::Kick, every(0.0, 2.0)),
            part(Player::Snare, every(1.0, 2.0)),
            part(Player::Kit, every(0.0, 0.5)),
            part(Player::Chords, every(0.0, 4.0)),
        ]
    }

    /// A glide is followed and counted as it is played, whether or not the song holds a tempo before and behind it: each step
    /// is the tempo in the middle of its window.
    #[test]
    fn a_glide_is_listed_as_changes() {
        for (from, to) in [(100.0, 120.0), (120.0, 100.0), (140.0, 170.0), (60.0, 75.0)] {
            for (seconds, rest) in [(120.0, 0.0), (180.0, 0.0), (240.0, 0.0), (60.0, 60.0), (120.0, 60.0)] {
                let verdict = judge_tempo(&glide(from, to, (rest, rest), seconds), &KNOWN);
                let TempoVerdict::Moving(steps) = verdict else {
                    panic!("{from} {to} {seconds} {rest}: {verdict:?}")
                };
                assert!(steps.len() > 3, "{steps:?}");
                for step in steps {
                    let middle = (step.seconds + 10.0 - rest).clamp(0.0, seconds);
                    let bpm = from + (to - from) * middle / seconds;
                    assert!(
                        (step.bpm / bpm - 1.0).abs() < 0.02,
                        "{from} {to} {seconds} {rest}: {step:?}, {bpm}"
                    );
                }
            }
        }
    }

    #[test]
    fn without_a_pulse_there_is_no_tempo() {
        let few = part(Player::Kit, (0..9).map(|n| 0.5 * f64::from(n)));
        assert!(matches!(judge_tempo(&[few], &KNOWN), TempoVerdict::Unknown(_)));
        assert!(matches!(judge_tempo(&[], &KNOWN), TempoVerdict::Unknown(_)));
        // Speech: syllables at no fixed distance (a linear congruential generator of Numerical Recipes).
        let mut state = 1u32;
        let speech = (0..400).scan(0.0, |at, _| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *at += 0.1 + 0.5 * f64::from(state >> 8) / f64::from(1 << 24);
            Some(*at)
        });
        let verdict = judge_tempo(&[part(Player::Unknown, speech)], &KNOWN);
        assert!(!matches!(&verdict, TempoVerdict::Steady(tempo) if tempo.sure), "{verdict:?}");
        assert!(!matches!(verdict, TempoVerdict::Moving(_)), "{verdict:?}");
    }
}
