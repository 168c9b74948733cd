//! The stream: lengths, cuts, ends, phases.

use super::*;

fn convert(samples: &[f64], from_hz: u32, to_hz: u32, piece: usize) -> Vec<f64> {
    converted(Resampler::new(from_hz, to_hz, 1), samples, piece)
}

fn converted(mut resampler: Resampler, samples: &[f64], piece: usize) -> Vec<f64> {
    let mut all = Block::new(1);
    for part in samples.chunks(piece.max(1)) {
        let mut block = Block::from_channels(vec![part.to_vec()]);
        resampler.process(&mut block);
        all.append(&block, 0, block.frames());
    }
    let mut rest = Block::new(1);
    resampler.finish(&mut rest);
    all.append(&rest, 0, rest.frames());
    rest.clear();
    resampler.finish(&mut rest);
    assert!(rest.is_empty(), "all has been given");
    all.channel(0).to_vec()
}

/// The last chunk is as if silence followed, wherever the stream ends in it.
#[test]
fn silence_follows_the_end() {
    for frames in [1, 1000, 1176, 3000] {
        let short = crate::signal::noise(7, 0.5, frames);
        let mut long = short.clone();
        long.resize(frames + 5000, 0.0);
        let (short, long) = (convert(&short, 44_100, 48_000, 700), convert(&long, 44_100, 48_000, 700));
        assert_eq!(short, long[..short.len()], "{frames} frames");
    }
}

fn ramp(frames: usize) -> Vec<f64> {
    (0..frames).map(|n| (n as f64 * 0.01).sin()).collect()
}

#[test]
fn lengths_are_exact_and_cutting_does_not_matter() {
    for frames in [0, 1, 5, 147, 1000, 4803] {
        let samples = ramp(frames);
        let whole = convert(&samples, 44_100, 48_000, frames);
        assert_eq!(whole.len() as u64, rescale_frames(frames as u64, 44_100, 48_000));
        assert_eq!(whole, convert(&samples, 44_100, 48_000, 7), "{frames}");
    }
}

#[test]
fn equal_rates_pass_untouched() {
    assert_eq!(convert(&ramp(1000), 48_000, 48_000, 64), ramp(1000));
}

#[test]
fn coprime_rates_work() {
    assert_eq!(
        convert(&ramp(50_000), 44_100, 47_999, 10_000).len() as u64,
        rescale_frames(50_000, 44_100, 47_999)
    );
}

/// The pairs of the usual rates, up and down, with whole and broken ratios, and one that is left to rubato.
const PAIRS: [(u32, u32); 9] = [
    (44_100, 48_000),
    (48_000, 44_100),
    (96_000, 48_000),
    (44_100, 88_200),
    (192_000, 44_100),
    (44_100, 384_000),
    (8_000, 48_000),
    (384_000, 8_000),
    (44_100, 47_999),
];

#[test]
fn all_usual_rates_are_fixed_and_odd_ones_are_not() {
    let usual = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
    for from in usual {
        for to in usual.into_iter().chain([8_000, 16_000, 22_050, 24_000, 32_000, 384_000]) {
            assert!(Resampler::is_fixed(from, to) && Resampler::is_fixed(to, from), "{from} and {to}");
        }
    }
    assert!(!Resampler::is_fixed(44_100, 47_999));
}

/// Pieces of any size, for every pair and phases of both signs.
#[test]
fn cutting_never_matters() {
    let samples = crate::signal::noise(3, 0.5, 12_000);
    for (from, to) in PAIRS {
        let most = if Resampler::is_fixed(from, to) {
            i64::from(from.max(to) / (from / Ratio::of(from, to).from)) - 1
        } else {
            0
        };
        for phase in [0, most, -most, most / 3] {
            let by = |piece| converted(Resampler::starting_at(from, to, 1, phase), &samples, piece);
            let whole = by(samples.len());
            assert_eq!(whole.len() as u64, rescale_frames(12_000, from, to));
            for piece in [1, 777, 4096] {
                assert!(whole == by(piece), "{from} -> {to} at {phase} in pieces of {piece}");
            }
        }
    }
}

/// A sine that starts a fraction later is the sine of that place: 1 kHz and 15 kHz (arithmetic), in the middle of the sound.
#[test]
fn a_phase_is_that_fraction_of_a_frame() {
    for (from, to) in PAIRS.into_iter().filter(|&(from, to)| Resampler::is_fixed(from, to)) {
        let ratio = Ratio::of(from, to);
        let hz = f64::from(from.min(to)) * 0.34;
        let frames = 9000.max(600 * from / to);
        let samples: Vec<f64> = (0..frames)
            .map(|n| (std::f64::consts::TAU * hz * f64::from(n) / f64::from(from)).sin())
            .collect();
        for twentieth in -19..20 {
            let phase = i64::from(ratio.from) * twentieth / 20;
            let found = converted(Resampler::starting_at(from, to, 1, phase), &samples, 4000);
            let beside = phase as f64 / f64::from(ratio.to);
            let middle = found.len() / 3..found.len() * 2 / 3;
            for (frame, value) in found.iter().enumerate().take(middle.end).skip(middle.start) {
                let place = frame as f64 * f64::from(from) / f64::from(to) + beside;
                let wanted = (std::f64::consts::TAU * hz * place / f64::from(from)).sin();
                assert!((value - wanted).abs() < 1e-9, "{from} -> {to} at {phase}: {value} is not {wanted}");
            }
        }
    }
}

