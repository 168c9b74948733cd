//! Meters, dither and resampler against published figures and general-purpose libraries.

mod ebu;
mod resampler;
mod tpdf;

/// Amplitude of one frequency in a signal: least-squares fit of a sine and a cosine, and the rest that does not fit.
///
/// Returns amplitude, phase in radians, and RMS of the residual.
pub(crate) fn fit(samples: &[f64], first: usize, hz: f64, rate_hz: f64) -> (f64, f64, f64) {
    let step = std::f64::consts::TAU * hz / rate_hz;
    let (mut ss, mut cc, mut sc, mut sx, mut cx) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (index, sample) in samples.iter().enumerate() {
        let (s, c) = (step * (first + index) as f64).sin_cos();
        ss += s * s;
        cc += c * c;
        sc += s * c;
        sx += s * sample;
        cx += c * sample;
    }
    let determinant = ss * cc - sc * sc;
    let (a, b) = ((sx * cc - cx * sc) / determinant, (cx * ss - sx * sc) / determinant);
    let rest: f64 = samples
        .iter()
        .enumerate()
        .map(|(index, sample)| {
            let (s, c) = (step * (first + index) as f64).sin_cos();
            (sample - a * s - b * c).powi(2)
        })
        .sum();
    (a.hypot(b), b.atan2(a), (rest / samples.len() as f64).sqrt())
}

/// Decibels of an amplitude.
pub(crate) fn db(amplitude: f64) -> f64 {
    20.0 * amplitude.abs().log10()
}
