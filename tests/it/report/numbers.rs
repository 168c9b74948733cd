//! Numbers of strangers: whatever a file holds or a manifest claims, no paper shows what is no number.

use std::path::Path;

use loadin_audio::signal;
use loadin_record::manifest::Manifest;
use loadin_tests::Delivery;
use serde_json::{Number, Value};

use crate::job::{prep, tree};

/// Words of a text that stand for no number.
fn no_numbers(name: &str, text: &str) {
    let words = text.split(|at: char| !at.is_alphanumeric());
    let found: Vec<&str> =
        words.filter(|word| ["nan", "inf", "infinity"].contains(&word.to_lowercase().as_str())).collect();
    assert!(found.is_empty(), "{name}: {found:?}");
}

#[test]
fn no_paper_shows_what_is_no_number() {
    let delivery = Delivery::new("song");
    let steady = |value: f64, frames: usize| vec![value; frames];
    delivery.wav("Kick.wav", 48_000, 24, &[signal::noise(1, 0.3, 30_000)]);
    let least = f64::from(f32::from_bits(1));
    let alternating = |value: f64| (0..9_600).map(|n| if n % 2 == 0 { value } else { -value }).collect();
    for (name, channels) in [
        ("Largest.wav", vec![steady(f64::from(f32::MAX), 9_600)]),
        ("Largest both ways.wav", vec![alternating(f64::from(f32::MAX)), alternating(-f64::from(f32::MAX))]),
        ("Loud.wav", vec![alternating(1e6), alternating(1e6)]),
        ("Least.wav", vec![steady(least, 9_600), alternating(least)]),
        ("Negative nothing.wav", vec![steady(-0.0, 9_600)]),
        ("No number.wav", vec![steady(f64::NAN, 9_600)]),
        ("Endless.wav", vec![steady(f64::INFINITY, 9_600), steady(f64::NEG_INFINITY, 9_600)]),
        ("One.wav", vec![steady(0.5, 1), steady(-0.5, 1)]),
        ("None.wav", vec![Vec::new()]),
    ] {
        delivery.float_wav(name, 48_000, &channels);
    }
    for recipe in ["mix-prep", "archive", "master-intake"] {
        let out = delivery.out(recipe);
        let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", recipe]);
        assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
        let least = crate::job::stem(&manifest, "Least.wav");
        assert!(least["findings"].to_string().contains("no sound but numbers next to nothing"), "{least}");
        no_numbers("the screen", &ran.out.replace("No number", "").replace("Endless", ""));
        for (name, bytes) in tree(&out) {
            if let Ok(text) = String::from_utf8(bytes) {
                no_numbers(&name, &text);
            }
        }
    }
}

/// Puts a number everywhere where one stands, as far as its kind takes it.
fn replace_numbers(value: &mut Value, float: f64, whole: u64) {
    match value {
        Value::Number(number) => {
            *number = if number.is_f64() { Number::from_f64(float).unwrap() } else { whole.into() };
        }
        Value::Array(list) => list.iter_mut().for_each(|value| replace_numbers(value, float, whole)),
        Value::Object(map) => map.values_mut().for_each(|value| replace_numbers(value, float, whole)),
        _ => {}
    }
}

#[test]
fn a_manifest_of_extremes_makes_papers_of_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery");
    let (_, value) = prep(&demo, folder.path(), &[]);
    let mut read = 0;
    for float in [0.0, -0.0, 1e308, -1e308, f64::MIN_POSITIVE] {
        for whole in [0, 1, u64::from(u16::MAX), u64::from(u32::MAX), u64::MAX] {
            let mut value = value.clone();
            replace_numbers(&mut value, float, whole);
            // A reader may refuse; what it takes makes papers.
            let Ok(manifest) = serde_json::from_value::<Manifest>(value) else { continue };
            read += 1;
            for (name, bytes) in loadin_report::papers(&manifest, &[]) {
                no_numbers(&name, &String::from_utf8_lossy(&bytes));
            }
        }
    }
    assert!(read >= 10, "{read}");
}
