//! What the stages promise, seen from outside.

use loadin_audio::{Decibels, signal};
use loadin_tests::{Delivery, codes, samples};

use super::{findings, loadin, prep, recipe, stem};

const RATE: u32 = 48_000;
const FRAMES: usize = 2 * RATE as usize;

fn output(out: &std::path::Path, record: &serde_json::Value) -> Vec<Vec<f64>> {
    samples(&out.join(record["output"]["path"].as_str().expect("an output")))
}

/// Two identical channels become one of the same level, not one that is 6.02 dB louder or softer
/// (common practice, no source; 20 log10 2 = 6.0206 dB).
#[test]
fn identical_channels_are_folded_without_a_change_of_level() {
    let delivery = Delivery::new("fold");
    let sound = signal::sine(330.0, 0.25, RATE, FRAMES);
    delivery.wav("Vox.wav", RATE, 24, &[sound.clone(), sound.clone()]);
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"channel-fix\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    let record = stem(&manifest, "Vox.wav");
    assert_eq!(findings(record), ["dual-mono"]);
    let found = codes(&delivery.out("out").join(record["output"]["path"].as_str().unwrap()));
    let source = codes(&delivery.path().join("Vox.wav"));
    assert_eq!(found, [source[0].clone()]);
}

#[test]
fn channels_that_differ_by_little_or_cancel_stay_two() {
    let delivery = Delivery::new("width");
    let mid = signal::noise(1, 0.25, FRAMES);
    let side = signal::noise(2, 0.001, FRAMES);
    let add =
        |a: &[f64], b: &[f64], sign: f64| a.iter().zip(b).map(|(a, b)| a + sign * b).collect::<Vec<f64>>();
    delivery.wav("Room.wav", RATE, 24, &[add(&mid, &side, 1.0), add(&mid, &side, -1.0)]);
    delivery.wav("Gtr.wav", RATE, 24, &[mid.clone(), mid.iter().map(|sample| -sample).collect()]);
    let mut one_block = mid.clone();
    one_block[FRAMES / 2] += 0.01;
    delivery.wav("Keys.wav", RATE, 24, &[mid.clone(), one_block]);
    delivery.wav("Pad.wav", RATE, 24, &[mid.clone(), vec![0.0; FRAMES]]);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 0);
    assert_eq!(findings(stem(&manifest, "Room.wav")), ["near-mono"]);
    assert_eq!(findings(stem(&manifest, "Gtr.wav")), ["inverted-channel"]);
    assert_eq!(findings(stem(&manifest, "Pad.wav")), ["dead-channel"]);
    for (name, channels) in [("Room.wav", 2), ("Gtr.wav", 2), ("Keys.wav", 2), ("Pad.wav", 1)] {
        assert_eq!(stem(&manifest, name)["output"]["channels"], channels, "{name}");
    }
}

/// A constant is subtracted, and nothing else: a 20 Hz tone keeps level and phase, silence stays silence.
#[test]
fn dc_goes_and_bass_stays() {
    let delivery = Delivery::new("dc");
    let tone = signal::sine(20.0, 0.25, RATE, 5 * RATE as usize);
    let mut sound: Vec<f64> = tone.iter().map(|sample| sample + 0.01).collect();
    sound.extend(vec![0.0; RATE as usize]);
    delivery.wav("Bass.wav", RATE, 24, &[sound]);
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"dc-removal\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"64-bit float\"\n";
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    let record = stem(&manifest, "Bass.wav");
    assert_eq!(findings(record), ["dc-offset"]);
    let found = &output(&delivery.out("out"), record)[0];
    let worst = found.iter().zip(&tone).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
    assert!(worst < 2e-7, "{worst}");
    assert!(found[tone.len()..].iter().all(|sample| *sample == 0.0));
}

