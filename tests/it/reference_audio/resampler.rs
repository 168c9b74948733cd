//! The resampler against analytic signals, for all ordered pairs of the usual rates. The signal is its own reference:
//! a sine is the same sine at every rate.

use loadin_audio::{Block, Resampler, rescale_frames, signal, starting_phase};
use proptest::prelude::*;

use super::{db, fit};

const RATES: [u32; 6] = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];

fn convert(samples: Vec<f64>, from_hz: u32, to_hz: u32) -> Vec<f64> {
    run(Resampler::new(from_hz, to_hz, 1), samples)
}

fn run(mut resampler: Resampler, samples: Vec<f64>) -> Vec<f64> {
    let mut block = Block::from_channels(vec![samples]);
    resampler.process(&mut block);
    let mut rest = Block::new(1);
    resampler.finish(&mut rest);
    block.append(&rest, 0, rest.frames());
    block.channel(0).to_vec()
}

fn pairs() -> impl Iterator<Item = (u32, u32)> {
    RATES
        .into_iter()
        .flat_map(|from| RATES.into_iter().filter(move |to| *to != from).map(move |to| (from, to)))
}

/// The middle of a converted sine of 0.4 s, and the frame at which it begins.
fn middle(hz: f64, from_hz: u32, to_hz: u32) -> (Vec<f64>, usize) {
    let converted = convert(signal::sine(hz, 0.5, from_hz, from_hz as usize * 2 / 5), from_hz, to_hz);
    let (start, end) = (converted.len() / 4, converted.len() * 3 / 4);
    (converted[start..end].to_vec(), start)
}

/// Passband within ±0.0005 dB up to 0.9 of the lower Nyquist frequency.
#[test]
fn the_passband_is_flat() {
    for (from_hz, to_hz) in pairs() {
        let nyquist = f64::from(from_hz.min(to_hz)) / 2.0;
        for part in [0.001, 0.05, 0.3, 0.6, 0.8, 0.9] {
            let (samples, first) = middle(part * nyquist, from_hz, to_hz);
            let (amplitude, ..) = fit(&samples, first, part * nyquist, f64::from(to_hz));
            let gain = db(amplitude / 0.5);
            assert!(gain.abs() <= 0.0005, "{from_hz} -> {to_hz} at {part} of Nyquist: {gain:.6} dB");
        }
    }
}

/// 997 Hz and 0.6 of the lower Nyquist frequency: what is not the sine lies 190 dB below it.
#[test]
fn a_tone_stays_clean() {
    for (from_hz, to_hz) in pairs() {
        for hz in [997.0, 0.3 * f64::from(from_hz.min(to_hz))] {
            let (samples, first) = middle(hz, from_hz, to_hz);
            let (amplitude, _, rest) = fit(&samples, first, hz, f64::from(to_hz));
            let ratio = db(amplitude / std::f64::consts::SQRT_2 / rest);
            assert!(ratio >= 190.0, "{from_hz} -> {to_hz} at {hz} Hz: {ratio:.1} dB");
        }
    }
}

/// The same signal lands within a millionth of a frame at every rate, at 1 kHz and 15 kHz.
#[test]
fn all_rates_land_together() {
    for (from_hz, to_hz) in pairs() {
        for hz in [1000.0, 15_000.0] {
            let (samples, first) = middle(hz, from_hz, to_hz);
            let (_, phase, _) = fit(&samples, first, hz, f64::from(to_hz));
            let frames = phase / std::f64::consts::TAU * f64::from(to_hz) / hz;
            assert!(frames.abs() < 1e-6, "{from_hz} -> {to_hz} at {hz} Hz: {frames:.9} frames");
        }
    }
}

/// A sound that is stamped between two frames begins there: twenty fractions a pair, within a millionth of a frame.
#[test]
fn every_fraction_of_a_frame_is_exact() {
    for (from_hz, to_hz) in pairs() {
        let sine = signal::sine(5000.0, 0.5, from_hz, from_hz as usize / 20);
        for nth in 0..20u64 {
            let stamp = 3600 * u64::from(from_hz) + 7 * nth;
            let place = rescale_frames(stamp, from_hz, to_hz);
            let phase = starting_phase(place as i64, stamp, from_hz, to_hz).expect("a usual pair");
            let found = run(Resampler::starting_at(from_hz, to_hz, 1, phase), sine.clone());
            let middle = found.len() / 4..found.len() * 3 / 4;
            let (_, turn, _) = fit(&found[middle.clone()], middle.start, 5000.0, f64::from(to_hz));
            // How much later than the stamp the first frame stands, in frames (arithmetic), is how far the sine has gone there.
            let later = (i128::from(place) * i128::from(from_hz) - i128::from(stamp) * i128::from(to_hz))
                as f64
                / f64::from(from_hz);
            let miss = turn / std::f64::consts::TAU * f64::from(to_hz) / 5000.0 - later;
            assert!(miss.abs() < 1e-6, "{from_hz} -> {to_hz} at {stamp}: {miss:.9} frames beside");
        }
    }
}

