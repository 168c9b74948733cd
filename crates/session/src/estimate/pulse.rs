//! The pulse: candidates from the distances between onsets, then the one period that fits the whole length.
//!
//! Distances between onsets, near and far, in one histogram (Dixon, "Automatic extraction of tempo and beat from expressive
//! performances", Journal of New Music Research 30, 2001); a comb over its multiples (as Scheirer, "Tempo and beat analysis
//! of acoustic musical signals", JASA 103, 1998); and the perceptual weight of a beat's length, a bell on a logarithmic
//! axis around 120 BPM (Ellis, "Beat tracking by dynamic programming", Journal of New Music Research 36, 2007), as wide as
//! Parncutt, "A perceptual model of pulse salience and metrical accent", Music Perception 11, 1994, has it (0.2 decades). All
//! from memory.
//!
//! Knows nothing of beats and bars.

use std::f64::consts::TAU;

/// An onset as the pulse sees it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Event {
    pub(super) seconds: f64,
    pub(super) weight: f64,
}

/// Longest distance that is counted.
const REACH_SECONDS: f64 = 6.0;

/// Width of a bin.
const BIN_SECONDS: f64 = 0.005;

/// Onsets are played and found within about this, in bins.
const BLUR_BINS: f64 = 2.0;

/// Beats that music has.
const LEAST_BPM: f64 = 50.0;
const MOST_BPM: f64 = 220.0;

/// The bell of the beat's length.
const USUAL_BPM: f64 = 120.0;
const BELL_OCTAVES: f64 = 0.7;

/// Harmonics of the beat in which the fit over the whole length looks: down to a sixteenth note.
const HARMONICS: usize = 4;

/// How far around a candidate the fit looks.
const SEARCH: f64 = 0.006;

/// How usual a beat of this length is, 0 to 1.
pub(super) fn usual(bpm: f64) -> f64 {
    libm::exp(-0.5 * (libm::log2(bpm / USUAL_BPM) / BELL_OCTAVES).powi(2))
}

/// The likeliest periods in seconds, the best one first; `events` are in the order of time.
pub(super) fn candidates(events: &[Event], most: usize) -> Vec<f64> {
    let distances = distances(events);
    // Steps of 0.2 %: at the far end of the reach that is one bin.
    let steps = (libm::log(MOST_BPM / LEAST_BPM) / 0.002) as usize;
    let periods: Vec<f64> =
        (0..=steps).map(|step| 60.0 / MOST_BPM * libm::exp(0.002 * step as f64)).collect();
    let scores: Vec<f64> =
        periods.iter().map(|period| comb(&distances, *period) * usual(60.0 / period)).collect();
    let mut best: Vec<usize> =
        (1..steps).filter(|&k| scores[k] > scores[k - 1] && scores[k] >= scores[k + 1]).collect();
    best.retain(|k| scores[*k] > 0.0);
    best.sort_by(|a, b| scores[*b].total_cmp(&scores[*a]));
    let mut kept: Vec<f64> = Vec::new();
    for period in best.into_iter().map(|k| periods[k]) {
        if kept.len() < most && kept.iter().all(|other| (period / other - 1.0).abs() > 0.03) {
            kept.push(period);
        }
    }
    kept
}

/// How often each distance occurs beyond what chance would give.
fn distances(events: &[Event]) -> Vec<f64> {
    let bins = (REACH_SECONDS / BIN_SECONDS) as usize;
    let mut counts = vec![0.0; bins + 2];
    for (index, first) in events.iter().enumerate() {
        for second in &events[index + 1..] {
            let at = (second.seconds - first.seconds) / BIN_SECONDS;
            if at >= bins as f64 {
                break;
            }
            let (bin, part) = (at as usize, at.fract());
            let weight = first.weight * second.weight;
            counts[bin] += weight * (1.0 - part);
            counts[bin + 1] += weight * part;
        }
    }
    let blurred = blurred(&counts);
    // Chance: the mean of half a second around.
    let around = (0.25 / BIN_SECONDS) as usize;
    let mean = |at: usize| {
        let part = &blurred[at.saturating_sub(around)..(at + around + 1).min(blurred.len())];
        part.iter().sum::<f64>() / part.len() as f64
    };
    (0..=bins).map(|at| blurred[at] - mean(at)).collect()
}

fn blurred(counts: &[f64]) -> Vec<f64> {
    let reach = (3.0 * BLUR_BINS) as i64;
    let bell: Vec<f64> = (-reach..=reach).map(|n| libm::exp(-0.5 * (n as f64 / BLUR_BINS).powi(2))).collect();
    let value = |at: i64| usize::try_from(at).ok().and_then(|at| counts.get(at)).copied().unwrap_or(0.0);
    (0..counts.len() as i64)
        .map(|at| (-reach..=reach).zip(&bell).map(|(n, bell)| bell * value(at + n)).sum())
        .collect()
}

