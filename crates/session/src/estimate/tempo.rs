//! The tempo, from the times of onsets: candidates (`pulse`), the fit over the whole length (`grid`), how it is counted
//! (`level`). What is not sure is said, and a tempo that moves is no single tempo.

use super::grid::{self, Grid};
use super::level::{self, Counted};
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

/// The least part of the onsets on the grid of a sure tempo.
const SURE_SHARE: f64 = 0.5;

/// A sure tempo is known to this, as one standard deviation.
const SURE_BPM: f64 = 0.02;

/// Windows in which a moving tempo is followed.
const WINDOW_SECONDS: f64 = 20.0;

/// Neighbouring windows have one tempo up to this share.
const SAME_STEP: f64 = 0.006;

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

/// A stretch of one tempo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// From when on.
    pub seconds: f64,
    /// Beats a minute.
    pub bpm: f64,
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
    let Some((locked, grid)) = fits.iter().max_by(|a, b| worth(a).total_cmp(&worth(b))) else {
        return TempoVerdict::Unknown("the onsets repeat at no distance".to_owned());
    };
    if locked.beyond_chance < BEYOND_CHANCE {
        return TempoVerdict::Unknown("the onsets fit a grid no better than chance".to_owned());
    }
    if grid.steady < STEADY.0 {
        let steps = steps(&events, grid.period);
        if steps.len() > 1 {
            return TempoVerdict::Moving(steps);
        }
        let why = format!(
            "the onsets fit no grid: {:.0} % of the windows of 10 s stand on the best one",
            100.0 * grid.steady
        );
        return TempoVerdict::Unknown(why);
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
    let precise = uncertainty_bpm <= SURE_BPM && grid.share >= SURE_SHARE && grid.steady >= STEADY.1;
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

/// The first onset of all parts, in seconds.
pub(super) fn first_onset(parts: &[Part]) -> f64 {
    let first = parts.iter().filter_map(|part| part.onsets.first()).map(|onset| onset.seconds);
    first.reduce(f64::min).unwrap_or(0.0)
}

/// Follows a tempo that moves, window by window; neighbours with one tempo are one step.
fn steps(events: &[Event], period: f64) -> Vec<Step> {
    let last = events.last().map_or(0.0, |event| event.seconds);
    let mut steps: Vec<Step> = Vec::new();
    let mut near = period;
    let windows = (last / WINDOW_SECONDS).ceil() as usize;
    for window in 0..windows {
        let from = window as f64 * WINDOW_SECONDS;
        let first = events.partition_point(|event| event.seconds < from);
        let end = events.partition_point(|event| event.seconds < from + WINDOW_SECONDS);
        let inside = &events[first..end];
        if inside.len() < LEAST_ONSETS {
            continue;
        }
        let locked = pulse::candidates(inside, 1).first().and_then(|found| pulse::lock(inside, *found));
        let Some(locked) = locked.filter(|locked| locked.beyond_chance >= BEYOND_CHANCE) else { continue };
        // Counted as the window before.
        let octaves = (locked.period / near).log2().round();
        near = locked.period / octaves.exp2();
        let bpm = 60.0 / near;
        if steps.last().is_none_or(|step| (step.bpm / bpm - 1.0).abs() > SAME_STEP) {
            steps.push(Step { seconds: from, bpm });
        }
    }
    steps
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_pulse_is_counted_in_several_ways() {
        assert!(is_same_pulse(140.0, 70.02) && is_same_pulse(60.0, 90.0) && is_same_pulse(92.0, 92.0));
        assert!(!is_same_pulse(92.0, 92.4) && !is_same_pulse(120.0, 128.0));
    }
}
