//! `restore`: back to what was delivered, and the truth about how near that comes.

use std::fs;
use std::path::Path;

use loadin_tests::{Delivery, samples};
use serde_json::Value;

use super::{demo, thirty};
use crate::job::{Ran, loadin, prep};

fn restored(out: &Path, to: &Path) -> (Ran, Vec<Value>) {
    let ran = loadin(&["restore", out.to_str().unwrap(), "--to", to.to_str().unwrap(), "--progress", "none"]);
    let text = fs::read_to_string(to.join("restored.json")).unwrap_or_else(|e| panic!("{e}: {}", ran.err));
    let record: Value = serde_json::from_str(&text).unwrap();
    (ran, record["files"].as_array().unwrap().clone())
}

/// The largest difference of two files, sample by sample; they have the same channels and frames.
fn difference(a: &Path, b: &Path) -> f64 {
    let (a, b) = (samples(a), samples(b));
    assert_eq!(a.len(), b.len(), "channels");
    let mut most = 0.0f64;
    for (x, y) in a.iter().zip(&b) {
        assert_eq!(x.len(), y.len(), "frames");
        most = x.iter().zip(y).fold(most, |most, (x, y)| most.max((x - y).abs()));
    }
    most
}

/// Compares every restored file with its source; the promise of each is kept, and the number of exact ones returned.
fn assert_promises(delivery: &Path, to: &Path, manifest: &Value, files: &[Value]) -> usize {
    let mut exact = 0;
    for file in files.iter().filter(|file| file["error"].is_null()) {
        let source = file["source"].as_str().unwrap();
        let stems = manifest["stems"].as_array().unwrap();
        let stem = stems.iter().find(|stem| stem["source"]["path"] == source).unwrap();
        let found = difference(&delivery.join(source), &to.join(file["path"].as_str().unwrap()));
        let lsb = 2f64.powi(1 - stem["source"]["bits"].as_i64().unwrap() as i32);
        let near = file["how"] == "near" || stem["source"]["float"] == true;
        let allowed = if let Some(steps) = file["within_lsb"].as_u64() {
            assert!(steps <= 1, "{source}: {file}");
            exact += usize::from(steps == 0 && file["how"] != "lost");
            steps as f64 * lsb
        } else {
            // A float keeps the rounding of 24 bits; there and back through the converter loses what lies near half
            // the rate, and white noise has a tenth of its power there.
            assert!(near, "{source}: {file}");
            if file["how"] == "near" { 0.2 } else { 2.0 * 2f64.powi(-23) }
        };
        // What was cut as dead air is quieter than the recipe's threshold of -90 dBFS, beside a steady offset.
        let changes = stem["changes"].as_array().unwrap().iter();
        let offset = changes.filter_map(|change| change["constants"][0].as_f64()).sum::<f64>().abs();
        let air = 10f64.powf(-90.0 / 20.0) + offset;
        let allowed = if file["how"] == "lost" { allowed.max(air) } else { allowed };
        assert!(found <= allowed, "{source}: {found} instead of {allowed}: {file}");
    }
    exact
}

