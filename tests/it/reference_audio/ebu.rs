//! True peak and loudness on the test signals of EBU Tech 3341 v4.0 (2023), Table 1, synthesised from their
//! description. Tolerances are the document's: true peak +0.2/−0.4 dB, loudness ±0.1 LU.

use std::f64::consts::{PI, TAU};

use loadin_audio::{Block, Loudness, TruePeak};
use proptest::prelude::*;

use super::db;

const RATE: u32 = 48_000;

fn true_peak(samples: &[f64], rate_hz: u32) -> f64 {
    let mut meter = TruePeak::new(1, rate_hz);
    meter.push(&Block::from_channels(vec![samples.to_vec()]));
    let (least, greatest) = meter.finish()[0].between;
    db(greatest.max(-least))
}

/// A sine of `rate / divisor` Hz with a 10 ms taper at both ends.
fn tapered(divisor: f64, amplitude: f64, degrees: f64) -> Vec<f64> {
    let frames = RATE as usize;
    let taper = f64::from(RATE) / 100.0;
    (0..frames)
        .map(|n| {
            let edge = (n as f64).min((frames - 1 - n) as f64) / taper;
            amplitude * edge.min(1.0) * (TAU * n as f64 / divisor + degrees.to_radians()).sin()
        })
        .collect()
}

fn assert_true_peak(case: u32, found: f64, expected: f64) {
    assert!(
        (expected - 0.4..=expected + 0.2).contains(&found),
        "case {case}: {found:.3} dBTP, expected {expected}"
    );
}

#[test]
fn cases_15_to_19_true_peak_of_sines() {
    let cases = [
        (15, 4.0, 0.50, 0.0, -6.0),
        (16, 4.0, 0.50, 45.0, -6.0),
        (17, 6.0, 0.50, 60.0, -6.0),
        (18, 8.0, 0.50, 67.5, -6.0),
        (19, 4.0, 1.41, 45.0, 3.0),
    ];
    for (case, divisor, amplitude, degrees, expected) in cases {
        assert_true_peak(case, true_peak(&tapered(divisor, amplitude, degrees), RATE), expected);
    }
}

/// Cases 20 to 23: at four times the rate, a sine of 1/6 of it (24 samples) with one period of fs/4 at twice the
/// amplitude within; low-pass at half of fs; every fourth sample from offset 0 to 3.
#[test]
fn cases_20_to_23_true_peak_between_the_samples() {
    let half = 40_000i64;
    let burst = |k: i64| {
        let k = k as f64;
        if k < -8.0 {
            0.5 * (TAU * (k + 8.0) / 24.0).sin()
        } else if k <= 8.0 {
            (TAU * (k + 8.0) / 16.0).sin()
        } else {
            0.5 * (TAU * (k - 8.0) / 24.0).sin()
        }
    };
    // A 255-tap Hamming sinc at a quarter of the Nyquist frequency, as in the recipe of the published files.
    let taps: Vec<f64> = (-127i64..=127)
        .map(|n| {
            let sinc = if n == 0 { 0.25 } else { (PI * n as f64 / 4.0).sin() / (PI * n as f64) };
            sinc * (0.54 + 0.46 * (PI * n as f64 / 127.0).cos())
        })
        .collect();
    let gain: f64 = taps.iter().sum();
    let fade = |k: i64| ((k + half) as f64 / 19_200.0).min((half - k) as f64 / 19_200.0).clamp(0.0, 1.0);
    for (case, offset) in (20..).zip(0..4) {
        let samples: Vec<f64> = (-half..half)
            .step_by(4)
            .map(|at| {
                let k = at + offset;
                let sum: f64 =
                    (-127i64..=127).zip(&taps).map(|(n, tap)| tap * burst(k - n) * fade(k - n)).sum();
                sum / gain
            })
            .collect();
        assert_true_peak(case, true_peak(&samples, RATE), 0.0);
    }
}

/// The under-read of BS.1770, Attachment 1 to Annex 2, at four times: 0.688 dB at the most.
#[test]
fn the_under_read_stays_within_the_published_bound() {
    for step in 1..45 {
        let hz = 0.01 * f64::from(step) * f64::from(RATE);
        let found = true_peak(&tapered(f64::from(RATE) / hz, 0.5, 33.0), RATE);
        assert!((-6.0206 - 0.7..-6.0206 + 0.2).contains(&found), "{hz} Hz: {found:.3}");
    }
}

