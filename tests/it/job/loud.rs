//! Samples that no export makes, silence that is dithered, and files of one frame, seen from outside.

use loadin_audio::{Decibels, signal};
use loadin_codec::{SampleKind, WavSpec, WavWriter};
use loadin_tests::{Delivery, samples};

use super::{findings, prep, recipe, stem};

const RATE: u32 = 48_000;

/// A file of 64-bit floats without a stamp.
fn doubles(delivery: &Delivery, name: &str, sound: Vec<f64>) {
    let spec = WavSpec {
        rate_hz: RATE,
        channels: 1,
        kind: SampleKind::F64,
        frames: sound.len() as u64,
        channel_mask: None,
        bext: None,
        chunks_before: Vec::new(),
        chunks_after: Vec::new(),
    };
    let mut writer = WavWriter::new(Vec::new(), spec).unwrap();
    writer.write_floats(&loadin_audio::Block::from_channels(vec![sound])).unwrap();
    delivery.file(name, &writer.finish().unwrap());
}

/// 0.1 with its highest bit of the exponent flipped is 3.4e37 (IEEE 754-2019, binary32; arithmetic).
#[test]
fn one_flipped_bit_costs_its_own_stem_alone() {
    let delivery = Delivery::new("flipped");
    let sound = signal::noise(1, 0.1, RATE as usize);
    let mut flipped = sound.clone();
    flipped[4711] = f64::from(f32::from_bits(0.1f32.to_bits() ^ 1 << 30));
    assert!(flipped[4711] > 3e37);
    delivery.float_wav("Kick.wav", RATE, std::slice::from_ref(&sound));
    delivery.float_wav("Pad.wav", RATE, &[flipped]);
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert_eq!(ran.code, 1);
    let (kick, pad) = (stem(&manifest, "Kick.wav"), stem(&manifest, "Pad.wav"));
    assert!((kick["output"]["peak_dbfs"].as_f64().unwrap() + 6.0).abs() < 0.001);
    assert_eq!((&pad["state"], findings(pad)), (&"failed".into(), vec!["damaged", "float-over"]));
    let error = pad["error"].as_str().unwrap();
    assert!(error.contains("sample 4711 of channel 1 is 3.4") && error.contains("e37"), "{error}");
    let gain = &manifest["link"]["gains"][0];
    assert_eq!(gain["decided_by"], "Kick.wav");
    assert!(ran.out.contains("01_Kick decides it, which peaks at"), "{}", ran.out);
}

#[test]
fn no_file_has_an_infinity() {
    let delivery = Delivery::new("huge");
    let mut huge = signal::noise(2, 0.1, RATE as usize);
    huge[100] = 1e300;
    doubles(&delivery, "Huge.wav", huge);
    delivery.wav("Kick.wav", RATE, 24, &[signal::noise(1, 0.1, RATE as usize)]);
    let stages = "[[stage]]\nstage = \"decode\"\ndamage = \"keep\"\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\ndepth = \"DEPTH\"\n";
    for (depth, code) in [("32-bit float", 1), ("24-bit", 1), ("64-bit float", 0)] {
        let out = delivery.out(depth);
        let (ran, manifest) = prep(
            &delivery.path(),
            &out,
            &["--recipe", &recipe(&delivery.out(""), &stages.replace("DEPTH", depth))],
        );
        assert_eq!(ran.code, code, "{depth}: {}{}", ran.out, ran.err);
        let record = stem(&manifest, "Huge.wav");
        if code == 1 {
            let error = record["error"].as_str().unwrap();
            assert!(error.contains("1e300") && error.contains("32-bit floats end at"), "{error}");
        } else {
            let found = samples(&out.join(record["output"]["path"].as_str().unwrap()));
            assert_eq!(found[0][100], 1e300);
        }
        assert_eq!(stem(&manifest, "Kick.wav")["error"], serde_json::Value::Null);
    }
}

/// Dither of two steps from peak to peak, rounded to 16 bits, is one step high: -90.3 dBFS (arithmetic).
#[test]
fn dithered_silence_is_dead_air_also_when_it_is_raised() {
    for rate in [RATE, 44_100] {
        let delivery = Delivery::new("dithered");
        let second = rate as usize;
        let noise = |seed: u64, frames: usize| -> Vec<f64> {
            let (a, b) = (signal::noise(seed, 0.5, frames), signal::noise(seed + 100, 0.5, frames));
            a.iter().zip(&b).map(|(a, b)| (a + b) / 32_768.0).collect()
        };
        let tone = signal::sine(200.0, 0.05, rate, 2 * second);
        let sound = [noise(1, 5 * second), tone, noise(2, 10 * second)].concat();
        delivery.wav("Vox.wav", rate, 16, &[sound]);
        delivery.wav("Bass.wav", RATE, 16, &[noise(3, 17 * RATE as usize)]);
        delivery.wav("Gtr.wav", RATE, 16, &[noise(4, 17 * RATE as usize)]);
        let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        // A second before the sound is kept, and three after it; windows have 10 ms.
        let head = manifest["link"]["trim_head_frames"].as_f64().unwrap() / f64::from(RATE);
        let length = manifest["link"]["length_frames"].as_f64().unwrap() / f64::from(RATE);
        assert!((3.95..=4.0).contains(&head), "{rate} Hz: {head} s");
        assert!((6.0..=6.1).contains(&length), "{rate} Hz: {length} s");
    }
}

/// A frame at 192 kHz is a quarter of one at 48 kHz (arithmetic): nothing of it remains, and it says so.
#[test]
fn one_frame_at_any_rate_ends_no_worker() {
    let delivery = Delivery::new("one");
    let rates = [44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
    for rate in rates {
        delivery.wav(&format!("One {rate}.wav"), rate, 24, &[vec![0.5]]);
    }
    for name in ["Kick.wav", "Bass.wav"] {
        delivery.wav(name, RATE, 24, &[signal::noise(1, 0.1, RATE as usize)]);
    }
    let (ran, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    assert!(!ran.err.contains("gave up"), "{}", ran.err);
    for rate in rates {
        let record = stem(&manifest, &format!("One {rate}.wav"));
        if rate > 96_000 {
            let error = record["error"].as_str().unwrap();
            assert!(error.contains("nothing of it remains at 48000 Hz"), "{error}");
        } else {
            assert_eq!(record["state"], "prepared", "{record}");
        }
    }
    let kick = stem(&manifest, "Kick.wav")["output"]["peak_dbfs"].as_f64().unwrap();
    assert!(kick <= Decibels(-5.9).0, "{kick}");
}
