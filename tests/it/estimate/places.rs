//! A stem that starts at its own entry is put where the rough mix has it, to the frame, or left alone.
//!
//! Forty random places here; `LOADIN_PLACES=200 cargo test -p loadin-tests random_places` for all of the proof.

use loadin_audio::{Block, Decimator, Locator, Resampler, Sketcher};
use loadin_session::estimate::{PlaceFit, is_sure};
use loadin_tests::Delivery;

use super::band::{Dice, drum, later, line, noise, sum};
use crate::job::{prep, recipe, stem};

const RATE: u32 = 48_000;

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn wanted_places() -> u32 {
    std::env::var("LOADIN_PLACES").ok().and_then(|text| text.parse().ok()).unwrap_or(40)
}

fn resampled(samples: &[f64], from_hz: u32, to_hz: u32) -> Vec<f64> {
    let mut resampler = Resampler::new(from_hz, to_hz, 1);
    let mut block = Block::from_channels(vec![samples.to_vec()]);
    resampler.process(&mut block);
    let mut rest = Block::new(1);
    resampler.finish(&mut rest);
    block.append(&rest, 0, rest.frames());
    block.channel(0).to_vec()
}

fn sketched(samples: &[f64]) -> Vec<f32> {
    let mut sketcher = Sketcher::new(RATE, RATE);
    sketcher.push(&Block::from_channels(vec![samples.to_vec()]));
    let sketch = sketcher.finish();
    let mut out = vec![0.0; sketch.samples()];
    sketch.read(0, &mut out);
    out
}

fn rms(samples: &[f64]) -> f64 {
    (samples.iter().map(|x| x * x).sum::<f64>() / samples.len() as f64).sqrt()
}

/// The same band for all places, 24 s long.
fn band(dice: &mut Dice, frames: usize) -> Vec<Vec<f64>> {
    vec![
        drum(dice, 55.0, 0.48, RATE, frames),
        drum(dice, 190.0, 0.96, RATE, frames),
        drum(dice, 2000.0, 0.24, RATE, frames),
        line(dice, 55.0, RATE, frames),
        line(dice, 165.0, RATE, frames),
        line(dice, 330.0, RATE, frames),
    ]
}

/// Stems 4 to 32 dB below everything else, with bleed and hiss of their own, in a mix at 44.1 kHz, at another level and in
/// 16 bits. Where the answer is given it is right within a frame; it is given for most.
#[test]
fn random_places_are_right_or_declined() {
    let frames = 24 * RATE as usize;
    let mut dice = Dice::new(21);
    let band = band(&mut dice, frames);
    let parts: Vec<&[f64]> = band.iter().map(Vec::as_slice).collect();
    let rest = sum(&parts);
    let wanted = wanted_places();
    let (mut right, mut declined) = (0, 0);
    for trial in 0..wanted {
        let length = (dice.between(2.0, 8.0) * f64::from(RATE)) as usize;
        let clean = line(&mut dice, 80.0 * 2f64.powf(f64::from(trial % 9) / 3.0), RATE, length);
        let start = dice.of(frames - length);
        let below_db = dice.between(4.0, 32.0);
        let gain = rms(&rest) / rms(&clean).max(1e-9) * 10f64.powf(-below_db / 20.0);
        let mut mix = rest.clone();
        for (n, sample) in clean.iter().enumerate() {
            mix[start + n] += gain * sample;
        }
        let turned = if dice.part() < 0.2 { -0.5 } else { 0.5 };
        let rough: Vec<f64> = resampled(&mix, RATE, 44_100)
            .iter()
            .map(|x| ((turned * x + dice.between(-0.002, 0.002)) * 32_768.0).round() / 32_768.0)
            .collect();
        // Others are heard in the room of this one, a little later.
        let bleed = &band[trial as usize % band.len()][start..start + length];
        let hiss = noise(&mut dice, 0.004, length);
        let own = sum(&[&clean, &later(bleed, 200, 0.05 * rms(&clean) / rms(bleed).max(1e-9)), &hiss]);
        let (own, rough) = (sketched(&own), sketched(&resampled(&rough, 44_100, RATE)));
        let factor = f64::from(Decimator::factor(RATE));
        let locator = Locator::new(f64::from(RATE) / factor, factor as u32);
        let heard = locator.hear(&rough, own.len()).unwrap();
        let found = locator.locate(&own, &heard, 0..=rough.len() as i64).unwrap();
        let fit = PlaceFit {
            peak_ratio: found.ratio,
            rise: found.rise,
            uncertainty_frames: found.uncertainty * factor,
        };
        let off = (found.at * factor).round() - start as f64;
        if is_sure(&fit) {
            assert!(off.abs() <= 1.0, "{trial}: {off} frames off, {below_db:.1} dB below, {fit:?}");
            right += 1;
        } else {
            declined += 1;
            println!("{trial}: declined, {off} frames off, {below_db:.1} dB below, {fit:?}");
        }
    }
    println!("of {wanted} places {right} are right within a frame, {declined} are declined, none is wrong");
    assert!(right * 3 >= wanted * 2, "{right} of {wanted}");
}

