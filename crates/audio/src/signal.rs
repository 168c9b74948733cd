//! Test signals: seeded, analytic, for tests, benches and the demo. No part of the product knows them.

use dasp::signal::{self, Signal};

/// A sine of `amplitude` at `hz`, starting at phase zero.
pub fn sine(hz: f64, amplitude: f64, rate_hz: u32, frames: usize) -> Vec<f64> {
    signal::rate(f64::from(rate_hz)).const_hz(hz).sine().scale_amp(amplitude).take(frames).collect()
}

/// White noise between ±`amplitude`, the same for the same seed.
pub fn noise(seed: u64, amplitude: f64, frames: usize) -> Vec<f64> {
    signal::noise(seed).scale_amp(amplitude).take(frames).collect()
}

/// A sine that decays by 60 dB in `seconds`.
pub fn decay(hz: f64, amplitude: f64, seconds: f64, rate_hz: u32, frames: usize) -> Vec<f64> {
    let mut samples = sine(hz, amplitude, rate_hz, frames);
    for (frame, sample) in samples.iter_mut().enumerate() {
        *sample *= libm::pow(10.0, -3.0 * frame as f64 / (seconds * f64::from(rate_hz)));
    }
    samples
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn signals_are_what_they_say() {
        let found = sine(1000.0, 0.5, 48_000, 48);
        assert!((found[12] - 0.5).abs() < 1e-9 && found[0].abs() < 1e-12);
        assert_eq!(noise(7, 1.0, 100), noise(7, 1.0, 100));
        assert!(noise(7, 0.25, 1000).iter().all(|sample| sample.abs() <= 0.25));
        assert!(decay(100.0, 1.0, 0.5, 8000, 4001)[3980..].iter().all(|sample| sample.abs() < 0.0011));
    }
}
