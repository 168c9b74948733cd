//! What is in the rough mix and in no stem is reported with its time and band; where nothing can be known, nothing is
//! claimed.
//!
//! Six of thirty stems are left out here; `LOADIN_LEAVE_OUT=30 cargo test -p loadin-tests leave_one_out` for all.

use loadin_audio::Decibels;
use loadin_tests::Delivery;
use serde_json::Value;

use super::band::{Dice, drum, later, line, noise, sum};
use crate::job::{findings, prep, stem};

const RATE: u32 = 44_100;
const FRAMES: usize = 16 * RATE as usize;
const STEMS: usize = 30;

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn wanted_trials() -> usize {
    std::env::var("LOADIN_LEAVE_OUT").ok().and_then(|text| text.parse().ok()).unwrap_or(6)
}

/// A stem of the set: when it plays, how low it lies, and its sound.
struct Part {
    name: String,
    from: f64,
    to: f64,
    sound: Vec<f64>,
}

/// Thirty stems over 40 dB of level; a third plays only for a while.
fn parts(dice: &mut Dice) -> Vec<Part> {
    let words = ["Zither", "Marimba", "Kora", "Oud", "Sitar", "Harp"];
    let part = |index: usize| {
        let (from, to) = if index.is_multiple_of(3) {
            (dice.between(1.0, 5.0), dice.between(8.0, 15.0))
        } else {
            (0.0, 16.0)
        };
        let every = dice.between(0.2, 0.6);
        let mut sound = if index % 5 == 4 {
            drum(dice, 60.0 * 2f64.powf(index as f64 / 8.0), every, RATE, FRAMES)
        } else {
            line(dice, 60.0 * 2f64.powf(index as f64 / 8.0), RATE, FRAMES)
        };
        let gain = 0.05 * 10f64.powf(-dice.between(0.0, 30.0) / 20.0);
        for (n, sample) in sound.iter_mut().enumerate() {
            let seconds = n as f64 / f64::from(RATE);
            *sample *= if seconds < from || seconds > to { 0.0 } else { gain };
        }
        Part { name: format!("{} {index}.wav", words[index % words.len()]), from, to, sound }
    };
    (0..STEMS).map(part).collect()
}

/// Every stem with bleed of its neighbour and hiss, as it is delivered.
fn delivered(parts: &[Part], dice: &mut Dice) -> Vec<Vec<f64>> {
    let bleeding = |index: usize| {
        let neighbour = &parts[(index + 1) % parts.len()].sound;
        let bleed = if index.is_multiple_of(4) { later(neighbour, 60, 0.02) } else { vec![0.0; FRAMES] };
        sum(&[&parts[index].sound, &bleed, &noise(dice, 2e-5, FRAMES)])
    };
    (0..parts.len()).map(bleeding).collect()
}

fn rough(stems: &[Vec<f64>], dice: &mut Dice) -> Vec<f64> {
    let gains: Vec<f64> = stems.iter().map(|_| 0.7 * 10f64.powf(dice.between(-4.0, 4.0) / 20.0)).collect();
    (0..FRAMES).map(|n| stems.iter().zip(&gains).map(|(stem, gain)| gain * stem[n]).sum()).collect()
}

/// How much of a sound's energy below 2.5 kHz, where it is compared, lies between two frequencies.
fn share_of_energy(sound: &[f64], low_hz: f64, high_hz: f64) -> f64 {
    let forward = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(sound.len());
    let mut bins = forward.make_output_vec();
    forward.process(&mut sound.to_vec(), &mut bins).unwrap();
    let bin = |hz: f64| (hz / f64::from(RATE) * sound.len() as f64) as usize;
    let energy =
        |from, to| bins[bin(from)..bin(to)].iter().map(realfft::num_complex::Complex::norm_sqr).sum::<f64>();
    energy(low_hz, high_hz) / energy(0.0, 2500.0)
}

fn finding<'a>(manifest: &'a Value, id: &str) -> Vec<&'a Value> {
    manifest["findings"].as_array().unwrap().iter().filter(|finding| finding["id"] == id).collect()
}

