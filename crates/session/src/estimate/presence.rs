//! Who sounds when, from the power of short windows. Knows no sections.

/// A stem as it sounds along the song.
#[derive(Debug, Clone, PartialEq)]
pub struct Presence {
    /// Mean power of each window, of all channels together.
    pub power: Vec<f64>,
    /// Seconds of a window.
    pub window_seconds: f64,
    /// When the first window begins, from the common start of the stems.
    pub start_seconds: f64,
}

/// A stem rests below this, relative to its loud windows (−40 dB): common practice, no source.
const RESTS: f64 = 1e-4;

/// The loud windows: this part of the sounding ones is softer. Common practice, no source.
const LOUD: f64 = 0.9;

/// A rest shorter than this is a breath within a phrase: common practice, no source.
const REST_SECONDS: f64 = 4.0;

/// A bar's level in a matrix of presence: from so far below the stem's loud bars on it counts, in dB.
const DEPTH_DB: f64 = 30.0;

impl Presence {
    /// When it begins to sound, first and after every rest, in seconds to the window.
    pub fn entries(&self) -> Vec<f64> {
        let loud = loud(&self.power);
        let rest = (REST_SECONDS / self.window_seconds).ceil() as usize;
        let (mut entries, mut rested) = (Vec::new(), rest);
        for (at, power) in self.power.iter().enumerate() {
            if *power <= RESTS * loud {
                rested += 1;
                continue;
            }
            if rested >= rest {
                entries.push(self.start_seconds + at as f64 * self.window_seconds);
            }
            rested = 0;
        }
        entries
    }

    /// How much it sounds in each of `count` bars from `first` seconds on, 0 (not at all) to 1 (as loud as it gets). A
    /// single bar of rest between two that sound is none.
    pub fn in_bars(&self, first: f64, bar: f64, count: usize) -> Vec<f64> {
        let mut sums = vec![0.0];
        let mut sum = 0.0;
        sums.extend(self.power.iter().map(|power| {
            sum += power;
            sum
        }));
        let window = |seconds: f64| {
            let at = (seconds - self.start_seconds) / self.window_seconds;
            (at.round().max(0.0) as usize).min(self.power.len())
        };
        let windows = (bar / self.window_seconds).max(1.0);
        let power = |n: usize| {
            let from = first + bar * n as f64;
            (sums[window(from + bar)] - sums[window(from)]).max(0.0) / windows
        };
        let powers: Vec<f64> = (0..count).map(power).collect();
        let loud = loud(&powers);
        let level = |power: &f64| {
            if *power > 0.0 {
                (1.0 + 10.0 * libm::log10(power / loud) / DEPTH_DB).clamp(0.0, 1.0)
            } else {
                0.0
            }
        };
        let levels: Vec<f64> = powers.iter().map(level).collect();
        (0..count)
            .map(|n| match (n.checked_sub(1).and_then(|before| levels.get(before)), levels.get(n + 1)) {
                (Some(before), Some(after)) => levels[n].max(before.min(*after)),
                _ => levels[n],
            })
            .collect()
    }
}

/// The power of the loud ones of a list.
fn loud(powers: &[f64]) -> f64 {
    let mut sounding: Vec<f64> = powers.iter().copied().filter(|power| *power > 0.0).collect();
    sounding.sort_by(f64::total_cmp);
    sounding.get((sounding.len() as f64 * LOUD) as usize).copied().unwrap_or(f64::MIN_POSITIVE)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Sounds from 1 s to 4 s, from 5 s to 6 s and from 20 s to 30 s, in windows of 10 ms, 2 s late.
    fn voice() -> Presence {
        let sounds = |n: &usize| matches!(n, 100..400 | 500..600 | 2000..3000);
        let power = (0..4000).map(|n| if sounds(&n) { 0.01 } else { 1e-9 }).collect();
        Presence { power, window_seconds: 0.01, start_seconds: 2.0 }
    }

    #[test]
    fn an_entry_comes_after_a_rest() {
        let entries = voice().entries();
        assert_eq!(entries.len(), 2);
        assert!((entries[0] - 3.0).abs() < 1e-9 && (entries[1] - 22.0).abs() < 1e-9, "{entries:?}");
        assert_eq!(Presence { power: vec![0.0; 9], window_seconds: 0.01, start_seconds: 0.0 }.entries(), []);
    }

    #[test]
    fn bars_say_how_much_sounds() {
        let bars = voice().in_bars(2.0, 2.0, 12);
        assert!(bars[0] > 0.85 && bars[1] > 0.95 && bars[5] < 1e-9 && bars[10] > 0.95, "{bars:?}");
    }
}
