//! What a rough mix proves: which stems are missing from the delivery, and which are not in the mix. It proves nothing
//! where it was limited or where effects make up most of it, and then that is said. Knows nothing of how the fit was
//! made.

/// What stems explain of a rough mix, by window and band.
#[derive(Debug, Clone, Copy)]
pub struct RoughFit<'a> {
    /// Energy of the mix.
    pub mix: &'a [Vec<f64>],
    /// Energy of what no stem explains.
    pub rest: &'a [Vec<f64>],
    /// By which factor the mix follows the stems in each window; `None` for silence.
    pub follows: &'a [Option<f64>],
    /// Gain of each stem in the mix, as a factor.
    pub gains: &'a [f64],
    /// Energy of each stem as delivered, in the unit of the others.
    pub energies: &'a [f64],
    /// Part of the sounding 10 ms of the mix whose peak is held at the greatest one.
    pub held_peaks: f64,
    /// Seconds from one window to the next; a window is twice as long.
    pub hop_seconds: f64,
    /// Frequencies between the bands.
    pub edges_hz: &'a [f64],
}

/// A stretch of the rough mix that is in no stem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    /// Where it begins, in seconds after the first window.
    pub from_seconds: f64,
    /// Where it ends.
    pub to_seconds: f64,
    /// The band that holds most of it.
    pub low_hz: f64,
    /// Its upper end.
    pub high_hz: f64,
    /// Its level relative to the mean of the mix, in dB.
    pub level_db: f64,
}

/// What follows from a fit.
#[derive(Debug, Clone, PartialEq)]
pub enum RoughVerdict {
    /// Nothing can be said, for this reason.
    CannotJudge(String),
    /// What is missing on either side.
    Judged {
        /// What is in the mix and in no stem.
        gaps: Vec<Gap>,
        /// Stems that are not in the mix: indices.
        absent: Vec<usize>,
    },
}

/// A mix whose level wanders against its stems by more than this was compressed: common practice, no source.
const MOST_RIDE_DB: f64 = 1.0;

/// So many of the sounding 10 ms at the greatest peak are the work of a limiter: common practice, no source.
const MOST_HELD: f64 = 0.06;

/// Half of the power unexplained is more than a missing stem: common practice, no source. The loudest of thirty invented
/// stems alone has 42 % (`leave_one_out`).
const MOST_REST: f64 = 0.5;

/// What is louder than this, relative to the mean of the mix, is a gap: −50 dB.
const LEAST_GAP: f64 = 1e-5;

/// Pauses up to this long lie within one gap.
const PAUSE_SECONDS: f64 = 4.0;

/// The band of a gap holds this part of its energy.
const BAND_SHARE: f64 = 0.8;

/// A gap with less than this part of all that is unexplained is left out.
const GAP_SHARE: f64 = 0.05;

/// A stem with less than this part of the usual gain is not in the mix.
const ABSENT: f64 = 0.03;

/// Stems that would be weaker than this in the mix, at the usual gain, are not judged: −40 dB.
const AUDIBLE: f64 = 1e-4;

/// Judges a rough mix.
pub fn judge_rough(fit: &RoughFit<'_>) -> RoughVerdict {
    let total = |cells: &[Vec<f64>]| cells.iter().flatten().sum::<f64>();
    let (mix, rest) = (total(fit.mix), total(fit.rest));
    if mix <= 0.0 {
        return RoughVerdict::CannotJudge("there is no sound in the band that is compared".to_owned());
    }
    if let Some(reason) = doubt(fit, rest / mix) {
        return RoughVerdict::CannotJudge(reason);
    }
    RoughVerdict::Judged { gaps: gaps(fit), absent: absent(fit, mix) }
}

fn doubt(fit: &RoughFit<'_>, unexplained: f64) -> Option<String> {
    let ride = ride_db(fit);
    if fit.held_peaks > MOST_HELD {
        Some(format!("{:.0} % of its peaks are held at one level: it was limited", 100.0 * fit.held_peaks))
    } else if ride > MOST_RIDE_DB {
        Some(format!("its level wanders by {ride:.1} dB against that of the stems: it was compressed"))
    } else if unexplained >= MOST_REST {
        Some(format!(
            "{:.0} % of its power is in no stem: effects make up most of it, or many stems are missing",
            100.0 * unexplained
        ))
    } else {
        None
    }
}

/// Standard deviation of the level of the mix against its stems, in dB, where there is sound worth asking.
fn ride_db(fit: &RoughFit<'_>) -> f64 {
    let mean = fit.mix.iter().flatten().sum::<f64>() / fit.mix.len().max(1) as f64;
    let loud = fit.follows.iter().zip(fit.mix).filter(|(_, cells)| cells.iter().sum::<f64>() > 0.05 * mean);
    let levels: Vec<f64> =
        loud.filter_map(|(factor, _)| Some(20.0 * (*factor)?.abs().max(1e-6).log10())).collect();
    let center = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
    (levels.iter().map(|level| (level - center).powi(2)).sum::<f64>() / levels.len().max(1) as f64).sqrt()
}