/// The mean of the histogram at the multiples of a period.
fn comb(distances: &[f64], period: f64) -> f64 {
    let multiples = (REACH_SECONDS / period) as usize;
    let value = |multiple: usize| {
        let at = multiple as f64 * period / BIN_SECONDS;
        let (bin, part) = (at as usize, at.fract());
        match (distances.get(bin), distances.get(bin + 1)) {
            (Some(a), Some(b)) => a * (1.0 - part) + b * part,
            _ => 0.0,
        }
    };
    (1..=multiples).map(value).sum::<f64>() / multiples.max(1) as f64
}

/// A period that fits a stretch of time as a whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Locked {
    pub(super) period: f64,
    /// Strength of the period's best harmonic: 1 where every onset lies on one grid.
    pub(super) strength: f64,
    /// The sum of the squares of the strengths of all harmonics: what a third or two thirds of the beat lack.
    pub(super) fit: f64,
    /// How far above chance the best one is: onsets without a pulse stay below about 4.
    pub(super) beyond_chance: f64,
}

/// Searches around a candidate for the period in which all events are in phase over their whole length.
pub(super) fn lock(events: &[Event], candidate: f64) -> Option<Locked> {
    let (first, last) = (events.first()?.seconds, events.last()?.seconds);
    let span = (last - first).max(candidate);
    // The highest harmonic turns by an eighth over half the span from one step to the next.
    let step = 1.0 / (4.0 * HARMONICS as f64 * span);
    let centre = 1.0 / candidate;
    let around = (SEARCH * centre / step).ceil().max(4.0) as i64;
    let from = centre - around as f64 * step;
    let middle = 0.5 * (first + last);
    let mut phasors: Vec<Phasor> =
        events.iter().map(|event| Phasor::new(event, middle, from, step)).collect();
    let scores: Vec<[f64; HARMONICS]> = (0..=2 * around).map(|_| strengths(&mut phasors)).collect();
    let total = |at: usize| scores[at].iter().map(|x| x * x).sum::<f64>();
    let best = (0..scores.len()).max_by(|a, b| total(*a).total_cmp(&total(*b)))?;
    let (before, after) = (total(best.saturating_sub(1)), total((best + 1).min(scores.len() - 1)));
    let bend = before - 2.0 * total(best) + after;
    let part = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let weight: f64 = events.iter().map(|event| event.weight).sum();
    let squares: f64 = events.iter().map(|event| event.weight * event.weight).sum();
    let fit = total(best) / (weight * weight);
    let strength = scores[best].iter().copied().fold(0.0, f64::max) / weight;
    let period = 1.0 / (from + (best as f64 + part) * step);
    Some(Locked { period, strength, fit, beyond_chance: strength * weight / squares.sqrt() })
}

/// An event turned by the frequency that is tried.
struct Phasor {
    weight: f64,
    now: (f64, f64),
    step: (f64, f64),
}

impl Phasor {
    fn new(event: &Event, middle: f64, from_hz: f64, step_hz: f64) -> Self {
        let turn = |hz: f64| {
            let (sin, cos) = libm::sincos(-TAU * hz * (event.seconds - middle));
            (cos, sin)
        };
        Self { weight: event.weight, now: turn(from_hz), step: turn(step_hz) }
    }
}

fn times(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// The magnitude of every harmonic's sum; then the phasors turn on by a step.
fn strengths(phasors: &mut [Phasor]) -> [f64; HARMONICS] {
    let mut sums = [(0.0, 0.0); HARMONICS];
    for phasor in phasors {
        let mut power = phasor.now;
        for sum in &mut sums {
            sum.0 += phasor.weight * power.0;
            sum.1 += phasor.weight * power.1;
            power = times(power, phasor.now);
        }
        phasor.now = times(phasor.now, phasor.step);
    }
    sums.map(|sum| libm::hypot(sum.0, sum.1))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clicks(period: f64, count: usize) -> Vec<Event> {
        (0..count).map(|n| Event { seconds: 0.37 + period * n as f64, weight: 1.0 }).collect()
    }

    #[test]
    fn a_click_is_found_and_locked() {
        for bpm in [61.3, 97.0, 120.0, 174.99] {
            let events = clicks(60.0 / bpm, 200);
            let found = candidates(&events, 3)[0];
            let locked = lock(&events, found).unwrap();
            // A click says nothing of how it is counted.
            let counted = 60.0 / locked.period / bpm;
            let counted = counted / libm::exp2(libm::log2(counted).round());
            assert!((counted - 1.0).abs() < 1e-4, "{bpm}: {}", 60.0 / locked.period);
            assert!(locked.strength > 0.99);
        }
    }

    #[test]
    fn chance_is_no_pulse() {
        // The golden ratio's multiples spread evenly and repeat nothing.
        let at = |n: usize| (n as f64 * 0.618_033_988_75).fract() * 120.0;
        let mut events: Vec<Event> = (0..400).map(|n| Event { seconds: at(n), weight: 1.0 }).collect();
        events.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
        let jitter = |k: usize| ((k * k * 7919) % 1000) as f64 / 1000.0;
        for (k, event) in events.iter_mut().enumerate() {
            event.seconds += jitter(k);
        }
        events.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
        let locked = candidates(&events, 1).first().and_then(|found| lock(&events, *found));
        assert!(locked.is_none_or(|locked| locked.beyond_chance < 5.0), "{locked:?}");
    }
}