/// The true peak of smoothed noise by our meter and by the ebur128 library's (the reference of libebur128, 49 taps). The
/// library never empties its filter, so it gets silence of more than its length behind: else it misses a peak at the end.
fn by_both(seed: u64, rate: u32, gain: f64) -> (f64, f64) {
    let noise = loadin_audio::signal::noise(seed, gain, 12_000);
    let smooth: Vec<f64> = noise.windows(3).map(|w| 0.25 * w[0] + 0.5 * w[1] + 0.25 * w[2]).collect();
    let mut library = ebur128::EbuR128::new(1, rate, ebur128::Mode::TRUE_PEAK).unwrap();
    library.add_frames_f64(&smooth).unwrap();
    library.add_frames_f64(&[0.0; 64]).unwrap();
    (true_peak(&smooth, rate), db(library.true_peak(0).unwrap()))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Both interpolate with filters of their own, so noise is kept below 0.8 of the Nyquist frequency, where they agree
    /// within 0.3 dB.
    #[test]
    fn agrees_with_the_ebur128_library(seed in any::<u64>(), rate in prop_oneof![Just(44_100u32), Just(48_000), Just(96_000)], gain in 0.05f64..1.0) {
        let (ours, theirs) = by_both(seed, rate, gain);
        prop_assert!((ours - theirs).abs() < 0.3, "{} dBTP, the library says {}", ours, theirs);
    }
}

/// This noise has its peak between its last two samples.
#[test]
fn a_peak_at_the_very_end_counts() {
    let (ours, theirs) = by_both(15_239_549_166_642_499_032, 44_100, 0.05);
    assert!((ours - theirs).abs() < 0.3, "{ours} dBTP, the library says {theirs}");
}

/// Steps of (dBFS, seconds).
type Levels<'a> = &'a [(f64, f64)];

/// 1 kHz in phase on both channels, phase continuous.
fn steps(levels: Levels<'_>) -> Vec<f64> {
    let mut samples = Vec::new();
    for (level, seconds) in levels {
        let amplitude = 10f64.powf(level / 20.0);
        for _ in 0..(seconds * f64::from(RATE)).round() as usize {
            samples.push(amplitude * (TAU * 1000.0 * samples.len() as f64 / f64::from(RATE)).sin());
        }
    }
    samples
}

#[test]
fn cases_1_to_5_integrated_loudness() {
    let cases: [(u32, Levels<'_>, f64); 5] = [
        (1, &[(-23.0, 20.0)], -23.0),
        (2, &[(-33.0, 20.0)], -33.0),
        (3, &[(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)], -23.0),
        (4, &[(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)], -23.0),
        (5, &[(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)], -23.0),
    ];
    for (case, levels, expected) in cases {
        let samples = steps(levels);
        let mut meter = Loudness::new(2, RATE);
        meter.push(&Block::from_channels(vec![samples.clone(), samples]));
        let found = meter.integrated().unwrap();
        assert!((found - expected).abs() <= 0.1, "case {case}: {found:.3} LUFS");
    }
}

#[test]
fn cases_1_and_2_momentary_and_short_term() {
    for level in [-23.0, -33.0] {
        let samples = steps(&[(level, 20.0)]);
        let mut meter = Loudness::new(2, RATE);
        meter.push_followed(&Block::from_channels(vec![samples.clone(), samples]), RATE);
        let (momentary, short_term) = meter.greatest();
        assert!(
            (momentary - level).abs() <= 0.1 && (short_term - level).abs() <= 0.1,
            "{momentary} {short_term}"
        );
    }
}

/// Case 6: five channels, L R C Ls Rs in the order of the ITU.
#[test]
fn case_6_five_channels() {
    let of = |level: f64| steps(&[(level, 20.0)]);
    let mut meter = Loudness::new(5, RATE);
    meter.push(&Block::from_channels(vec![of(-28.0), of(-28.0), of(-24.0), of(-30.0), of(-30.0)]));
    let found = meter.integrated().unwrap();
    assert!((found + 23.0).abs() <= 0.1, "{found:.3} LUFS");
}
