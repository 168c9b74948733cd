//! The low-pass filter of a change of rate, as a table of its impulse response on the grid that both rates share.
//!
//! A windowed sinc: h(t) = s · sinc(s · t) · I₀(β √(1 − (t / T)²)) / I₀(β), with t in source frames, s the lower rate over the
//! source's and T the filter's half length. β = 0.1102 (A − 8.7) gives A decibels of rejection, over a width of
//! (A − 7.95) / (14.36 · taps) of the lower rate, half of it on either side of the lower Nyquist frequency: J. F. Kaiser,
//! "Nonrecursive digital filter design using the I₀-sinh window function", IEEE ISCAS 1974; formulas as in A. V. Oppenheim,
//! R. W. Schafer, "Discrete-Time Signal Processing", section 7.6 (both from memory).
//!
//! With 195 dB and 144 taps at the lower rate it is flat up to 0.908 of the lower Nyquist frequency (20.0 kHz at 44.1 kHz) and
//! closed from 1.092 of it on (24.1 kHz): what folds or is mirrored in between lies above what is flat.
//!
//! Sine and Bessel function come from additions, multiplications, divisions and roots in one order, so that the
//! table is the same on every processor and system. It knows no stream and no registers.

use std::collections::BTreeMap;
use std::f64::consts::PI;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};

use super::ratio::Ratio;

/// Half the taps that an output's sum has at the lower rate.
const HALF_TAPS: u32 = 72;

/// What the window rejects, in dB.
const REJECTION_DB: f64 = 195.0;

/// So many values a table may have: 1.6 MB, built in some milliseconds. 44.1 to 384 kHz has 184 320.
const MOST_VALUES: u64 = 200_000;

/// The impulse response of a filter, from its middle on: value `q` stands `q / to` source frames beside it.
pub(super) struct Response {
    /// Half its length in source frames; what is further away is zero.
    pub half: usize,
    values: Vec<f64>,
}

impl Response {
    /// The response for this ratio, made once; `None` where its table would be too large.
    pub(super) fn of(ratio: Ratio) -> Option<Arc<Self>> {
        static MADE: OnceLock<Mutex<BTreeMap<Ratio, Arc<Response>>>> = OnceLock::new();
        if !is_small(ratio) {
            return None;
        }
        let mut made = MADE.get_or_init(Mutex::default).lock().unwrap_or_else(PoisonError::into_inner);
        Some(made.entry(ratio).or_insert_with(|| Arc::new(Self::new(ratio))).clone())
    }

    fn new(ratio: Ratio) -> Self {
        let (from, to) = (u64::from(ratio.from), u64::from(ratio.to));
        let half = half_frames(ratio);
        let beta = 0.1102 * (REJECTION_DB - 8.7);
        let bessel = Bessel::new();
        let whole = bessel.i0(beta);
        let end = half as u64 * to;
        let (scale, wave) = if from > to { (to as f64 / from as f64, from) } else { (1.0, to) };
        let value = |q: u64| {
            let part = q as f64 / end as f64;
            let window = bessel.i0(beta * ((1.0 - part) * (1.0 + part)).sqrt()) / whole;
            scale * sinc(q, wave) * window
        };
        // At its very end stands a zero, since a sum has as many taps before as after its place.
        Self { half, values: (0..end).map(value).chain([0.0]).collect() }
    }

    /// The value `q / to` source frames from the middle, on either side; |q| is at most `half · to`.
    pub(super) fn at(&self, q: i64) -> f64 {
        self.values[q.unsigned_abs() as usize]
    }
}

/// Whether a ratio's table is small enough to be kept.
pub(super) fn is_small(ratio: Ratio) -> bool {
    2 * half_frames(ratio) as u64 * u64::from(ratio.to) <= MOST_VALUES
}

/// Half the length of a ratio's filter in source frames.
pub(super) fn half_frames(ratio: Ratio) -> usize {
    let (from, to) = (u64::from(ratio.from), u64::from(ratio.to));
    (u64::from(HALF_TAPS) * from.max(to)).div_ceil(to) as usize
}

/// sin(π q / wave) / (π q / wave); the sine's angle is reduced in integers.
fn sinc(q: u64, wave: u64) -> f64 {
    if q == 0 {
        return 1.0;
    }
    let turn = q % (2 * wave);
    let (sign, turn) = if turn >= wave { (-1.0, turn - wave) } else { (1.0, turn) };
    if turn == 0 {
        return 0.0;
    }
    sign * libm::sin(PI * (turn as f64 / wave as f64)) / (PI * (q as f64 / wave as f64))
}

/// The modified Bessel function of the first kind and order 0, by its series Σ ((x/2)ⁿ / n!)², which is short enough for the
/// x below 25 that are asked here.
struct Bessel {
    /// 1 / n².
    steps: [f64; 64],
}

impl Bessel {
    fn new() -> Self {
        let mut steps = [0.0; 64];
        for (n, step) in steps.iter_mut().enumerate() {
            *step = 1.0 / ((n + 1) * (n + 1)) as f64;
        }
        Self { steps }
    }

    fn i0(&self, x: f64) -> f64 {
        let square = 0.25 * x * x;
        let (mut term, mut sum) = (1.0, 1.0);
        for step in self.steps {
            term *= square * step;
            sum += term;
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST Digital Library of Mathematical Functions, section 10.25 (values of I₀ from Abramowitz and Stegun, table 9.8, from
    /// memory): I₀(1) = 1.266 065 878, I₀(5) = 27.239 871 824, I₀(10) = 2815.716 628.
    #[test]
    fn the_bessel_function_is_that_of_the_tables() {
        let bessel = Bessel::new();
        for (x, wanted) in [
            (0.0, 1.0),
            (1.0, 1.266_065_877_752_008_4),
            (5.0, 27.239_871_823_604_442),
            (10.0, 2_815.716_628_466_254),
        ] {
            assert!((bessel.i0(x) / wanted - 1.0).abs() < 1e-14, "{x}: {}", bessel.i0(x));
        }
    }
}