/// A name that gets the extension of a WAV file may be another source's own.
#[test]
fn two_sources_that_would_have_one_name_are_both_restored() {
    let delivery = Delivery::new("song");
    let sounds = [1, 2, 3, 4].map(|seed| loadin_audio::signal::noise(seed, 0.3, 20_000));
    let names = ["Kick.aif", "Kick.aif.wav", "Kick.aif 2.wav", "Kick.WAV"];
    for (name, sound) in names.iter().zip(&sounds) {
        delivery.wav(name, 48_000, 24, std::slice::from_ref(sound));
    }
    let (ran, _) = prep(&delivery.path(), &delivery.out("out"), &["--recipe", "archive"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let to = delivery.out("back");
    let (ran, files) = restored(&delivery.out("out"), &to);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    for name in names {
        let file = files.iter().find(|file| file["source"] == name).unwrap();
        let path = file["path"].as_str().unwrap();
        assert_eq!(path, if name == "Kick.aif" { "Kick.aif 3.wav" } else { name });
        assert_eq!(difference(&delivery.path().join(name), &to.join(path)), 0.0, "{name}");
    }
}

#[test]
fn thirty_stems_come_back_as_they_were() {
    let delivery = thirty();
    let (out, to) = (delivery.out("out"), delivery.out("back"));
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let (ran, files) = restored(&out, &to);
    assert_eq!((ran.code, files.len()), (0, 30), "{}{}", ran.out, ran.err);
    let exact = assert_promises(&delivery.path(), &to, &manifest, &files);
    assert!(exact >= 6, "{exact} are exact: the 16-bit ones that kept their rate");
    assert!(ran.out.contains("30 of 30 files restored"), "{}", ran.out);
}

#[test]
fn the_demo_comes_back_and_says_what_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let (out, to) = (folder.path().join("out"), folder.path().join("back"));
    let (_, manifest) = prep(&demo(), &out, &[]);
    let (ran, files) = restored(&out, &to);
    assert_eq!((ran.code, files.len()), (1, 15), "one was damaged and one silent: {}", ran.out);
    let exact = assert_promises(&demo(), &to, &manifest, &files);
    assert!(exact >= 7, "{exact}: {}", ran.out);
    let of = |stage: &str, how: &str| {
        let steps = files.iter().flat_map(|file| file["steps"].as_array().unwrap());
        steps.filter(|step| step["stage"] == stage && step["how"] == how).count()
    };
    assert!(
        of("resample", "near") >= 2 && of("channel-fix", "exact") >= 2 && of("dc-removal", "rounded") == 1
    );
}

/// Two halves of which one ends earlier become one file, and two files of their own lengths again.
#[test]
fn a_shorter_half_of_a_pair_comes_back_with_its_own_length() {
    let shipped = loadin_plan::recipe::find_shipped("mix-prep").unwrap().text;
    let joined = shipped.replace("pairs = \"report\"", "pairs = \"join\"");
    for rate_hz in [48_000, 44_100] {
        let delivery = Delivery::new("pair");
        let noise = |seed, frames| loadin_audio::signal::noise(seed, 0.25, frames);
        let whole = 2 * rate_hz as usize;
        for (name, rate_hz, sound) in [
            ("Bass.wav", 48_000, noise(1, 96_000)),
            ("Kick.wav", 48_000, noise(2, 96_000)),
            ("Vox.wav", 48_000, noise(3, 96_000)),
            ("Pad L.wav", rate_hz, noise(4, whole)),
            ("Pad R.wav", rate_hz, noise(5, whole - 14_700)),
        ] {
            delivery.wav(name, rate_hz, 24, &[sound]);
        }
        let recipe = delivery.out("joined.toml");
        fs::write(&recipe, &joined).unwrap();
        let (out, to) = (delivery.out("out"), delivery.out("back"));
        let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", recipe.to_str().unwrap()]);
        assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
        let stems = manifest["stems"].as_array().unwrap();
        let side = |name: &str| stems.iter().find(|stem| stem["source"]["path"] == name).unwrap();
        let pad = &side("Pad R.wav")["output"];
        assert_eq!((pad, &pad["channels"]), (&side("Pad L.wav")["output"], &Value::from(2)));
        assert!(pad["path"].as_str().unwrap().ends_with("_Pad.wav"), "{pad}");
        // Behind its end the shorter one is silent, save what rings on for a moment.
        let sound = samples(&out.join(pad["path"].as_str().unwrap()));
        let end = sound[1].len() - 14_700 * 48_000 / rate_hz as usize + 2_400;
        assert!(
            sound[1][end..].iter().all(|x| x.abs() < 1e-6) && sound[0][end..].iter().any(|x| x.abs() > 0.1)
        );
        let (_, files) = restored(&out, &to);
        assert_promises(&delivery.path(), &to, &manifest, &files);
        let gone = "left and right are two files again, and the silence behind this one is gone";
        let said = |file: &Value| file["steps"].as_array().unwrap().iter().any(|step| step["text"] == gone);
        let short: Vec<&Value> = files.iter().filter(|file| said(file)).map(|file| &file["source"]).collect();
        assert_eq!(short, ["Pad R.wav"]);
    }
}

/// With tails of noise, cut air is not digital silence, and that is said.
#[test]
fn what_was_cut_is_called_lost() {
    let delivery = Delivery::new("air");
    let mut sound = loadin_audio::signal::noise(1, 0.000_01, 10 * 48_000);
    for (n, sample) in sound.iter_mut().enumerate().skip(6 * 48_000).take(48_000) {
        *sample = 0.3 * (n as f64 * 0.03).sin();
    }
    delivery.wav("Pad.wav", 48_000, 24, &[sound.clone()]);
    delivery.wav("Keys.wav", 48_000, 24, &[sound]);
    let (out, to) = (delivery.out("out"), delivery.out("back"));
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let (_, files) = restored(&out, &to);
    assert_promises(&delivery.path(), &to, &manifest, &files);
    assert!(files.iter().all(|file| file["how"] == "lost"), "{files:?}");
}

/// The manifest may come from anywhere: no path in it leads out of the folder, and no file is overwritten.
#[test]
fn nothing_is_written_elsewhere_or_over_something() {
    let delivery = thirty();
    let (out, to) = (delivery.out("out"), delivery.out("back"));
    prep(&delivery.path(), &out, &[]);
    let text = fs::read_to_string(out.join("manifest.json")).unwrap();
    for (index, evil) in ["../../evil.wav", "/tmp/loadin-evil.wav", ".."].into_iter().enumerate() {
        fs::write(out.join("manifest.json"), text.replace("\"Stem 00.wav\"", &format!("\"{evil}\"")))
            .unwrap();
        let to = delivery.out(&format!("evil{index}"));
        let (ran, files) = restored(&out, &to);
        assert_eq!(ran.code, 1, "{}", ran.err);
        let file = files.iter().find(|file| file["source"] == evil).unwrap();
        assert!(file["error"].as_str().unwrap().contains("leads out"), "{file}");
        assert!(!delivery.path().join("../evil.wav").exists());
    }
    fs::create_dir(&to).unwrap();
    fs::write(to.join("mine.txt"), "mine").unwrap();
    let ran = loadin(&["restore", out.to_str().unwrap(), "--to", to.to_str().unwrap()]);
    assert_eq!(ran.code, 2, "{}", ran.err);
    assert!(ran.err.contains("is not empty"), "{}", ran.err);
    assert_eq!(fs::read_dir(&to).unwrap().count(), 1);
}

/// A prepared file that is not what the manifest says is not restored.
#[test]
fn a_changed_output_gives_no_restored_file() {
    let delivery = thirty();
    let (out, to) = (delivery.out("out"), delivery.out("back"));
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let path = out.join(manifest["stems"][0]["output"]["path"].as_str().unwrap());
    let mut bytes = fs::read(&path).unwrap();
    *bytes.last_mut().unwrap() ^= 1;
    fs::write(&path, bytes).unwrap();
    let (ran, files) = restored(&out, &to);
    assert_eq!(ran.code, 1);
    assert_eq!(files.iter().filter(|file| !file["error"].is_null()).count(), 1, "{}", ran.out);
    assert!(ran.out.contains("not what the manifest says"), "{}", ran.out);
    assert_eq!(fs::read_dir(&to).unwrap().count(), 29 + 1, "and no half file");
}