#[test]
fn leave_one_out() {
    let mut dice = Dice::new(31);
    let parts = parts(&mut dice);
    let stems = delivered(&parts, &mut dice);
    let mix = later(&rough(&stems, &mut dice), 529, 1.0);
    let delivery = Delivery::new("Leave One Out");
    for (part, sound) in parts.iter().zip(&stems) {
        delivery.wav(&part.name, RATE, 24, std::slice::from_ref(sound));
    }
    delivery.wav("Rough Mix.wav", RATE, 16, std::slice::from_ref(&mix));

    let (ran, whole) = prep(&delivery.path(), &delivery.out("whole"), &[]);
    assert!(finding(&whole, "missing-stem").is_empty(), "{}", whole["rough_mix"]);
    assert_eq!(whole["rough_mix"]["cannot_judge"], Value::Null, "{} {}", ran.err, whole["rough_mix"]);
    println!("complete: {} dB unexplained", whole["rough_mix"]["unexplained_db"]);
    let delay = whole["rough_mix"]["delay_frames"].as_f64().unwrap();
    assert!((delay - 529.0).abs() <= 1.0 && whole["rough_mix"]["polarity"] == "same", "{delay}");

    let energy = |samples: &[f64]| samples.iter().map(|x| x * x).sum::<f64>();
    let (mut told, mut trials) = (0, 0);
    for trial in 0..wanted_trials() {
        let index = (trial * 7) % STEMS;
        let part = &parts[index];
        let below = Decibels::from_ratio((energy(&part.sound) / energy(&mix)).sqrt()).0;
        if below < -40.0 {
            continue;
        }
        trials += 1;
        let path = delivery.path().join(&part.name);
        let bytes = std::fs::read(&path).unwrap();
        std::fs::remove_file(&path).unwrap();
        let out = delivery.out(&format!("without {index}"));
        let (_, manifest) = prep(&delivery.path(), &out, &[]);
        std::fs::write(&path, bytes).unwrap();
        std::fs::remove_dir_all(&out).unwrap();
        let gaps = finding(&manifest, "missing-stem");
        let covered: f64 = gaps
            .iter()
            .map(|gap| {
                let number = |key: &str| gap["evidence"][key].as_f64().unwrap();
                (number("to_seconds").min(part.to) - number("from_seconds").max(part.from)).max(0.0)
            })
            .sum();
        let share = covered / (part.to - part.from);
        let bands: Vec<_> =
            gaps.iter().map(|g| (&g["evidence"]["low_hz"], &g["evidence"]["high_hz"])).collect();
        println!(
            "without {} ({below:.1} dB): {:.0} % of its time, bands {bands:?}",
            part.name,
            100.0 * share
        );
        let held = gaps.iter().map(|gap| {
            let hz = |key: &str| gap["evidence"][key].as_f64().unwrap();
            share_of_energy(&part.sound, hz("low_hz"), hz("high_hz"))
        });
        let held = held.fold(0.0, f64::max);
        assert!(held >= 0.5, "{}: {:.0} % of it is in the band that is named", part.name, 100.0 * held);
        told += u32::from(share >= 0.5);
        assert!(share >= 0.5, "{} {below:.1} dB: {}", part.name, manifest["rough_mix"]);
    }
    println!("{told} of {trials} missing stems are reported, none on the complete set");
    assert!(trials > 0);
}

/// A rough mix that was bent beyond measure raises no alarm, and one that is mostly reverberation says that it shows nothing.
#[test]
fn nothing_is_claimed_by_a_rough_mix_that_proves_nothing() {
    let mut dice = Dice::new(32);
    let parts = parts(&mut dice);
    let stems = delivered(&parts, &mut dice);
    let mix = rough(&stems, &mut dice);
    let peak = mix.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
    let limited: Vec<f64> = mix.iter().map(|x| (4.0 * x / peak).clamp(-0.9, 0.9)).collect();
    let mut wet = mix.clone();
    for _ in 0..40 {
        let (frames, sign) = (dice.of(40_000) + 500, if dice.part() < 0.5 { 1.0 } else { -1.0 });
        for n in frames..FRAMES {
            wet[n] += 0.35 * sign * mix[n - frames];
        }
    }
    let peak_wet = wet.iter().fold(0.0f64, |peak, x| peak.max(x.abs()));
    let wet: Vec<f64> = wet.iter().map(|x| 0.8 * x / peak_wet).collect();
    for (name, mix, left_out) in [("Limited", limited, 0), ("Wet", wet, 1)] {
        let delivery = Delivery::new(name);
        for (part, sound) in parts.iter().zip(&stems).skip(left_out) {
            delivery.wav(&part.name, RATE, 24, std::slice::from_ref(sound));
        }
        delivery.wav("Rough Mix.wav", RATE, 16, &[mix]);
        let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
        println!("{name}: {} {}", manifest["rough_mix"]["cannot_judge"], manifest["rough_mix"]["processed"]);
        assert!(finding(&manifest, "missing-stem").is_empty(), "{name}: {}", manifest["rough_mix"]);
        let unjudged = finding(&manifest, "rough-mix-not-judged").len();
        assert!(unjudged + finding(&manifest, "rough-mix-processed").len() == 1, "{name}");
        assert!(name == "Limited" || unjudged == 1, "{name}: {}", manifest["rough_mix"]);
    }
}

/// A stem that was muted in the rough mix is named.
#[test]
fn a_stem_that_is_not_in_the_mix_is_named() {
    let mut dice = Dice::new(33);
    let parts = parts(&mut dice);
    let stems = delivered(&parts, &mut dice);
    let loud = (0..STEMS).filter(|index| index % 4 != 3).max_by(|a, b| {
        let energy = |index: &usize| stems[*index].iter().map(|x| x * x).sum::<f64>();
        energy(a).total_cmp(&energy(b))
    });
    let muted = loud.unwrap();
    let delivery = Delivery::new("Muted");
    let mut mixed = stems.clone();
    mixed[muted].fill(0.0);
    for (part, sound) in parts.iter().zip(&stems) {
        delivery.wav(&part.name, RATE, 24, std::slice::from_ref(sound));
    }
    delivery.wav("Rough Mix.wav", RATE, 16, &[rough(&mixed, &mut dice)]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    for (index, part) in parts.iter().enumerate() {
        let ids = findings(stem(&manifest, &part.name));
        assert_eq!(
            ids.contains(&"not-in-rough-mix"),
            index == muted,
            "{}: {}",
            part.name,
            manifest["rough_mix"]
        );
    }
}