fn gaps(fit: &RoughFit<'_>) -> Vec<Gap> {
    let sounding = fit.mix.iter().filter(|cells| cells.iter().any(|cell| *cell > 0.0)).count().max(1);
    let mean = fit.mix.iter().flatten().sum::<f64>() / sounding as f64;
    let level = |window: usize| fit.rest[window].iter().sum::<f64>() / mean;
    let pause = (PAUSE_SECONDS / fit.hop_seconds).ceil() as usize;
    let mut stretches: Vec<(usize, usize)> = Vec::new();
    for window in (0..fit.rest.len()).filter(|&window| level(window) > LEAST_GAP) {
        match stretches.last_mut() {
            Some((_, last)) if window - *last <= pause => *last = window,
            _ => stretches.push((window, window)),
        }
    }
    let energy = |&(from, to): &(usize, usize)| (from..=to).map(level).sum::<f64>();
    let all: f64 = stretches.iter().map(energy).sum();
    stretches.retain(|stretch| energy(stretch) >= GAP_SHARE * all);
    let gap = |&(from, to): &(usize, usize)| {
        let bands: Vec<f64> = (0..fit.edges_hz.len() - 1)
            .map(|band| (from..=to).map(|window| fit.rest[window][band]).sum())
            .collect();
        let (low, high) = narrowest(&bands);
        Gap {
            // The middle of a window is what it says most about.
            from_seconds: (from as f64 + 0.5) * fit.hop_seconds,
            to_seconds: (to as f64 + 1.5) * fit.hop_seconds,
            low_hz: fit.edges_hz[low],
            high_hz: fit.edges_hz[high + 1],
            level_db: 10.0 * (energy(&(from, to)) / (to - from + 1) as f64).log10(),
        }
    };
    stretches.iter().map(gap).collect()
}

/// The fewest neighbouring bands that hold most of the energy; of equally many those with more of it.
fn narrowest(bands: &[f64]) -> (usize, usize) {
    let all: f64 = bands.iter().sum();
    for count in 1..bands.len() {
        let sums = bands.windows(count).map(|part| part.iter().sum::<f64>()).enumerate();
        if let Some((low, _)) = sums
            .filter(|(_, sum)| *sum >= BAND_SHARE * all)
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
        {
            return (low, low + count - 1);
        }
    }
    (0, bands.len() - 1)
}

fn absent(fit: &RoughFit<'_>, mix: f64) -> Vec<usize> {
    let mut sizes: Vec<f64> = fit.gains.iter().map(|gain| gain.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let usual = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
    let missing = |stem: &usize| {
        let heard = fit.energies[*stem] * usual * usual > AUDIBLE * mix;
        heard && fit.gains[*stem].abs() < ABSENT * usual
    };
    (0..fit.gains.len()).filter(missing).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const EDGES: &[f64] = &[40.0, 200.0, 1000.0, 2500.0];

    fn fit<'a>(mix: &'a [Vec<f64>], rest: &'a [Vec<f64>], follows: &'a [Option<f64>]) -> RoughFit<'a> {
        RoughFit {
            mix,
            rest,
            follows,
            gains: &[1.0, 0.5, 0.001],
            energies: &[100.0, 100.0, 100.0],
            held_peaks: 0.0,
            hop_seconds: 0.5,
            edges_hz: EDGES,
        }
    }

    #[test]
    fn a_gap_has_its_time_and_band() {
        let mix = vec![vec![1.0; 3]; 100];
        let mut rest = vec![vec![1e-9; 3]; 100];
        for window in [20, 22, 24, 30] {
            rest[window][1] = 0.01;
        }
        let RoughVerdict::Judged { gaps, absent } = judge_rough(&fit(&mix, &rest, &[Some(1.0); 100])) else {
            panic!("it can be judged")
        };
        assert_eq!(absent, [2]);
        assert_eq!(gaps.len(), 1);
        let gap = gaps[0];
        assert_eq!(
            (gap.from_seconds, gap.to_seconds, gap.low_hz, gap.high_hz),
            (10.25, 15.75, 200.0, 1000.0)
        );
    }

    #[test]
    fn nothing_is_claimed_where_nothing_can_be_known() {
        let mix = vec![vec![1.0; 3]; 100];
        let none = vec![vec![0.0; 3]; 100];
        let steady = [Some(1.0); 100];
        let judged = |fit: &RoughFit<'_>| matches!(judge_rough(fit), RoughVerdict::Judged { .. });
        assert!(judged(&fit(&mix, &none, &steady)));
        assert!(!judged(&RoughFit { held_peaks: 0.2, ..fit(&mix, &none, &steady) }));
        let ridden: Vec<Option<f64>> = (0..100).map(|n| Some(if n % 2 == 0 { 1.0 } else { 0.7 })).collect();
        assert!(!judged(&fit(&mix, &none, &ridden)));
        let half = vec![vec![0.5; 3]; 100];
        assert!(!judged(&fit(&mix, &half, &steady)));
        assert!(!judged(&fit(&none, &none, &steady)));
    }
}
