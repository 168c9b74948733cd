//! What a rough mix proves: which stems are missing from the delivery, and which are not in the mix. Where it was processed it
//! proves less, and where effects make up most of it, nothing; then that is said. Knows nothing of how the fit was made.

use std::ops::Range;

/// What stems explain of a rough mix, by window and band.
#[derive(Clone, Copy)]
pub struct RoughFit<'a> {
    /// Energy of the mix.
    pub mix: &'a [Vec<f64>],
    /// Energy of what no stem explains.
    pub rest: &'a [Vec<f64>],
    /// What is left in these windows, a figure a band, where every stem may have a gain of its own there and in each band.
    pub refitted: &'a dyn Fn(Range<usize>) -> Vec<f64>,
    /// Gain of each stem in the mix, as a factor.
    pub gains: &'a [f64],
    /// Energy of each stem as delivered, in the unit of the others.
    pub energies: &'a [f64],
    /// How the mix was processed.
    pub processing: Processing,
    /// Power of what the moves of its level add and take in every window, relative to what is explained there; empty where its
    /// level keeps still.
    pub moves: &'a [f64],
    /// Seconds from one window to the next; a window is twice as long.
    pub hop_seconds: f64,
    /// Frequencies between the bands.
    pub edges_hz: &'a [f64],
}

/// How far the mix is from a plain sum of its stems.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Processing {
    /// Power of what the moves of its level add and take, relative to the mix, in dB; that much was taken back before the fit.
    /// `None` where its level keeps still.
    pub ride_db: Option<f64>,
    /// What is left in the emptiest tenth of all small parts of time and band, relative to what is explained there, in dB.
    pub quietest_db: f64,
    /// Whether the mix or a stem was stored with a lossy codec.
    pub lossy: bool,
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
        /// How the mix was processed; `None` where it is as good as a plain sum.
        processed: Option<String>,
        /// Below this level relative to the mix nothing is claimed, in dB.
        floor_db: f64,
        /// How sure a gap is, 0 to 1.
        confidence: f64,
    },
}

/// Half of the power unexplained is more than a missing stem: common practice, no source. The loudest of thirty invented
/// stems alone has 42 % (`leave_one_out`).
const MOST_REST: f64 = 0.5;

/// What is louder than this, relative to the mean of the mix, is a gap in a plain sum: −50 dB.
const LEAST_GAP_DB: f64 = -50.0;

/// What processing leaves in its worst second lies so far above what it leaves in the emptiest parts (measured:
/// `tests/it/estimate/missing.rs`).
const ABOVE_QUIETEST_DB: f64 = 18.0;

/// More than this comes from no processing but from a missing stem (the same).
const MOST_QUIET_DB: f64 = -20.0;

/// What is left after the moves of a level were taken back lies below this, relative to these moves (the same).
const ABOVE_RIDE_DB: f64 = 1.0;

/// A level that moves by more power than this leaves nothing to be sure of.
const MOST_RIDE_DB: f64 = -8.0;

/// What lossy codecs leave beside a sound: −24 dB at usual rates of bits (the same).
const LOSSY_DB: f64 = -24.0;

/// A mix in which less than this can be claimed is a plain sum.
const PLAIN_DB: f64 = -45.0;

/// How sure a gap is in a plain sum and in a processed one: a set judgement, which few counted songs back so far.
const SURE_OF_SUM: f64 = 0.99;
const SURE_OF_PROCESSED: f64 = 0.95;

/// What follows its stems by this or more, once each may have a gain of its own, is in them: 10 dB.
const FOLLOWS: f64 = 0.1;

/// A level that moves by more power than this leaves a remainder all along (a mix that is clipped by 12 dB: −17 dB).
const HEAVY_RIDE_DB: f64 = -20.0;

/// As much of the windows with sound as this is all along (what a clip by 12 dB leaves stood in 87 % of them).
const ALL_ALONG: f64 = 0.75;

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
    let floor_db = fit.processing.floor_db();
    let is_sum = floor_db <= PLAIN_DB;
    let gaps = gaps(fit, floor_db);
    // What is left everywhere may be what is missing: then there is no need of processing to explain it.
    let is_certain = fit.processing.ride_db.is_some() || fit.processing.lossy;
    RoughVerdict::Judged {
        absent: absent(fit, mix, floor_db),
        processed: (!is_sum && (is_certain || gaps.is_empty())).then(|| fit.processing.words()),
        gaps,
        floor_db,
        confidence: if is_sum { SURE_OF_SUM } else { SURE_OF_PROCESSED },
    }
}

impl Processing {
    /// What processing may have left, relative to what is explained in the same window.
    fn floor_db(self) -> f64 {
        let quiet = (self.quietest_db + ABOVE_QUIETEST_DB).min(MOST_QUIET_DB);
        let ride = self.ride_db.map_or(f64::NEG_INFINITY, |ride| ride + ABOVE_RIDE_DB);
        let lossy = if self.lossy { LOSSY_DB } else { f64::NEG_INFINITY };
        quiet.max(ride).max(lossy).max(LEAST_GAP_DB)
    }