/// Tones above the output's Nyquist frequency that would fold below 20 kHz, and images of tones below it: −170 dB.
#[test]
fn nothing_folds_into_the_audible() {
    for (from_hz, to_hz) in pairs() {
        let rate = f64::from(to_hz);
        if from_hz > to_hz {
            for folded in [1000.0, 7000.0, 12_000.0, 19_500.0] {
                let hz = rate - folded;
                if hz < f64::from(from_hz) / 2.0 {
                    let (samples, first) = middle(hz, from_hz, to_hz);
                    let (amplitude, ..) = fit(&samples, first, folded, rate);
                    assert!(
                        db(amplitude / 0.5) <= -170.0,
                        "{from_hz} -> {to_hz}: {hz} Hz at {:.1} dB",
                        db(amplitude / 0.5)
                    );
                }
            }
        } else {
            for hz in [5000.0, 15_000.0, 19_000.0] {
                let image = f64::from(from_hz) - hz;
                if image < rate / 2.0 {
                    let (samples, first) = middle(hz, from_hz, to_hz);
                    let (amplitude, ..) = fit(&samples, first, image, rate);
                    assert!(
                        db(amplitude / 0.5) <= -170.0,
                        "{from_hz} -> {to_hz}: image of {hz} Hz at {:.1} dB",
                        db(amplitude / 0.5)
                    );
                }
            }
        }
    }
}

/// length = round(n · to / from), halves up, for all short lengths.
#[test]
fn lengths_are_exact() {
    for (from_hz, to_hz) in [(44_100, 48_000), (48_000, 44_100), (96_000, 44_100), (44_100, 192_000)] {
        for frames in 0..=2000u64 {
            let wanted = (2.0 * frames as f64 * f64::from(to_hz) / f64::from(from_hz)).round() / 2.0;
            let length = rescale_frames(frames, from_hz, to_hz);
            assert!((length as f64 - wanted).abs() <= 0.5, "{frames}: {length}");
            if frames % 97 == 0 || frames < 4 {
                let found = convert(vec![0.25; frames as usize], from_hz, to_hz).len() as u64;
                assert_eq!(found, length, "{from_hz} -> {to_hz}, {frames} frames");
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(12))]
    #[test]
    fn lengths_are_exact_for_any_length_and_rate(frames in 0usize..120_000, from in 8_000u32..=384_000, to in 0usize..6) {
        let to_hz = RATES[to];
        let wanted = (u128::from(frames as u64) * u128::from(to_hz) * 2 + u128::from(from)) / (2 * u128::from(from));
        prop_assert_eq!(convert(vec![0.1; frames], from, to_hz).len() as u128, wanted);
    }

    /// Lengths that no test can convert: the arithmetic that every conversion ends with.
    #[test]
    fn large_lengths_are_exact(frames in 0u64..1 << 48, from in 0usize..6, to in 0usize..6) {
        let (from_hz, to_hz) = (u128::from(RATES[from]), u128::from(RATES[to]));
        let found = u128::from(rescale_frames(frames, RATES[from], RATES[to]));
        let exact_twice = 2 * u128::from(frames) * to_hz;
        prop_assert!(2 * found * from_hz <= exact_twice + from_hz && 2 * found * from_hz + from_hz > exact_twice);
    }
}

/// A linear ramp comes out as the same ramp: first and last frame in place, to a hundredth of a frame.
#[test]
fn a_ramp_stays_in_place() {
    for (from_hz, to_hz) in pairs() {
        let frames = from_hz as usize / 2;
        let ramp: Vec<f64> = (0..frames).map(|n| n as f64 / f64::from(from_hz)).collect();
        let found = convert(ramp, from_hz, to_hz);
        let (start, frames) = (found.len() / 4, found.len() / 2);
        for (frame, value) in found.iter().enumerate().skip(start).take(frames) {
            let wanted = frame as f64 / f64::from(to_hz);
            let miss = (value - wanted) * f64::from(to_hz);
            assert!(miss.abs() < 0.01, "{from_hz} -> {to_hz}, frame {frame}: {miss:.5} frames");
        }
    }
}
