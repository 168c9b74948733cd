//! The course of a stem's level, from the envelope of its survey: how much of the time it sounds, how often it is
//! struck, how fast it rises and dies away.

use loadin_record::survey::EnvelopeFacts;

/// What the course of the level says; shares are of the time in which the stem takes part.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Course {
    /// Time in seconds in which the stem takes part.
    pub(super) seconds: f64,
    /// Share of the time in which the level is within 20 dB of the loudest nearby.
    pub(super) duty: f64,
    /// Strokes a second.
    pub(super) strokes: f64,
    /// Share of the strokes that reach their top within 30 ms.
    pub(super) sharp: f64,
    /// Median time in seconds in which a stroke has fallen by 20 dB; a stroke that the next one meets before counts as
    /// the time to that.
    pub(super) fall_seconds: f64,
}

/// Windows longer than this show no attack: stems of more than eleven minutes.
const LONGEST_WINDOW: f64 = 0.0101;

/// A second to either side is nearby.
const NEARBY: usize = 100;

/// A stem takes part where it is not 30 dB below its loudest.
const TAKES_PART: f64 = 1e-3;

/// A stroke rises by 9 dB within 30 ms, to 15 dB below what is near.
const RISE: f64 = 8.0;
const LOUD: f64 = 0.03;
const RISE_WINDOWS: usize = 3;

/// Strokes are at least 60 ms apart, and have their top within 150 ms.
const APART: usize = 6;
const TOP_WITHIN: usize = 15;

const DOWN_20_DB: f64 = 0.01;

/// The course of the level; `None` where the windows are too long to show it.
pub(super) fn course(envelope: &EnvelopeFacts) -> Option<Course> {
    let window = envelope.window_seconds();
    if window > LONGEST_WINDOW {
        return None;
    }
    let windows = envelope.channels.first()?.sum_sq.len();
    let power: Vec<f64> =
        (0..windows).map(|w| envelope.channels.iter().map(|c| f64::from(c.sum_sq[w])).sum()).collect();
    let near = nearby(&power);
    let loudest = power.iter().copied().fold(0.0, f64::max);
    let part = |w: &usize| near[*w] > TAKES_PART * loudest;
    let takes_part = (0..windows).filter(part).count();
    if takes_part == 0 {
        return None;
    }
    let sounding = (0..windows).filter(part).filter(|&w| power[w] > DOWN_20_DB * near[w]).count();
    let strokes = strokes(&power, &near, TAKES_PART * loudest);
    let mut falls = Vec::new();
    let mut sharp = 0usize;
    for (index, &start) in strokes.iter().enumerate() {
        let end = strokes.get(index + 1).copied().unwrap_or(windows);
        let until = end.min(start + TOP_WITHIN);
        let top = (start..until).max_by(|&a, &b| power[a].total_cmp(&power[b])).unwrap_or(start);
        sharp += usize::from(top <= start + RISE_WINDOWS);
        let down = (top..end).find(|&w| power[w] < DOWN_20_DB * power[top]);
        falls.push((down.unwrap_or(end) - top) as f64 * window);
    }
    falls.sort_by(f64::total_cmp);
    Some(Course {
        duty: sounding as f64 / takes_part as f64,
        seconds: takes_part as f64 * window,
        strokes: strokes.len() as f64 / (takes_part as f64 * window),
        sharp: sharp as f64 / strokes.len().max(1) as f64,
        fall_seconds: falls.get(falls.len() / 2).copied().unwrap_or(f64::INFINITY),
    })
}

/// The loudest window nearby, for every window; in blocks, since a tenth of a second matters little.
fn nearby(power: &[f64]) -> Vec<f64> {
    const BLOCK: usize = 10;
    let blocks: Vec<f64> =
        power.chunks(BLOCK).map(|block| block.iter().copied().fold(0.0, f64::max)).collect();
    let reach = NEARBY / BLOCK;
    let around = |w: usize| {
        let block = w / BLOCK;
        let (from, to) = (block.saturating_sub(reach), (block + reach + 1).min(blocks.len()));
        blocks[from..to].iter().copied().fold(0.0, f64::max)
    };
    (0..power.len()).map(around).collect()
}

fn strokes(power: &[f64], near: &[f64], least: f64) -> Vec<usize> {
    let mut strokes: Vec<usize> = Vec::new();
    for w in 0..power.len() {
        let before = power[w.saturating_sub(RISE_WINDOWS)..w].iter().copied().fold(f64::INFINITY, f64::min);
        let before = if before.is_finite() { before } else { 0.0 };
        let loud = power[w] > LOUD * near[w] && power[w] > least;
        if loud && power[w] > RISE * before && strokes.last().is_none_or(|last| w >= last + APART) {
            strokes.push(w);
        }
    }
    strokes
}
