//! Onsets: the peaks of an onset strength, with their times. Knows nothing of tempo, and not how the strength was
//! measured.

/// The peak of an onset strength.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// When, from the common start of the stems.
    pub seconds: f64,
    /// How strong, relative to the strong ones of the same stems: above 0, at most 2.
    pub strength: f64,
    /// The part of it that lies in the low bands, 0 to 1.
    pub low: f64,
}

/// Who plays: what onsets mean for meter and form depends on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Player {
    /// A kick drum: one and three, as a rule.
    Kick,
    /// A snare drum: two and four, as a rule.
    Snare,
    /// All other percussion, whole kits and loops.
    Kit,
    /// A bass.
    Bass,
    /// Whatever else has pitch.
    Chords,
    /// Voices.
    Voice,
    /// Stems whose names say nothing.
    Unknown,
}

/// The onsets of stems that play one part.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Who.
    pub player: Player,
    /// In the order of time.
    pub onsets: Vec<Onset>,
    /// How far the peaks stand out, 0 (they could be chance) to 1 (a drum).
    pub sharpness: f64,
}

/// A peak is the greatest of this time before and after it: common practice, no source.
const REACH_SECONDS: f64 = 0.03;

/// What is around a peak, which it must rise above.
const AROUND_SECONDS: f64 = 0.15;

/// How much a peak must rise above what is around it, relative to the strong ones (as in Böck, Krebs and Schedl,
/// "Evaluating the online capabilities of onset detection methods", ISMIR 2012; from memory).
const LEAST_RISE: f64 = 0.15;

/// Strong peaks stand out of what is usual by this factor in noise, and in drums: measured on noise and on loops of drums.
const CONTRAST: (f64, f64) = (2.5, 10.0);

/// After a strong peak a weaker one is its tail; this fades within that time. Common practice, no source.
const MASK_SECONDS: f64 = 0.08;

/// An onset of at least this strength begins a song; hiss before it does not.
const CLEAR_STRENGTH: f64 = 0.3;

impl Part {
    /// Picks the peaks of an onset strength with `hz` values a second; `low` is its part in the low bands.
    pub fn of(player: Player, strength: &[f32], low: &[f32], hz: f64) -> Self {
        let mut peaks = peaks(strength, hz);
        // Most peaks may be those of hiss: the mean counts every one by its square.
        let sum = |power: i32| peaks.iter().map(|peak| peak.1.powi(power)).sum::<f64>();
        let strong = if peaks.is_empty() { 0.0 } else { sum(3) / sum(2) };
        peaks.retain(|(_, rise)| *rise > LEAST_RISE * strong);
        unmask(&mut peaks, hz);
        let mut sounding: Vec<f32> = strength.iter().copied().filter(|x| *x > 0.0).collect();
        sounding.sort_by(f32::total_cmp);
        let usual = sounding.get(sounding.len() / 2).map_or(0.0, |x| f64::from(*x));
        let contrast = if usual > 0.0 { strong / usual } else { 0.0 };
        let onset = |&(at, rise): &(usize, f64)| Onset {
            seconds: (at as f64 + summit(strength, at)) / hz,
            strength: (rise / strong).min(2.0),
            low: f64::from(low[at] / strength[at]).clamp(0.0, 1.0),
        };
        Self {
            player,
            onsets: peaks.iter().map(onset).collect(),
            sharpness: ((contrast - CONTRAST.0) / (CONTRAST.1 - CONTRAST.0)).clamp(0.0, 1.0),
        }
    }

    /// How much an onset of this part says about the pulse.
    pub(super) fn weight(&self, onset: &Onset) -> f64 {
        let said = match self.player {
            Player::Kick | Player::Snare | Player::Kit | Player::Unknown => 1.0,
            Player::Bass | Player::Chords => 0.5,
            Player::Voice => 0.1,
        };
        said * self.sharpness * onset.strength
    }
}

/// Where a value is the greatest around, and how far it rises above their mean.
fn peaks(strength: &[f32], hz: f64) -> Vec<(usize, f64)> {
    let reach = ((REACH_SECONDS * hz) as usize).max(1);
    let around = ((AROUND_SECONDS * hz) as usize).max(1);
    let mut sums = vec![0.0];
    let mut sum = 0.0;
    sums.extend(strength.iter().map(|x| {
        sum += f64::from(*x);
        sum
    }));
    let is_peak = |at: &usize| {
        let (from, to) = (at.saturating_sub(reach), (at + reach + 1).min(strength.len()));
        let x = strength[*at];
        x > 0.0 && strength[from..*at].iter().all(|y| *y < x) && strength[at + 1..to].iter().all(|y| *y <= x)
    };
    let rise = |at: usize| {
        let (from, to) = (at.saturating_sub(around), (at + around + 1).min(strength.len()));
        (at, f64::from(strength[at]) - (sums[to] - sums[from]) / (to - from) as f64)
    };
    (0..strength.len()).filter(is_peak).map(rise).filter(|(_, rise)| *rise > 0.0).collect()
}

/// Drops the peaks in the tails of stronger ones.
fn unmask(peaks: &mut Vec<(usize, f64)>, hz: f64) {
    let mut mask: (usize, f64) = (0, 0.0);
    peaks.retain(|&(at, rise)| {
        let left = mask.1 * libm::exp(-((at - mask.0) as f64 / hz) / MASK_SECONDS);
        let heard = rise > left;
        if heard {
            mask = (at, rise);
        }
        heard
    });
}

/// How far the summit of the parabola through a peak and its neighbours lies behind the peak, −0.5 to 0.5.
fn summit(strength: &[f32], at: usize) -> f64 {
    let value = |at: Option<usize>| at.and_then(|at| strength.get(at)).map_or(0.0, |x| f64::from(*x));
    let (before, peak, after) = (value(at.checked_sub(1)), value(Some(at)), value(Some(at + 1)));
    let bend = before - 2.0 * peak + after;
    if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

/// The first clear onset of all parts but voices, in seconds.
pub(super) fn first_onset(parts: &[Part]) -> f64 {
    let clear = |part: &Part| {
        let onset = part.onsets.iter().find(|onset| onset.strength > CLEAR_STRENGTH);
        onset.filter(|_| part.sharpness > 0.0 && part.player != Player::Voice).map(|onset| onset.seconds)
    };
    parts.iter().filter_map(clear).reduce(f64::min).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn peaks_have_their_times_between_values() {
        let mut strength = vec![0.01f32; 400];
        for (at, x) in [(99, 0.5), (100, 1.0), (101, 1.0), (300, 2.0), (301, 1.0)] {
            strength[at] = x;
        }
        let part = Part::of(Player::Kit, &strength, &vec![0.005; 400], 200.0);
        let found: Vec<f64> = part.onsets.iter().map(|onset| onset.seconds).collect();
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((found[0] - 0.5025).abs() < 0.002 && (found[1] - 1.5).abs() < 0.002, "{found:?}");
        assert!(part.sharpness > 0.9 && part.onsets[1].low < 0.01);
    }

    #[test]
    fn nothing_has_no_onsets() {
        assert_eq!(Part::of(Player::Kit, &[], &[], 200.0).onsets, []);
        assert_eq!(Part::of(Player::Kit, &[0.0; 300], &[0.0; 300], 200.0).onsets, []);
    }
}