#[test]
fn a_drifting_offset_is_reported_and_left() {
    let delivery = Delivery::new("drift");
    let frames = 8 * RATE as usize;
    let tone = signal::sine(100.0, 0.25, RATE, frames);
    let sound: Vec<f64> = tone.iter().enumerate().map(|(n, s)| s + 0.03 * n as f64 / frames as f64).collect();
    delivery.wav("Bass.wav", RATE, 24, &[sound]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let record = stem(&manifest, "Bass.wav");
    assert_eq!(findings(record), ["dc-drift"]);
    assert!(record["left"]["dc-removal"].as_str().unwrap().contains("not proven"));
}

/// One gain for all, the loudest at the target; a rough mix has no say and keeps its level (common practice).
#[test]
fn the_balance_survives_and_the_rough_mix_has_no_say() {
    let delivery = Delivery::new("gain");
    delivery.wav("Kick.wav", RATE, 24, &[signal::sine(60.0, 0.25, RATE, FRAMES)]);
    delivery.wav("Bass.wav", RATE, 24, &[signal::sine(90.0, 0.05, RATE, FRAMES)]);
    delivery.wav("Rough Mix.wav", RATE, 24, &[signal::sine(90.0, 0.99, RATE, FRAMES)]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let peak = |name: &str| stem(&manifest, name)["output"]["peak_dbfs"].as_f64().unwrap();
    assert!((peak("Kick.wav") + 6.0).abs() < 0.001);
    assert!((peak("Kick.wav") - peak("Bass.wav") - Decibels::from_ratio(5.0).0).abs() < 0.001);
    assert!((peak("Rough Mix.wav") - Decibels::from_ratio(0.99).0).abs() < 0.001);
    assert_eq!(stem(&manifest, "Rough Mix.wav")["role"], "reference");
}

#[test]
fn float_overs_are_recovered_and_not_clipped() {
    let delivery = Delivery::new("over");
    let loud = signal::sine(100.0, 4.0, RATE, FRAMES);
    delivery.float_wav("Synth.wav", RATE, std::slice::from_ref(&loud));
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 0);
    let record = stem(&manifest, "Synth.wav");
    assert_eq!(findings(record), ["float-over"]);
    let found = &output(&delivery.out("out"), record)[0];
    let gain = Decibels(-6.0).ratio() / loud.iter().fold(0.0f64, |peak, sample| peak.max(sample.abs()));
    let worst = found.iter().zip(&loud).map(|(a, b)| (a - gain * b).abs()).fold(0.0, f64::max);
    assert!(worst < 3e-7, "{worst}");
}

/// 20 ms of head are asked for: never less is kept, and at most one window of 10 ms more (common practice, no source).
#[test]
fn the_head_is_never_shorter_than_asked() {
    for (start, rate) in [(RATE as usize, RATE), (44_100 + 123, 44_100), (96_777, 96_000)] {
        let delivery = Delivery::new("head");
        let mut sound = vec![0.0; start];
        sound.extend(signal::sine(200.0, 0.25, rate, rate as usize).iter().map(|sample| sample + 0.1));
        sound.extend(vec![0.0; 5 * rate as usize]);
        delivery.wav("Kick.wav", rate, 24, &[sound.clone()]);
        delivery.wav(
            "Late.wav",
            rate,
            24,
            &[{
                let mut late = vec![0.0; start + rate as usize / 2];
                late.extend(signal::sine(300.0, 0.1, rate, rate as usize / 4));
                late
            }],
        );
        let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"trim-silence\"\nhead = \"20 ms\"\ntail = \"100 ms\"\n[[stage]]\nstage = \"align-starts\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
        let (_, manifest) =
            prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
        let kick = &output(&delivery.out("out"), stem(&manifest, "Kick.wav"))[0];
        let late = &output(&delivery.out("out"), stem(&manifest, "Late.wav"))[0];
        let first = |samples: &[f64]| samples.iter().position(|sample| *sample != 0.0).unwrap();
        let (asked, window) = (rate as usize / 50, rate as usize / 100);
        assert!((asked..=asked + window).contains(&first(kick)), "{} of {asked}", first(kick));
        // The sine's own first sample is zero, so the late one is counted from its second.
        assert_eq!(first(late) - first(kick), rate as usize / 2 + 1);
        assert_eq!(kick.len(), late.len());
        let last = kick.iter().rposition(|sample| *sample != 0.0).unwrap();
        assert!((rate as usize / 10..=rate as usize / 10 + window).contains(&(kick.len() - 1 - last)));
    }
}

/// A stem that starts at its own entry with a time stamp lands where a whole one would be (EBU Tech 3285).
#[test]
fn a_stamped_clip_lands_where_the_whole_stem_has_it() {
    let delivery = Delivery::new("stamps");
    let hour = 172_800_000;
    let whole = signal::noise(5, 0.25, 4 * RATE as usize);
    let clip = whole[RATE as usize + 17..2 * RATE as usize].to_vec();
    let other: Vec<f64> = whole.iter().map(|sample| sample * 0.5).collect();
    delivery.stamped("Kick.wav", RATE, hour, std::slice::from_ref(&whole));
    delivery.stamped("Bass.wav", RATE, hour, &[other]);
    delivery.stamped("Vox.wav", RATE, hour + u64::from(RATE) + 17, &[clip]);
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"align-starts\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"64-bit float\"\n";
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    let vox = &output(&delivery.out("out"), stem(&manifest, "Vox.wav"))[0];
    let kick = &output(&delivery.out("out"), stem(&manifest, "Kick.wav"))[0];
    assert_eq!(vox.len(), kick.len());
    for frame in 0..vox.len() {
        let inside = (RATE as usize + 17..2 * RATE as usize).contains(&frame);
        assert_eq!(vox[frame], if inside { kick[frame] } else { 0.0 }, "frame {frame}");
    }
    assert_eq!(stem(&manifest, "Vox.wav")["output"]["timestamp_frames"], hour);
    assert_eq!(stem(&manifest, "Vox.wav")["time_map"]["shift_frames"], -(i64::from(RATE) + 17));
}

#[test]
fn clock_times_are_refused_with_the_reason() {
    let delivery = Delivery::new("clock");
    delivery.stamped("Kick.wav", RATE, 0, &[signal::noise(1, 0.2, FRAMES)]);
    delivery.stamped("Bass.wav", RATE, 172_800_000, &[signal::noise(2, 0.2, FRAMES)]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let text = manifest["findings"].to_string();
    assert!(text.contains("stamps-refused") && text.contains("3600.0 s"), "{text}");
    assert_eq!(manifest["link"]["length_frames"], FRAMES);
}

/// The same analytic sine at three rates lands in one place after preparation.
#[test]
fn stems_of_all_rates_end_up_together() {
    let delivery = Delivery::new("rates");
    for rate in [44_100u32, 48_000, 96_000] {
        let frames = 2 * rate as usize;
        delivery.wav(&format!("Tone {rate}.wav"), rate, 24, &[signal::sine(1000.0, 0.25, rate, frames)]);
    }
    delivery.wav("Second.wav", 48_000, 24, &[signal::noise(1, 0.1, 96_000)]);
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"align-starts\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"64-bit float\"\n";
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    let of = |rate: u32| output(&delivery.out("out"), stem(&manifest, &format!("Tone {rate}.wav"))).remove(0);
    let (reference, low, high) = (of(48_000), of(44_100), of(96_000));
    assert_eq!((low.len(), high.len()), (96_000, 96_000));
    // Away from the edges, 24-bit sources differ by their rounding alone.
    for frame in 20_000..76_000 {
        assert!((reference[frame] - low[frame]).abs() < 3e-7, "44.1 kHz, frame {frame}");
        assert!((reference[frame] - high[frame]).abs() < 3e-7, "96 kHz, frame {frame}");
    }
}

#[test]
fn pairs_are_joined_only_when_asked() {
    let delivery = Delivery::new("pair");
    let (left, right) = (signal::noise(1, 0.25, FRAMES), signal::noise(2, 0.125, FRAMES));
    delivery.wav("Pad.L.wav", RATE, 24, &[left]);
    delivery.wav("Pad.R.wav", RATE, 24, &[right]);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("two"), &[]);
    assert_eq!(findings(stem(&manifest, "Pad.L.wav")), ["side-pair"]);
    assert_ne!(
        stem(&manifest, "Pad.L.wav")["output"]["path"],
        stem(&manifest, "Pad.R.wav")["output"]["path"]
    );
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"channel-fix\"\npairs = \"join\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
    let (ran, manifest) =
        prep(&delivery.path(), &delivery.out("one"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let (l, r) = (stem(&manifest, "Pad.L.wav"), stem(&manifest, "Pad.R.wav"));
    assert_eq!(l["output"], r["output"]);
    let joined = codes(&delivery.out("one").join(l["output"]["path"].as_str().unwrap()));
    assert_eq!(joined[0], codes(&delivery.path().join("Pad.L.wav"))[0]);
    assert_eq!(joined[1], codes(&delivery.path().join("Pad.R.wav"))[0]);
}

#[test]
fn settings_for_chosen_stems_hold_for_them_alone() {
    let delivery = Delivery::new("chosen");
    delivery.wav("Kick.wav", RATE, 24, &[signal::sine(60.0, 0.25, RATE, FRAMES)]);
    delivery.wav("FX Hit.wav", RATE, 24, &[signal::sine(90.0, 0.05, RATE, FRAMES)]);
    let stages = "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"gain-stage\"\n[[stage.for]]\nstems = \"fx*\"\nlink = \"stem\"\ntarget = \"-12 dBFS\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n";
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), stages)]);
    let peak = |name: &str| stem(&manifest, name)["output"]["peak_dbfs"].as_f64().unwrap();
    assert!((peak("Kick.wav") + 6.0).abs() < 0.001 && (peak("FX Hit.wav") + 12.0).abs() < 0.001);
}

