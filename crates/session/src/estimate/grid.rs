//! The grid that onsets lie on over the whole length: a straight line through the positions of all of them.
//!
//! Onsets of one part at one place of the beat are a row of their own, with a free place: a swung eighth and a drum that
//! speaks late do not bend the line. All rows share its slope, the period (least squares with a common slope, as in any
//! textbook on the analysis of covariance).
//!
//! Knows nothing of which multiple of the grid is felt as the beat.

use super::onset::Part;

/// A place within the beat where onsets of one part gather is found in a histogram of so many bins.
const BINS: usize = 48;

/// An onset belongs to a row within this of its place; in the last round within the second value. Common practice, no
/// source: players keep to about 10 ms.
const NEAR_SECONDS: (f64, f64) = (0.035, 0.02);
const ROUNDS: usize = 4;

/// A row has at least this part of its share if all onsets of the part were spread evenly over the bins.
const LEAST_PEAK: f64 = 2.0;

/// Windows that are looked at for themselves.
pub(super) const WINDOW_SECONDS: f64 = 10.0;
const LEAST_IN_WINDOW: usize = 8;

/// A window stands on the grid when its onsets are this near to it on the mean, and so many of them are near at all, as a
/// part of the usual: measured on synthesised songs and on tempo ramps.
const MOST_SHIFT_SECONDS: f64 = 0.012;
const LEAST_SHARE: f64 = 0.6;

/// The line through the onsets.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Grid {
    /// Seconds of a beat.
    pub(super) period: f64,
    /// Its standard deviation.
    pub(super) uncertainty: f64,
    /// Standard deviation of the onsets around their places, in seconds.
    pub(super) spread: f64,
    /// The part of the onsets' weight that lies on the grid, 0 to 1.
    pub(super) share: f64,
    /// How many onsets that is.
    pub(super) onsets: usize,
    /// The part of the windows that stand on the grid, 0 to 1.
    pub(super) steady: f64,
}

/// An onset in a row.
struct Placed {
    row: usize,
    beat: f64,
    seconds: f64,
    weight: f64,
}

/// Fits the grid around a period; `None` without onsets on it.
pub(super) fn fit(parts: &[Part], period: f64) -> Option<Grid> {
    let mut period = period;
    let mut result = None;
    for round in 0..ROUNDS {
        let near = if round + 1 < ROUNDS { NEAR_SECONDS.0 } else { NEAR_SECONDS.1 };
        let (placed, all) = place(parts, period, near);
        let line = line(&placed)?;
        period = line.period;
        let share = placed.iter().map(|at| at.weight).sum::<f64>() / all.max(f64::MIN_POSITIVE);
        let onsets = placed.len();
        let steady = steady(parts, &placed, &line, share);
        // Players who are early together are no independent witnesses.
        let players = parts.iter().filter(|part| part.sharpness > 0.0).count().max(1) as f64;
        let uncertainty = line.uncertainty * players.sqrt();
        result = Some(Grid { uncertainty, share, onsets, steady, ..line });
    }
    result
}

/// Puts onsets into rows; and the weight of all onsets, in rows or not.
fn place(parts: &[Part], period: f64, near: f64) -> (Vec<Placed>, f64) {
    let (mut placed, mut rows, mut all) = (Vec::new(), 0, 0.0);
    for part in parts {
        let places = places(part, period);
        for onset in &part.onsets {
            let weight = part.weight(onset);
            all += weight;
            let phase = (onset.seconds / period).fract();
            let off = |place: f64| (phase - place + 0.5).rem_euclid(1.0) - 0.5;
            let nearest =
                (0..places.len()).min_by(|a, b| off(places[*a]).abs().total_cmp(&off(places[*b]).abs()));
            let Some(row) = nearest.filter(|row| off(places[*row]).abs() * period < near) else { continue };
            let beat = (onset.seconds / period - places[row]).round();
            placed.push(Placed { row: rows + row, beat, seconds: onset.seconds, weight });
        }
        rows += places.len();
    }
    placed.retain(|at| at.weight > 0.0);
    (placed, all)
}

/// The places within the beat, 0 to 1, where the onsets of a part gather.
fn places(part: &Part, period: f64) -> Vec<f64> {
    let mut bins = vec![0.0; BINS];
    for onset in &part.onsets {
        let at = (onset.seconds / period).fract() * BINS as f64;
        let (bin, rest) = (at as usize, at.fract());
        let weight = part.weight(onset);
        bins[bin % BINS] += weight * (1.0 - rest);
        bins[(bin + 1) % BINS] += weight * rest;
    }
    let round = |k: usize, by: usize| (k + BINS + by - 2) % BINS;
    let blurred: Vec<f64> = (0..BINS)
        .map(|k| {
            let weights = [1.0, 4.0, 6.0, 4.0, 1.0];
            (0..5).map(|by| weights[by] * bins[round(k, by)]).sum::<f64>() / 16.0
        })
        .collect();
    let mean = blurred.iter().sum::<f64>() / BINS as f64;
    let is_peak = |k: &usize| {
        let (before, after) = (blurred[(k + BINS - 1) % BINS], blurred[(k + 1) % BINS]);
        blurred[*k] > before && blurred[*k] >= after && blurred[*k] > LEAST_PEAK * mean
    };
    (0..BINS).filter(is_peak).map(|k| centre(&blurred, k)).collect()
}