    /// In words.
    fn words(self) -> String {
        match self.ride_db {
            Some(ride) if ride > PLAIN_DB => {
                format!("its level moves against that of its stems ({ride:.0} dB): it was limited, compressed or saturated")
            }
            _ if self.lossy => "it or a stem was stored with a lossy codec".to_owned(),
            _ => "what it has beside its stems follows them: it was stored with a lossy codec, saturated or equalised"
                .to_owned(),
        }
    }
}

fn doubt(fit: &RoughFit<'_>, unexplained: f64) -> Option<String> {
    match fit.processing.ride_db {
        Some(ride) if ride > MOST_RIDE_DB => Some(format!(
            "its level moves so much against that of its stems ({ride:.0} dB) that little of them is left"
        )),
        // Where somewhere nearly nothing is left, the stems are in it as they are, and what is left elsewhere is another sound.
        _ if unexplained >= MOST_REST && fit.processing.quietest_db > MOST_QUIET_DB => Some(format!(
            "{:.0} % of its power is in no stem: effects make up most of it, or many stems are missing",
            100.0 * unexplained
        )),
        _ => None,
    }
}

fn gaps(fit: &RoughFit<'_>, floor_db: f64) -> Vec<Gap> {
    let sounding = fit.mix.iter().filter(|cells| cells.iter().any(|cell| *cell > 0.0)).count().max(1);
    let mean = fit.mix.iter().flatten().sum::<f64>() / sounding as f64;
    let is_sum = floor_db <= PLAIN_DB;
    let floor = libm::pow(10.0, floor_db / 10.0);
    // In a processed mix what is weak is left alone: there is no telling what a codec puts before a hit.
    let least = if is_sum { libm::pow(10.0, LEAST_GAP_DB / 10.0) } else { 0.1 * floor };
    let above_ride = libm::pow(10.0, ABOVE_RIDE_DB / 10.0);
    let level = |window: usize| fit.rest[window].iter().sum::<f64>() / mean;
    // Where a level moves more than it does on the whole, more is left.
    let explicable = |window: usize| {
        let mix = fit.mix[window].iter().sum::<f64>() / mean;
        mix * fit.moves.get(window).map_or(floor, |moves| floor.max(above_ride * moves))
    };
    let stands_out = |window: &usize| level(*window) > least && level(*window) > explicable(*window);
    let pause = (PAUSE_SECONDS / fit.hop_seconds).ceil() as usize;
    let mut stretches: Vec<(usize, usize)> = Vec::new();
    for window in (0..fit.rest.len()).filter(stands_out) {
        match stretches.last_mut() {
            Some((_, last)) if window - *last <= pause => *last = window,
            _ => stretches.push((window, window)),
        }
    }
    let energy = |&(from, to): &(usize, usize)| (from..=to).map(level).sum::<f64>();
    let all: f64 = stretches.iter().map(energy).sum();
    stretches.retain(|stretch| energy(stretch) >= GAP_SHARE * all);
    // Windows overlap, so whatever sounds is in two of them; one alone is the edge of a file that begins inside a sound.
    stretches.retain(|(from, to)| to > from);
    // What a level that moves much leaves sounds wherever the stems do: a remainder all along may be of no stem.
    let is_ridden = fit.processing.ride_db.is_some_and(|ride| ride > HEAVY_RIDE_DB);
    stretches.retain(|(from, to)| !is_ridden || ((to - from + 1) as f64) < ALL_ALONG * sounding as f64);
    // A few windows of a stretch may stand out by chance; the whole of it does not.
    stretches.retain(|stretch| energy(stretch) > (stretch.0..=stretch.1).map(explicable).sum::<f64>());
    stretches.retain(|stretch| {
        let again = (fit.refitted)(stretch.0..stretch.1 + 1).iter().sum::<f64>() / mean;
        again > FOLLOWS * energy(stretch)
    });
    stretches.iter().map(|stretch| gap(fit, *stretch, energy(stretch))).collect()
}

fn gap(fit: &RoughFit<'_>, (from, to): (usize, usize), energy: f64) -> Gap {
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
        level_db: 10.0 * libm::log10(energy / (to - from + 1) as f64),
    }
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

