//! How far a converted sound can leave the straight lines between the samples that it is made of.
//!
//! A converted value at a place between two samples, and so a value that is interpolated between converted ones, is a sum
//! w · x over samples around it. Less the straight line between its two neighbours, and summed up by parts twice, it is a sum
//! over second differences: w · x − line = Σ c[k] (x[k−1] − 2 x[k] + x[k+1]), but for what the filter misses a straight line
//! by, which is less than 1e-8 of the largest sample. So |w · x − line| ≤ Σ |c[k]| · max |second difference|, for every sound:
//! summation by parts (N. H. Abel), nothing else.
//!
//! It knows filters, and no sound.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use super::design::Response;
use super::ratio::Ratio;
use crate::true_peak::{self, TAPS};

/// Second differences up to so many frames from a place count as near.
pub(super) const NEAR: i64 = 64;

/// The most by which a value leaves its straight line.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Bend {
    /// For each unit of the largest second difference at most `NEAR` frames away.
    pub near: f64,
    /// For each unit of the largest that is further away.
    pub far: f64,
    /// For each unit of the largest sample: straight lines pass the filter with this error.
    pub miss: f64,
}

/// The bounds of one change of rate.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bounds {
    /// Of converted samples.
    pub samples: Bend,
    /// Of what is interpolated between them.
    pub between: Bend,
}

impl Bounds {
    /// The bounds for this ratio and so many places a converted frame, made once.
    pub(super) fn of(ratio: Ratio, response: &Response, places: usize) -> Arc<Self> {
        type Made = BTreeMap<(Ratio, usize), Arc<Bounds>>;
        static MADE: OnceLock<Mutex<Made>> = OnceLock::new();
        let mut made = MADE.get_or_init(Mutex::default).lock().unwrap_or_else(PoisonError::into_inner);
        let new = || Arc::new(Self::new(ratio, response, places));
        made.entry((ratio, places)).or_insert_with(new).clone()
    }

    fn new(ratio: Ratio, response: &Response, places: usize) -> Self {
        let half = response.half as i64;
        let (from, to) = (i64::from(ratio.from), i64::from(ratio.to));
        // The first source frame that counts, for whatever is asked of an output whose own place is frame 0.
        let reach = half + (TAPS as i64 / 2 + 1) * from / to + 2;
        let mut weights = vec![0.0; 2 * reach as usize + 2];
        let add = |weights: &mut [f64], numerator: i64, factor: f64| {
            let (base, fraction) = (numerator.div_euclid(to), numerator.rem_euclid(to));
            for frame in base - (half - 1)..=base + half {
                let value = response.at(fraction - (frame - base) * to);
                weights[(frame + reach) as usize] += factor * value;
            }
        };
        let (mut samples, mut between) = (Bend::default(), Bend::default());
        for numerator in 0..to {
            weights.fill(0.0);
            add(&mut weights, numerator, 1.0);
            samples = samples.max(Bend::of(&weights, -reach, numerator as f64 / to as f64));
            for (step, taps) in (1..places).zip(true_peak::phases(places)) {
                weights.fill(0.0);
                for (nth, tap) in (0..).zip(taps) {
                    add(&mut weights, numerator + (nth - true_peak::BEFORE as i64) * from, tap);
                }
                let place = (numerator as f64 + from as f64 * step as f64 / places as f64) / to as f64;
                between = between.max(Bend::of(&weights, -reach, place));
            }
        }
        Self { samples, between }
    }
}

impl Bend {
    /// Of a sum with these weights, of which the first belongs to frame `first`, beside the straight line at `place`.
    fn of(weights: &[f64], first: i64, place: f64) -> Self {
        let first = first - place.floor() as i64;
        let (mut once, mut twice, mut last_twice) = (0.0, 0.0, 0.0);
        let mut bend = Self::default();
        for (frame, sums) in (first..).zip(true_peak::beside_line(weights, first, place - place.floor())) {
            last_twice = twice;
            (once, twice) = sums;
            let part = if (frame + 1).abs() <= NEAR { &mut bend.near } else { &mut bend.far };
            *part += f64::abs(twice);
        }
        bend.miss = f64::abs(once) + 2.0 * f64::abs(last_twice);
        bend
    }

    fn max(self, other: Self) -> Self {
        Self {
            near: self.near.max(other.near),
            far: self.far.max(other.far),
            miss: self.miss.max(other.miss),
        }
    }

    /// The most by which a value leaves its line, by the largest second differences nearby and in all that the filter reads,
    /// and the largest sample. A hair more covers rounding. That of an output follows what its mirror image reads too, but is
    /// 1e-16 of it, and far less than what rings there (1e-11 of it).
    pub(super) fn reach(&self, near: f64, all: f64, largest: f64) -> f64 {
        self.near * near + self.far * all + (self.miss + 1e-9) * largest
    }
}