/// The summit of the parabola through a bin and its neighbours.
fn centre(bins: &[f64], k: usize) -> f64 {
    let (before, peak, after) = (bins[(k + BINS - 1) % BINS], bins[k], bins[(k + 1) % BINS]);
    let bend = before - 2.0 * peak + after;
    let part = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    ((k as f64 + part) / BINS as f64).rem_euclid(1.0)
}

/// Means of a row.
#[derive(Clone, Default)]
struct Row {
    weight: f64,
    beat: f64,
    seconds: f64,
}

/// The common slope of all rows.
fn line(placed: &[Placed]) -> Option<Grid> {
    let rows = means(placed);
    let (mut xx, mut xy) = (0.0, 0.0);
    for at in placed {
        let row = &rows[at.row];
        xx += at.weight * (at.beat - row.beat).powi(2);
        xy += at.weight * (at.beat - row.beat) * (at.seconds - row.seconds);
    }
    let period = if xx > 0.0 { xy / xx } else { return None };
    let (mut squares, mut weight, mut own) = (0.0, 0.0, 0.0);
    for at in placed {
        let row = &rows[at.row];
        let off = at.seconds - row.seconds - period * (at.beat - row.beat);
        squares += at.weight * off * off;
        weight += at.weight;
        own += at.weight * at.weight;
    }
    let variance = squares / weight;
    // Weighted onsets count as this many equal ones.
    let effective = weight * weight / own;
    let uncertainty = (variance / (xx * effective / weight)).sqrt();
    Some(Grid { period, uncertainty, spread: variance.sqrt(), share: 0.0, onsets: 0, steady: 0.0 })
}

fn means(placed: &[Placed]) -> Vec<Row> {
    let count = placed.iter().map(|at| at.row + 1).max().unwrap_or(0);
    let mut rows = vec![Row::default(); count];
    for at in placed {
        let row = &mut rows[at.row];
        row.weight += at.weight;
        row.beat += at.weight * at.beat;
        row.seconds += at.weight * at.seconds;
    }
    for row in rows.iter_mut().filter(|row| row.weight > 0.0) {
        row.beat /= row.weight;
        row.seconds /= row.weight;
    }
    rows
}

/// The part of the windows with enough onsets that stand on the grid.
fn steady(parts: &[Part], placed: &[Placed], line: &Grid, share: f64) -> f64 {
    let rows = means(placed);
    let window = |seconds: f64| (seconds.max(0.0) / WINDOW_SECONDS) as usize;
    let last = parts.iter().flat_map(|part| &part.onsets).map(|onset| window(onset.seconds)).max();
    let mut windows = vec![(0usize, 0.0, 0.0, 0.0); last.map_or(0, |last| last + 1)];
    for part in parts {
        for onset in &part.onsets {
            let window = &mut windows[window(onset.seconds)];
            window.0 += 1;
            window.1 += part.weight(onset);
        }
    }
    for at in placed {
        let row = &rows[at.row];
        let off = at.seconds - row.seconds - line.period * (at.beat - row.beat);
        let window = &mut windows[window(at.seconds)];
        window.2 += at.weight;
        window.3 += at.weight * off;
    }
    let told = windows.iter().filter(|window| window.0 >= LEAST_IN_WINDOW && window.1 > 0.0);
    let stands = |window: &&(usize, f64, f64, f64)| {
        window.2 > LEAST_SHARE * share * window.1 && (window.3 / window.2).abs() < MOST_SHIFT_SECONDS
    };
    let all = told.clone().count();
    if all == 0 { 0.0 } else { told.filter(stands).count() as f64 / all as f64 }
}

#[cfg(test)]
mod tests {
    use super::super::onset::{Onset, Player};
    use super::*;

    fn part(player: Player, times: impl Iterator<Item = f64>) -> Part {
        let onsets = times.map(|seconds| Onset { seconds, strength: 1.0, low: 0.5 }).collect();
        Part { player, onsets, sharpness: 1.0 }
    }

    fn jitter(n: usize) -> f64 {
        ((n * n * 7919 + n * 104_729) % 1000) as f64 / 1000.0 * 0.016 - 0.008
    }

    /// Swing, a late snare and 8 ms of human timing; the period is found to a hundredth of a beat a minute.
    #[test]
    fn swing_and_latency_do_not_bend_the_line() {
        let beat = 60.0 / 93.37;
        let hats =
            (0..600).map(|n| beat * ((n / 2) as f64 + if n % 2 == 1 { 0.63 } else { 0.0 }) + jitter(n));
        let snare = (0..150).map(|n| beat * (2 * n + 1) as f64 + 0.021 + jitter(n + 9));
        let parts = [part(Player::Kit, hats), part(Player::Snare, snare)];
        let grid = fit(&parts, beat * 1.0001).unwrap();
        assert!((60.0 / grid.period - 93.37).abs() < 0.01, "{}", 60.0 / grid.period);
        assert!(grid.share > 0.95 && grid.steady > 0.99 && grid.spread < 0.007, "{grid:?}");
    }

    #[test]
    fn a_tempo_that_moves_does_not_stand_on_a_grid() {
        let times = (0..300).scan(0.0, |at, n| {
            *at += 0.5 * (1.0 - 0.0002 * f64::from(n));
            Some(*at)
        });
        let grid = fit(&[part(Player::Kit, times)], 0.485);
        assert!(grid.is_none_or(|grid| grid.steady < 0.5));
    }
}