fn absent(fit: &RoughFit<'_>, mix: f64, floor_db: f64) -> Vec<usize> {
    let mut sizes: Vec<f64> = fit.gains.iter().map(|gain| gain.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let usual = sizes.get(sizes.len() / 2).copied().unwrap_or(0.0);
    let audible = AUDIBLE.max(libm::pow(10.0, floor_db / 10.0));
    let missing = |stem: &usize| {
        let heard = fit.energies[*stem] * usual * usual > audible * mix;
        heard && fit.gains[*stem].abs() < ABSENT * usual
    };
    (0..fit.gains.len()).filter(missing).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    const EDGES: &[f64] = &[40.0, 200.0, 1000.0, 2500.0];

    const PLAIN: Processing = Processing { ride_db: None, quietest_db: -90.0, lossy: false };

    fn fit<'a>(
        mix: &'a [Vec<f64>],
        rest: &'a [Vec<f64>],
        refitted: &'a dyn Fn(Range<usize>) -> Vec<f64>,
    ) -> RoughFit<'a> {
        RoughFit {
            mix,
            rest,
            refitted,
            gains: &[1.0, 0.5, 0.001],
            energies: &[100.0, 100.0, 100.0],
            processing: PLAIN,
            moves: &[],
            hop_seconds: 0.5,
            edges_hz: EDGES,
        }
    }

    fn judged(fit: &RoughFit<'_>) -> Option<(Vec<Gap>, Vec<usize>, Option<String>)> {
        match judge_rough(fit) {
            RoughVerdict::Judged { gaps, absent, processed, .. } => Some((gaps, absent, processed)),
            RoughVerdict::CannotJudge(_) => None,
        }
    }

    /// A mix of 100 windows in which four have something that no stem has.
    fn with_gap(rest: f64) -> (Vec<Vec<f64>>, Vec<Vec<f64>>) {
        let mut cells = vec![vec![1e-9; 3]; 100];
        for window in [20, 22, 24, 30] {
            cells[window][1] = rest;
        }
        (vec![vec![1.0; 3]; 100], cells)
    }

    #[test]
    fn a_gap_has_its_time_and_band() {
        let (mix, rest) = with_gap(0.01);
        let stays = |windows: Range<usize>| vec![rest[windows].iter().flatten().sum::<f64>()];
        let (gaps, absent, processed) = judged(&fit(&mix, &rest, &stays)).unwrap();
        assert_eq!((absent, processed), (vec![2], None));
        assert_eq!(gaps.len(), 1);
        let gap = gaps[0];
        assert_eq!(
            (gap.from_seconds, gap.to_seconds, gap.low_hz, gap.high_hz),
            (10.25, 15.75, 200.0, 1000.0)
        );
    }

    #[test]
    fn what_follows_the_stems_is_no_gap() {
        let (mix, rest) = with_gap(0.01);
        let goes = |_: Range<usize>| vec![1e-6];
        assert_eq!(judged(&fit(&mix, &rest, &goes)).unwrap().0, []);
    }

    /// Windows with 1 % of their power unexplained lie at −25 dB (of three bands, arithmetic), and of eleven of them four have it.
    #[test]
    fn in_a_processed_mix_only_what_stands_out_is_claimed() {
        for (processing, rest, gaps) in [
            (Processing { lossy: true, ..PLAIN }, 0.01, 0),
            (Processing { lossy: true, ..PLAIN }, 0.1, 1),
            (Processing { ride_db: Some(-20.0), ..PLAIN }, 0.01, 0),
            (Processing { ride_db: Some(-20.0), ..PLAIN }, 0.2, 1),
            (Processing { ride_db: Some(-30.0), ..PLAIN }, 0.02, 1),
            (Processing { quietest_db: -40.0, ..PLAIN }, 0.01, 0),
            (Processing { quietest_db: -10.0, ..PLAIN }, 0.1, 1),
        ] {
            let (mix, rest) = with_gap(rest);
            let stays = |windows: Range<usize>| vec![rest[windows].iter().flatten().sum::<f64>()];
            let found = judged(&RoughFit { processing, ..fit(&mix, &rest, &stays) }).unwrap();
            assert_eq!(found.0.len(), gaps, "{processing:?}");
            let is_certain = processing.ride_db.is_some() || processing.lossy;
            assert_eq!(found.2.is_some(), is_certain || gaps == 0, "{processing:?}");
        }
    }

    /// One percent unexplained, where the level moves by so much power and where it does not.
    #[test]
    fn where_a_level_moves_more_is_left_of_it() {
        let (mix, rest) = with_gap(0.1);
        let stays = |windows: Range<usize>| vec![rest[windows].iter().flatten().sum::<f64>()];
        let processing = Processing { ride_db: Some(-30.0), ..PLAIN };
        for (moves, gaps) in [(0.001, 1), (0.1, 0)] {
            let moves = vec![moves; 100];
            let found = judged(&RoughFit { processing, moves: &moves, ..fit(&mix, &rest, &stays) }).unwrap();
            assert_eq!(found.0.len(), gaps, "{moves:?}");
        }
    }

    #[test]
    fn nothing_is_claimed_where_nothing_can_be_known() {
        let mix = vec![vec![1.0; 3]; 100];
        let none = vec![vec![0.0; 3]; 100];
        let stays = |_: Range<usize>| vec![1.0];
        let is_judged = |fit: &RoughFit<'_>| judged(fit).is_some();
        assert!(is_judged(&fit(&mix, &none, &stays)));
        let ridden = Processing { ride_db: Some(-5.0), ..PLAIN };
        assert!(!is_judged(&RoughFit { processing: ridden, ..fit(&mix, &none, &stays) }));
        let half = vec![vec![0.5; 3]; 100];
        let everywhere = Processing { quietest_db: -10.0, ..PLAIN };
        assert!(!is_judged(&RoughFit { processing: everywhere, ..fit(&mix, &half, &stays) }));
        // A loud part is missing where elsewhere the stems explain all.
        assert!(is_judged(&fit(&mix, &half, &stays)));
        assert!(!is_judged(&fit(&none, &none, &stays)));
    }
}
