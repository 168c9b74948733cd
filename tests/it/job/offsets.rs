//! Offsets, seen from outside: what is one, what is none, and what a change of rate makes of it.

use std::f64::consts::{PI, TAU};
use std::path::Path;

use loadin_audio::signal;
use loadin_tests::{Delivery, codes, samples};
use serde_json::Value;

use super::{assert_same_files, comparable, findings, loadin, prep, recipe, stem};

const STAGES: &str = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\nrate = \"48 kHz\"\n[[stage]]\nstage = \"channel-fix\"\n[[stage]]\nstage = \"dc-removal\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"64-bit float\"\n";

/// Four notes of half a second that lean to one side, with as long rests before, between and after.
fn notes(rate: u32) -> Vec<f64> {
    let half = rate as usize / 2;
    let note = |n: usize| {
        let fade = (PI * n as f64 / half as f64).sin();
        fade * (0.3 * (TAU * 110.0 * n as f64 / f64::from(rate)).sin() + 0.08)
    };
    (0..9 * half).map(|n| if (n / half) % 2 == 1 { note(n % half) } else { 0.0 }).collect()
}

fn shifted(sound: &[f64], offset: f64) -> Vec<f64> {
    sound.iter().map(|sample| sample + offset).collect()
}

fn output(out: &Path, manifest: &Value, name: &str) -> Vec<Vec<f64>> {
    samples(&out.join(stem(manifest, name)["output"]["path"].as_str().expect("an output")))
}

/// The greatest difference of two signals of one length.
fn difference(a: &[f64], b: &[f64]) -> f64 {
    assert_eq!(a.len(), b.len());
    a.iter().zip(b).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max)
}

/// The mean of the notes is their own: it is not subtracted, so that they keep beginning and ending in silence.
#[test]
fn a_mean_that_is_there_only_while_notes_sound_stays() {
    let delivery = Delivery::new("lean");
    delivery.wav("Synth.wav", 48_000, 24, &[notes(48_000)]);
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    assert_eq!((ran.code, findings(stem(&manifest, "Synth.wav"))), (0, vec![]));
    let left = stem(&manifest, "Synth.wav")["left"]["dc-removal"].as_str().unwrap();
    assert!(left.contains("it is the sound's, no offset"), "{left}");
    let found = &output(&out, &manifest, "Synth.wav")[0];
    assert_eq!(difference(found, &samples(&delivery.path().join("Synth.wav"))[0]), 0.0);
}

/// -120 dBFS is far below the step of 16 bits and below that of 20 (arithmetic).
#[test]
fn without_its_offset_a_stem_rests_in_silence() {
    let delivery = Delivery::new("rests");
    let hiss = signal::noise(4, 1e-3, notes(48_000).len());
    let hissing: Vec<f64> = notes(48_000).iter().zip(&hiss).map(|(a, b)| a + b + 0.01).collect();
    delivery.wav("Hiss.wav", 48_000, 24, &[hissing]);
    // What is the sound's and what is the offset's are told apart.
    delivery.wav("Still.wav", 48_000, 24, &[shifted(&notes(48_000), 0.1)]);
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    assert_eq!(ran.code, 0);
    let still = &output(&out, &manifest, "Still.wav")[0];
    assert!(difference(still, &notes(48_000)) < 1e-6, "{}", difference(still, &notes(48_000)));
    let half = 24_000;
    assert!(still[..half].iter().chain(&still[2 * half..3 * half]).all(|sample| *sample == 0.0));
    let rests: Vec<f64> =
        output(&out, &manifest, "Hiss.wav")[0].chunks(half).step_by(2).flatten().copied().collect();
    let frames = rests.len() as f64;
    let (mean, rms) =
        (rests.iter().sum::<f64>() / frames, (rests.iter().map(|x| x * x).sum::<f64>() / frames).sqrt());
    assert!(mean.abs() <= 4.0 * rms / frames.sqrt(), "{mean} beside {rms}");
    // By the shipped recipe, dead air is dead air again: 0.5 s before the first note, the second that is kept, and the tail.
    let (_, manifest) = prep(&delivery.path(), &delivery.out("mix"), &[]);
    assert_eq!(manifest["link"]["trim_head_frames"], 0);
}