/// Many channels pass through as they are, and the independent reader of `verify` reads what was written: the coding
/// history of 33 channels has an odd length, which some readers do not survive.
#[test]
fn many_channels_pass_through() {
    let delivery = Delivery::new("many");
    let channels: Vec<Vec<f64>> = (0..33).map(|seed| signal::noise(seed, 0.25, 4800)).collect();
    delivery.wav("Array.wav", RATE, 24, &channels);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &["--recipe", "archive"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let record = stem(&manifest, "Array.wav");
    assert_eq!((&record["state"], &record["output"]["channels"]), (&"unchanged".into(), &33.into()));
    let file = delivery.out("out").join(record["output"]["path"].as_str().unwrap());
    assert_eq!(codes(&file), codes(&delivery.path().join("Array.wav")));
    let verified = loadin(&["verify", delivery.out("out").to_str().unwrap(), "--progress", "none"]);
    assert_eq!(verified.code, 0, "{}", verified.out);
}

/// A change of rate moves the peak of a square by decibels (Gibbs), and makes nothing louder: only a gain does.
#[test]
fn a_peak_that_a_conversion_moves_is_not_called_louder() {
    let delivery = Delivery::new("square");
    let square: Vec<f64> = (0..44_100).map(|n| if n / 5 % 2 == 0 { 0.25 } else { -0.25 }).collect();
    delivery.wav("Synth.wav", 44_100, 24, &[square]);
    let stages = |gain: &str| {
        format!(
            "[[stage]]\nstage = \"decode\"\n[[stage]]\nstage = \"resample\"\nrate = \"48 kHz\"\n{gain}[[stage]]\nstage = \"label\"\n\
             [[stage]]\nstage = \"re-encode\"\n"
        )
    };
    let (ran, manifest) =
        prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe(&delivery.out(""), &stages(""))]);
    let one = stem(&manifest, "Synth.wav");
    let peak = |side: &str| one[side]["peak_dbfs"].as_f64().unwrap();
    assert!(peak("output") - peak("source") > 0.5, "{one}");
    assert!(!ran.out.contains("louder than the delivered files"), "{}", ran.out);
    let gain = "[[stage]]\nstage = \"gain-stage\"\ntarget = \"-6 dBFS\"\n";
    let (ran, manifest) = prep(
        &delivery.path(),
        &delivery.out("loud"),
        &["--recipe", &recipe(&delivery.out(""), &stages(gain))],
    );
    let changes = stem(&manifest, "Synth.wav")["changes"].as_array().unwrap();
    let gain = changes.iter().find(|change| change["stage"] == "gain-stage").unwrap()["to"].as_f64().unwrap();
    assert!(ran.out.contains(&format!("up to {gain:.1} dB louder than the delivered files")), "{}", ran.out);
}
