//! A tempo that moves, followed window by window: within one, even a glide is nearly a grid. How it is counted is decided once,
//! in the window that is heard best, and its neighbours count on from there. Knows nothing of how onsets were picked.

use super::level;
use super::onset::Part;
use super::pulse::{self, Event, Locked};

/// A stretch of one tempo.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// From when on.
    pub seconds: f64,
    /// Beats a minute.
    pub bpm: f64,
}

/// Windows in which a moving tempo is followed.
const WINDOW_SECONDS: f64 = 20.0;

/// Fewer onsets in a window show no tempo.
const LEAST_ONSETS: usize = 16;

/// A sum of random directions exceeds this many times its usual length once in 10⁸ (Rayleigh: e^−x²).
const BEYOND_CHANCE: f64 = 4.3;

/// Candidates that are tried in a window.
const TRIED: usize = 6;

/// Another pulse of a window is taken where it goes on from the window before and fits at least this part as well.
const AS_GOOD: f64 = 0.8;

/// Windows that show a tempo, as a part of those with enough onsets: by judgement.
const LEAST_TOLD: f64 = 0.66;

/// From one window to the next a tempo may jump by more than this a few times; more often it is no tempo. By judgement.
const JUMP: f64 = 0.08;
const MOST_JUMPS: f64 = 0.25;

/// Neighbouring windows have one tempo up to this share.
const SAME_STEP: f64 = 0.006;

/// What one window shows.
struct Window {
    seconds: f64,
    /// Its pulses; the one that fits best first.
    pulses: Vec<Locked>,
}

/// A tempo that is off by more than this in two windows or more has left a grid that others stand on.
const OFF: f64 = 0.02;
const LEAST_OFF: usize = 2;

/// Follows the tempo; neighbours with one tempo are one step. `None` where too few windows show one, where it jumps about,
/// or where it does not move. `events` are in the order of time.
pub(super) fn follow(parts: &[Part], events: &[Event]) -> Option<Vec<Step>> {
    steps(&beats(parts, events)?)
}

/// The same of a tempo that holds for a part of the time: nothing where hardly any window leaves it.
pub(super) fn follow_from_grid(parts: &[Part], events: &[Event]) -> Option<Vec<Step>> {
    let beats = beats(parts, events)?;
    let near = |a: f64, b: f64| libm::log(a / b).abs() <= OFF;
    let alike = |at: &usize| beats.iter().filter(|(_, beat)| near(*beat, beats[*at].1)).count();
    let most = (0..beats.len()).map(|at| alike(&at)).max()?;
    (beats.len() - most >= LEAST_OFF).then(|| steps(&beats))?
}

/// Where windows begin, and the beat of each.
fn beats(parts: &[Part], events: &[Event]) -> Option<Vec<(f64, f64)>> {
    let (windows, all) = windows(events);
    if windows.len() < 2 || (windows.len() as f64) < LEAST_TOLD * all as f64 {
        return None;
    }
    let heard = |at: &usize| windows[*at].pulses[0].beyond_chance;
    let anchor = (0..windows.len()).max_by(|a, b| heard(a).total_cmp(&heard(b)))?;
    let mut beats = vec![0.0; windows.len()];
    beats[anchor] = counted(parts, &windows[anchor]);
    for at in anchor + 1..windows.len() {
        beats[at] = windows[at].beat_near(beats[at - 1]);
    }
    for at in (0..anchor).rev() {
        beats[at] = windows[at].beat_near(beats[at + 1]);
    }
    let jumps = beats.windows(2).filter(|pair| libm::log(pair[1] / pair[0]).abs() > JUMP).count();
    if jumps as f64 > (MOST_JUMPS * (beats.len() - 1) as f64).max(1.0) {
        return None;
    }
    Some(windows.iter().map(|window| window.seconds).zip(beats).collect())
}

fn steps(beats: &[(f64, f64)]) -> Option<Vec<Step>> {
    let mut steps: Vec<Step> = Vec::new();
    for &(seconds, beat) in beats {
        let bpm = 60.0 / beat;
        if steps.last().is_none_or(|step| (step.bpm / bpm - 1.0).abs() > SAME_STEP) {
            steps.push(Step { seconds, bpm });
        }
    }
    (steps.len() > 1).then_some(steps)
}

/// The windows that show a tempo, and how many have onsets enough for one.
fn windows(events: &[Event]) -> (Vec<Window>, usize) {
    let last = events.last().map_or(0.0, |event| event.seconds);
    let (mut windows, mut all) = (Vec::new(), 0);
    for window in 0..(last / WINDOW_SECONDS).ceil() as usize {
        let seconds = window as f64 * WINDOW_SECONDS;
        let at = |seconds: f64| events.partition_point(|event| event.seconds < seconds);
        let inside = &events[at(seconds)..at(seconds + WINDOW_SECONDS)];
        if inside.len() < LEAST_ONSETS {
            continue;
        }
        all += 1;
        let found =
            pulse::candidates(inside, TRIED).into_iter().filter_map(|period| pulse::lock(inside, period));
        let mut pulses: Vec<Locked> = found.filter(|locked| locked.beyond_chance >= BEYOND_CHANCE).collect();
        pulses.sort_by(|a, b| b.fit.total_cmp(&a.fit));
        if !pulses.is_empty() {
            windows.push(Window { seconds, pulses });
        }
    }
    (windows, all)
}

impl Window {
    /// The beat that goes on from the window before: counted as there, by twos.
    fn beat_near(&self, near: f64) -> f64 {
        let beat = |locked: &Locked| locked.period / libm::exp2(libm::log2(locked.period / near).round());
        let apart = |beat: &f64| libm::log(beat / near).abs();
        let good = self.pulses.iter().filter(|pulse| pulse.fit >= AS_GOOD * self.pulses[0].fit);
        good.map(beat).min_by(|a, b| apart(a).total_cmp(&apart(b))).unwrap_or(near)
    }
}

/// How the pulse of a window is counted, by the onsets within it.
fn counted(parts: &[Part], window: &Window) -> f64 {
    let inside = window.seconds..window.seconds + WINDOW_SECONDS;
    let within = |part: &Part| {
        let onsets = part.onsets.iter().filter(|onset| inside.contains(&onset.seconds)).copied().collect();
        Part { onsets, ..part.clone() }
    };
    let parts: Vec<Part> = parts.iter().map(within).collect();
    let period = window.pulses[0].period;
    level::count(&parts, &[period]).map_or(period, |(best, _)| best.beat)
}