/// The same through the command line: a rough mix at 44.1 kHz that begins 576 frames late; a voice that starts at its own
/// entry, and a loop of which every repetition is the same.
#[test]
fn a_stem_is_placed_only_where_the_recipe_says_so() {
    let frames = 24 * RATE as usize;
    let mut dice = Dice::new(22);
    let band = band(&mut dice, frames);
    let voice = line(&mut dice, 220.0, RATE, 7 * RATE as usize);
    let start = 401_237;
    let bar = drum(&mut dice, 900.0, 0.5, RATE, 2 * RATE as usize);
    let mut mix = sum(&band.iter().map(Vec::as_slice).collect::<Vec<_>>());
    for n in 0..frames {
        mix[n] +=
            0.5 * bar[n % bar.len()] + n.checked_sub(start).and_then(|at| voice.get(at)).unwrap_or(&0.0);
    }
    let delivery = Delivery::new("Own Entry");
    for (name, samples) in ["Kick", "Snare", "Hat", "Bass", "Guitar", "Piano"].iter().zip(&band) {
        delivery.wav(&format!("{name}.wav"), RATE, 24, &[later(samples, 0, 0.25)]);
    }
    delivery.wav("Lead Vox.wav", RATE, 24, &[later(&voice, 0, 0.3)]);
    delivery.wav("Clap Loop.wav", RATE, 24, &[later(&bar, 0, 0.3)]);
    let rough = resampled(&later(&mix, 576, 0.15), RATE, 44_100);
    delivery.wav("Rough Mix.wav", 44_100, 16, &[rough]);

    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let place = |manifest: &serde_json::Value, name: &str| {
        let findings = stem(manifest, name)["findings"].as_array().unwrap().clone();
        findings.into_iter().find(|finding| finding["id"] == "place-found")
    };
    let found = place(&manifest, "Lead Vox.wav").expect("the voice is found");
    println!("{found}");
    let at = found["evidence"]["start_frames"].as_i64().unwrap();
    assert!((at - start as i64).abs() <= 1 && found["evidence"]["applied"] == false, "{found}");
    assert!(place(&manifest, "Clap Loop.wav").is_none(), "every bar of it is the same");
    let shift =
        |manifest: &serde_json::Value| stem(manifest, "Lead Vox.wav")["time_map"]["shift_frames"].as_i64();
    let bass = |manifest: &serde_json::Value| stem(manifest, "Bass.wav")["time_map"]["shift_frames"].as_i64();
    assert_eq!(shift(&manifest), bass(&manifest), "it is not moved");

    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"align-starts\"\n\
                  by-rough-mix = true\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
    let recipe = recipe(delivery.path().parent().unwrap(), stages);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("placed"), &["--recipe", &recipe]);
    let found = place(&manifest, "Lead Vox.wav").unwrap_or_else(|| panic!("{}{}", ran.out, ran.err));
    assert_eq!(found["evidence"]["applied"], true);
    assert_eq!(shift(&manifest), Some(-at), "silence before it");
    assert_eq!(bass(&manifest), Some(0));
    let why = stem(&manifest, "Lead Vox.wav")["changes"][0]["why"].as_str();
    assert_eq!(why, Some("placed where the rough mix has it"));
}
