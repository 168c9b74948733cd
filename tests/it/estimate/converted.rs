//! How little of a delivery is converted before it is rendered. Counted over invented songs of 40 stems; in every other one all
//! stems peak within 1 dB of each other. Two songs here, `LOADIN_CONVERTED=40 cargo test -p loadin-tests converted --
//! --nocapture` for the whole proof.

use loadin_audio::{Block, ConvertedPeaks, Extremes, Resampler, TruePeak};

use super::band::Dice;
use super::mixes::{Placing, ROLES, Song};

const FROM_HZ: u32 = 44_100;
const TO_HZ: u32 = 48_000;

/// Seconds of a song.
const SECONDS: usize = 14;

/// The extremes of a converted stem by converting all of it.
fn by_converting(sound: &[f64]) -> Extremes {
    let mut block = Block::from_channels(vec![sound.to_vec()]);
    let mut resampler = Resampler::new(FROM_HZ, TO_HZ, 1);
    let mut meter = TruePeak::new(1, TO_HZ);
    resampler.process(&mut block);
    meter.push(&block);
    block.clear();
    resampler.finish(&mut block);
    meter.push(&block);
    meter.finish()[0]
}

fn looked_at(sound: &[f64]) -> (Extremes, u64) {
    let mut meter = ConvertedPeaks::new(FROM_HZ, TO_HZ, 1, 0);
    for piece in sound.chunks(4096) {
        meter.push(&Block::from_channels(vec![piece.to_vec()]));
    }
    let (found, made) = meter.counted();
    (found[0], made)
}

/// Which part of a song's samples is converted before the render, when the stems' peaks are as they are drawn, or all within
/// 1 dB of each other. The peaks, from which the gain follows, are those of converting everything.
fn share(seed: u64, alike: bool) -> f64 {
    let roles: Vec<&str> = (0..40).map(|n| ROLES[n % ROLES.len()]).collect();
    let song = Song::new(seed, SECONDS, &roles, Placing::Whole);
    let dice = &mut Dice::new(seed);
    let (mut made, mut all) = (0, 0);
    for part in &song.parts {
        let peak = part.in_mix.iter().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
        let wanted = 0.5 * 10f64.powf(-dice.part() / 20.0);
        let gain = if alike { wanted / peak } else { 1.0 };
        let sound: Vec<f64> = part.in_mix.iter().map(|sample| gain * sample).collect();
        let (found, count) = looked_at(&sound);
        assert_eq!(found, by_converting(&sound), "{} of song {seed}", part.name);
        made += count;
        all += sound.len() as u64 * u64::from(TO_HZ) / u64::from(FROM_HZ);
    }
    made as f64 / all as f64
}

#[test]
fn at_most_a_quarter_is_converted_before_the_render() {
    #[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
    let songs: u64 = std::env::var("LOADIN_CONVERTED").ok().and_then(|text| text.parse().ok()).unwrap_or(2);
    for alike in [false, true] {
        let drawn = (0..songs).filter(|song| (song % 2 == 1) == alike);
        let mut shares: Vec<f64> = drawn.map(|song| share(5000 + song, alike)).collect();
        shares.sort_by(f64::total_cmp);
        let middle = shares[shares.len() / 2];
        println!(
            "peaks alike: {alike}; converted: {:.3}, {middle:.3}, {:.3}",
            shares[0],
            shares[shares.len() - 1]
        );
        assert!(middle <= 0.25, "{middle} of all samples");
    }
}