/// With a change of rate, a stem with an offset becomes what it becomes without: nothing rings at its ends or its rests.
#[test]
fn an_offset_goes_before_a_change_of_rate() {
    let delivery = Delivery::new("rates");
    let sound = notes(44_100);
    let gate = |offset: f64| -> Vec<f64> {
        // Two notes, a second of digital silence, two notes.
        let mut gated = shifted(&sound, offset);
        gated[3 * 22_050..5 * 22_050].fill(0.0);
        gated
    };
    delivery.stamped("Still A.wav", 44_100, 0, std::slice::from_ref(&sound));
    delivery.stamped("Still B.wav", 44_100, 0, &[shifted(&sound, 0.1)]);
    delivery.stamped("Gated A.wav", 44_100, 0, &[gate(0.0)]);
    delivery.stamped("Gated B.wav", 44_100, 0, &[gate(0.02)]);
    delivery.stamped("Wide A.wav", 44_100, 0, &[sound.clone(), signal::noise(3, 0.2, sound.len())]);
    delivery.stamped("Wide B.wav", 44_100, 0, &[shifted(&sound, -0.05), signal::noise(3, 0.2, sound.len())]);
    let recipe = recipe(&delivery.out(""), STAGES);
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    for name in ["Still", "Gated", "Wide"] {
        let of = |half: &str| output(&out, &manifest, &format!("{name} {half}.wav"));
        let (without, with) = (of("A"), of("B"));
        for (without, with) in without.iter().zip(&with) {
            assert!(difference(without, with) < 1e-7, "{name}: {}", difference(without, with));
        }
        let changes = stem(&manifest, &format!("{name} B.wav"))["changes"].to_string();
        assert!(changes.contains("dc-removal"), "{name}: {changes}");
    }
    // The same bytes without room for what the survey could keep.
    let (_, _) = prep(&delivery.path(), &delivery.out("small"), &["--recipe", &recipe, "--memory", "64M"]);
    assert_same_files(&comparable(&delivery.out("small")), &comparable(&out), "with little memory");
}

/// Without digital silence an offset is everywhere, so it comes back also where the stem rested at nothing else.
#[test]
fn an_offset_comes_back_in_the_rests() {
    let delivery = Delivery::new("back");
    delivery.wav("A.wav", 48_000, 24, &[shifted(&notes(48_000), 0.02)]);
    delivery.wav("B.wav", 44_100, 24, &[shifted(&notes(44_100), 0.02)]);
    let out = delivery.out("out");
    prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    let back = delivery.out("back-again");
    let ran =
        loadin(&["restore", out.to_str().unwrap(), "--to", back.to_str().unwrap(), "--progress", "none"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert_eq!(codes(&back.join("A.wav")), codes(&delivery.path().join("A.wav")));
    let (found, wanted) = (samples(&back.join("B.wav")), samples(&delivery.path().join("B.wav")));
    assert!(difference(&found[0], &wanted[0]) < 1e-5, "{}", difference(&found[0], &wanted[0]));
}

/// A converter has the channels that a stage before it has left.
#[test]
fn channels_may_be_chosen_before_the_rate_is_converted() {
    let order = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"channel-fix\"\nLAYOUT[[stage]]\nstage = \"dc-removal\"\n[[stage]]\nstage = \"resample\"\nrate = \"48 kHz\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"64-bit float\"\n";
    let delivery = Delivery::new("order");
    let (sound, wide) = (notes(44_100), signal::noise(3, 0.2, 44_100));
    delivery.wav("Dual.wav", 44_100, 24, &[shifted(&sound, 0.02), shifted(&sound, 0.02)]);
    delivery.wav("Dead.wav", 44_100, 24, &[vec![0.0; sound.len()], sound.clone()]);
    delivery.wav("Mono.wav", 44_100, 24, &[shifted(&sound, 0.02)]);
    delivery.wav("Wide.wav", 44_100, 24, &[wide.clone(), wide.iter().rev().copied().collect()]);
    for (layout, channels) in [("", [1, 1, 1, 2]), ("layout = \"stereo\"\n", [2, 2, 2, 2])] {
        let out = delivery.out(&format!("out {}", channels[0]));
        let recipe = recipe(&delivery.out(""), &order.replace("LAYOUT", layout));
        let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        for (name, channels) in ["Dual.wav", "Dead.wav", "Mono.wav", "Wide.wav"].into_iter().zip(channels) {
            let found = output(&out, &manifest, name);
            assert_eq!(found.len(), channels, "{name}");
            if name != "Wide.wav" {
                let dead = output(&out, &manifest, "Dead.wav");
                assert!(difference(&found[0], &dead[0]) < 1e-6, "{name}");
            }
        }
    }
}

/// Of the rates of a delivery, those of silent stems do not count, and their peaks are those at the rate that is written.
#[test]
fn silent_stems_do_not_outvote_those_that_sound() {
    let delivery = Delivery::new("majority");
    for name in ["Empty 1.wav", "Empty 2.wav", "Empty 3.wav"] {
        delivery.wav(name, 96_000, 24, &[vec![0.0; 96_000]]);
    }
    delivery.wav("Kick.wav", 44_100, 24, &[notes(44_100)]);
    delivery.wav("Bass.wav", 44_100, 24, &[signal::noise(3, 0.2, 44_100)]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    for name in ["Kick.wav", "Bass.wav"] {
        let record = stem(&manifest, name);
        assert_eq!((&record["state"], &record["output"]["rate_hz"]), (&"prepared".into(), &44_100.into()));
    }
    let loudest = stem(&manifest, "Kick.wav")["output"]["peak_dbfs"].as_f64().unwrap();
    assert!((loudest + 6.0).abs() < 0.001, "{loudest}");
    let wrong = delivery.out("kept");
    let keep = STAGES
        .replace("stage = \"decode\"\n", "stage = \"decode\"\nsilent = \"keep\"\n")
        .replace("48 kHz", "majority");
    let (_, manifest) = prep(&delivery.path(), &wrong, &["--recipe", &recipe(&delivery.out(""), &keep)]);
    assert_eq!(stem(&manifest, "Empty 1.wav")["output"]["rate_hz"], 44_100);
}