/// Every output is the sum by its definition, h(n · from + phase − i · to) x(i) over all inputs i, whatever the mirrors are: at
/// the usual ratios, at those that have a mirror beside every output, and at those that have few. Where all that an output
/// reads is silent it is silent to the bit, however loud its mirror image is.
#[test]
fn outputs_are_what_the_filter_says() {
    for (from, to) in [
        (147, 160),
        (160, 147),
        (1, 2),
        (2, 1),
        (1, 3),
        (3, 1),
        (3, 2),
        (24, 1),
        (1, 48),
        (5, 7),
        (80, 441),
        (441, 80),
        (1280, 147),
        (147, 1280),
        (640, 441),
        (1, 1388),
    ] {
        let ratio = Ratio { from, to };
        let response = design::Response::of(ratio).expect("a small ratio");
        let reach = response.half as i64 * i64::from(to);
        let (noise, rest) = (700.max(14 * response.half), 3 * response.half);
        let mut samples = crate::signal::noise(9, 0.5, noise);
        samples[noise - rest..].fill(0.0);
        let highest = i64::from(from.max(to)) - 1;
        for phase in [0, 1, -highest, highest / 2] {
            let found = converted(Resampler::starting_at(from, to, 1, phase), &samples, 500);
            let step = 1.max(found.len() / 3000);
            for (output, found) in found.iter().enumerate().step_by(step) {
                let place = output as i64 * i64::from(from) + phase;
                let first = (place - reach).div_euclid(i64::from(to)).max(0);
                let last = ((place + reach).div_euclid(i64::from(to)) + 1).min(noise as i64);
                let (mut sum, mut silent) = (0.0, true);
                for input in first..last {
                    let beside = place - input * i64::from(to);
                    if beside.abs() <= reach {
                        let sample = samples[input as usize];
                        sum += response.at(beside) * sample;
                        silent &= sample == 0.0;
                    }
                }
                assert!(
                    (found - sum).abs() < 1e-13,
                    "{from}:{to} at {phase}, output {output}: {found} {sum}"
                );
                assert!(
                    !silent || found.to_bits() == 0,
                    "{from}:{to} at {phase}, output {output}: {found:e}"
                );
            }
        }
    }
}

/// Phases of a stereo pair are those of each channel alone.
#[test]
fn channels_are_kept_apart() {
    let [left, right] = [1, 2].map(|seed| crate::signal::noise(seed, 0.5, 5000));
    let mut resampler = Resampler::starting_at(44_100, 48_000, 2, -40);
    let mut block = Block::from_channels(vec![left.clone(), right.clone()]);
    resampler.process(&mut block);
    let mut rest = Block::new(2);
    resampler.finish(&mut rest);
    block.append(&rest, 0, rest.frames());
    for (channel, samples) in block.iter().zip([left, right]) {
        assert!(channel == converted(Resampler::starting_at(44_100, 48_000, 1, -40), &samples, 999));
    }
}

/// The same pair by rubato, whatever the ratio.
fn by_rubato(from: u32, to: u32) -> Resampler {
    let fft = Fft::new(Ratio::of(from, to), 1);
    let stream = Stream {
        collected: 0,
        early: 0,
        input: vec![vec![0.0; fft.chunk_in]],
        incoming: Block::new(1),
        engine: Engine::Fft(Box::new(fft)),
    };
    Resampler { rates_hz: (from, to), stream: Some(stream), taken: 0, given: 0 }
}

/// Many tones below 0.9 of the lower Nyquist frequency, beside the same by rubato's FFT resampler, which is independent of
/// ours: nothing above −160 dB, the first and the last tenth aside, where each filter rings in its own way.
#[test]
fn a_sound_is_what_an_independent_resampler_makes_of_it() {
    for (from, to) in PAIRS.into_iter().filter(|&(from, to)| Resampler::is_fixed(from, to)) {
        // Its filter is a thousand frames of the lower rate long, and rings as long at the ends.
        let frames = 30_000.max(9000 * from / to);
        let lower = f64::from(from.min(to)) / 2.0;
        let samples: Vec<f64> = (0..frames)
            .map(|n| {
                let tone = |k: u32| {
                    let hz = 0.9 * lower * f64::from(k) / 40.0;
                    (std::f64::consts::TAU * hz * f64::from(n) / f64::from(from) + f64::from(k * k)).sin()
                };
                0.02 * (1..=40).map(tone).sum::<f64>()
            })
            .collect();
        let found = convert(&samples, from, to, 5000);
        let wanted = converted(by_rubato(from, to), &samples, 5000);
        let ends = found.len() / 10;
        let worst = found.iter().zip(&wanted).skip(ends).take(found.len() - 2 * ends);
        let worst = worst.map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 1e-8, "{from} -> {to}: {worst:e}");
    }
}
