//! A fit of stems to a mix whose level may ride: what its processing did is taken back first, as far as it can be.

use loadin_audio::{UNMIX_WINDOW, Unmixed, emptiest, ride};
use loadin_session::estimate::Processing;

use super::fit::{EDGES_HZ, Fit, HOP, Split};
use crate::mix::{RoughMixSignal, Voice};

/// A level that moves by less power than this keeps still: −50 dB, as little as a gap has.
const STILL: f64 = 1e-5;

/// How often the level is taken back and the gains are found again.
const ROUNDS: usize = 2;

/// A fit of all stems that have a place, and what it leaves.
pub(super) struct Fitted {
    pub(super) unmixed: Unmixed,
    pub(super) split: Split,
    ride: Option<f64>,
    /// Power of what the moves of the level add and take in every window, relative to what is explained there.
    pub(super) moves: Vec<f64>,
}

impl Fitted {
    pub(super) fn new(mix: &RoughMixSignal<'_>, voices: &[Voice<'_>], delay: f64) -> Self {
        let clock = (mix.sketch.sample_hz(), f64::from(mix.sketch.factor()));
        let fit = Fit::new(&mix.samples, voices, delay, clock);
        let (unmixed, split) = fit.explained();
        let whole: Vec<f32> = split.explained.iter().zip(&split.rest).map(|(a, b)| a + b).collect();
        let moves = Vec::new();
        let mut fitted = Self { unmixed, split, ride: None, moves };
        for _ in 0..ROUNDS {
            let ride = ride(&fitted.split.explained, &whole).filter(|ride| ride.depth > STILL);
            let Some(ride) = ride else { break };
            if fitted.ride.is_none() {
                fitted.moves = moved(&fitted.split.explained, &ride.gains);
            }
            fitted.ride = fitted.ride.or(Some(ride.depth));
            let shift = fitted.split.begins + fit.delay.round() as i64;
            let straight = taken_back(&mix.samples, &ride.gains, shift);
            let fit = fit.of(&straight);
            (fitted.unmixed, fitted.split) = fit.explained();
        }
        fitted
    }

    /// How the mix was processed.
    pub(super) fn processing(&self, sample_hz: f64, lossy: bool) -> Processing {
        let db = |power: f64| 10.0 * libm::log10(power.max(1e-20));
        let band = (EDGES_HZ[0], EDGES_HZ[EDGES_HZ.len() - 1]);
        let quietest = emptiest(&self.split.explained, &self.split.rest, band, sample_hz);
        Processing { ride_db: self.ride.map(db), quietest_db: db(quietest.unwrap_or(0.0)), lossy }
    }
}

/// How much a gain adds to and takes from a sound, a figure a window, relative to the sound there.
fn moved(sound: &[f32], gains: &[f32]) -> Vec<f64> {
    let square = |x: f32| f64::from(x) * f64::from(x);
    let of = |start: usize| {
        let part = sound[start..start + UNMIX_WINDOW].iter().zip(&gains[start..]);
        let moved: f64 = part.map(|(x, gain)| square(x * (gain - 1.0))).sum();
        let all: f64 = sound[start..start + UNMIX_WINDOW].iter().map(|x| square(*x)).sum();
        if all > 0.0 { moved / all } else { 0.0 }
    };
    (0..=sound.len().saturating_sub(UNMIX_WINDOW)).step_by(HOP).map(of).collect()
}

/// A mix without the gain that rode on it; the gains begin at its sample `shift`.
fn taken_back(mix: &[f32], gains: &[f32], shift: i64) -> Vec<f32> {
    let gain = |at: usize| {
        let at = usize::try_from(at as i64 - shift).ok()?;
        gains.get(at).copied()
    };
    mix.iter().enumerate().map(|(at, sample)| sample / gain(at).unwrap_or(1.0)).collect()
}
