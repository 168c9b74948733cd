//! Late files: what is at work in a session already stays as it is, and what came new fits to it.

use std::fs;
use std::path::Path;

use loadin_audio::{Decibels, signal};
use loadin_tests::Delivery;
use serde_json::Value;

use super::{assert_same, outputs};
use crate::job::{findings, loadin, prep, stem};

const RATE: u32 = 48_000;

/// Syllables of noise: a course of level that is like itself at one place only.
fn words(seed: u64, level: f64, lead: usize, frames: usize) -> Vec<f64> {
    let mut sound = vec![0.0; lead];
    let noise = signal::noise(seed, level, frames - lead);
    sound.extend(noise.iter().enumerate().map(|(n, s)| {
        let word = n / 2_400;
        if (word * word / 7) % 3 == 1 { 0.0 } else { s * (0.4 + 0.1 * (word % 6) as f64) }
    }));
    sound
}

fn delivery() -> Delivery {
    let delivery = Delivery::new("song");
    delivery.wav("Kick.wav", RATE, 24, &[words(1, 0.25, 96_000, 480_000)]);
    delivery.wav("Bass.wav", RATE, 24, &[words(2, 0.125, 96_000, 480_000)]);
    delivery.wav("Vox.wav", RATE, 24, &[words(3, 0.0625, 120_000, 480_000)]);
    delivery
}

fn late<'a>(manifest: &'a Value, path: &str) -> &'a Value {
    let files = manifest["late"]["files"].as_array().unwrap();
    files.iter().find(|file| file["path"] == path).unwrap_or_else(|| panic!("{path}: {files:?}"))
}

fn gain(stem: &Value) -> &Value {
    &stem["changes"].as_array().unwrap().iter().find(|c| c["stage"] == "gain-stage").unwrap()["to"]
}

/// `prep(A then B')` against `prep(A with B')`: where the late file would not have moved the link, every shared decision
/// and every output is the same; only `late` and its note say that there was a history.
#[test]
fn a_late_replacement_shares_every_decision() {
    let delivery = delivery();
    let out = delivery.out("out");
    let (_, first) = prep(&delivery.path(), &out, &[]);
    assert_eq!(first["late"], Value::Null);
    // Half as loud, half a second later, and another take from second 6 on.
    let mut take = words(3, 0.03125, 120_000, 456_000);
    take.splice(0..0, vec![0.0; 24_000]);
    for (n, s) in take.iter_mut().enumerate().skip(6 * 48_000 + 24_000) {
        *s = if n / 4_800 % 2 == 0 { 0.02 * (n as f64 * 0.05).sin() } else { 0.0 };
    }
    delivery.wav("Vox.wav", RATE, 24, &[take]);
    let (ran, second) = prep(&delivery.path(), &out, &[]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    let (_, fresh) = prep(&delivery.path(), &delivery.out("fresh"), &[]);
    assert_eq!(second["link"], fresh["link"]);
    assert_eq!(second["stems"], fresh["stems"]);
    let (mut with_history, without) = (outputs(&out), outputs(&delivery.out("fresh")));
    assert!(with_history.remove("set-aside/03_Vox.wav").is_some(), "what it replaced");
    let note = String::from_utf8(with_history.remove("late-files.md").unwrap()).unwrap();
    for name in ["manifest.json", "checksums.sha256", "report.html", "song.dawproject"] {
        assert_ne!(with_history.remove(name), without.get(name).cloned(), "{name} tells of the history");
    }
    for (name, bytes) in &with_history {
        assert!(without[name] == *bytes, "{name} differs");
    }
    let comparison = &late(&second, "Vox.wav")["comparison"];
    assert_eq!(comparison["later_seconds"], 0.5, "{comparison}");
    assert!((comparison["level_db"].as_f64().unwrap() + 6.0).abs() < 0.6, "{comparison}");
    let spans = comparison["differs"].as_array().unwrap();
    assert!((spans[0][0].as_f64().unwrap() - 6.5).abs() < 0.3, "{comparison}");
    for text in ["`Vox.wav`: replaced", "0.50 s later", "quieter", "Listen at"] {
        assert!(note.contains(text), "{text}: {note}");
    }
    // The same command once more: nothing to do, and the same papers.
    let before = outputs(&out);
    let (_, again) = prep(&delivery.path(), &out, &[]);
    assert_eq!(again["run"]["reused"], 6);
    assert_same(&out, &before, "after a rerun");
}

/// Where the late file would have moved the link, the two must differ: the others keep what they had.
#[test]
fn a_loud_and_long_late_file_moves_nobody() {
    let delivery = delivery();
    let out = delivery.out("out");
    let (_, first) = prep(&delivery.path(), &out, &[]);
    let before = outputs(&out);
    delivery.wav("Vox.wav", RATE, 24, &[words(3, 0.4, 10_000, 900_000)]);
    delivery.wav("Acoustic Gtr.wav", 44_100, 16, &[words(9, 0.1, 88_200, 441_000)]);
    let (ran, second) = prep(&delivery.path(), &out, &[]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert_eq!(second["link"]["gains"], first["link"]["gains"]);
    assert_eq!(second["link"]["length_frames"], first["link"]["length_frames"]);
    for path in ["Kick.wav", "Bass.wav"] {
        assert_eq!(stem(&second, path)["output"], stem(&first, path)["output"], "{path}");
    }
    assert_eq!(second["run"]["reused"], 4, "two surveys and two renders hold");
    let vox = stem(&second, "Vox.wav");
    assert_eq!(vox["output"]["path"], stem(&first, "Vox.wav")["output"]["path"]);
    assert_eq!(gain(vox), &first["link"]["gains"][0]["gain_db"]);
    assert_eq!(findings(vox).iter().filter(|id| id.starts_with("late-")).count(), 2, "{vox}");
    // The new one is counted on; no other stem gets another name.
    let guitar = &stem(&second, "Acoustic Gtr.wav")["output"];
    assert_eq!((&guitar["path"], &guitar["rate_hz"]), (&"audio/04_Acoustic_Gtr.wav".into(), &48_000.into()));
    assert_eq!(late(&second, "Acoustic Gtr.wav")["what"], "added");
    assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 0);
    let plan = |more: &[&str]| -> Value {
        let path = delivery.path();
        let mut args = vec!["plan", path.to_str().unwrap(), "--format", "json"];
        args.extend(more);
        serde_json::from_str(&loadin(&args).out).unwrap()
    };
    assert_eq!(plan(&["--out", out.to_str().unwrap()])["link"], second["link"], "the dry run knows it too");
    // A new link is as if everything had come together.
    let (_, relinked) = prep(&delivery.path(), &out, &["--relink"]);
    assert_eq!(relinked["late"], Value::Null);
    assert_eq!(relinked["link"], plan(&[])["link"]);
    assert_ne!(relinked["link"]["gains"], first["link"]["gains"]);
    prep(&delivery.path(), &delivery.out("fresh"), &[]);
    assert_eq!(set_aside(&out), ["03_Vox.wav"], "what nobody could make again");
    fs::remove_dir_all(out.join("set-aside")).unwrap();
    assert_same(&out, &outputs(&delivery.out("fresh")), "after --relink");
    assert!(before.len() > 3);
}

fn set_aside(out: &Path) -> Vec<String> {
    let entries = fs::read_dir(out.join("set-aside")).into_iter().flatten().flatten();
    let mut names: Vec<String> = entries.map(|e| e.file_name().to_string_lossy().into_owned()).collect();
    names.sort();
    names
}

/// A share may be half synced: what is merely gone costs no output. What the recipe leaves out goes.
#[test]
fn the_output_of_a_removed_stem_stays_until_the_recipe_leaves_it_out() {
    let delivery = delivery();
    let out = delivery.out("out");
    let (_, first) = prep(&delivery.path(), &out, &[]);
    let before = outputs(&out);
    let vox = delivery.path().join("Vox.wav");
    let away = delivery.out("away");
    fs::rename(&vox, &away).unwrap();
    let (ran, second) = prep(&delivery.path(), &out, &[]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    assert_eq!(late(&second, "Vox.wav")["what"], "removed");
    assert!(ran.out.contains("Vox.wav: removed"), "{}", ran.out);
    assert_eq!(findings(stem(&second, "Vox.wav")), ["source-gone"]);
    assert_eq!(stem(&second, "Vox.wav")["output"], stem(&first, "Vox.wav")["output"]);
    assert!(set_aside(&out).is_empty());
    assert!(fs::read(out.join("audio/03_Vox.wav")).unwrap() == before["audio/03_Vox.wav"]);
    assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 0);
    // It comes back.
    fs::rename(&away, &vox).unwrap();
    let (_, third) = prep(&delivery.path(), &out, &[]);
    assert_eq!(third["stems"], first["stems"]);
    // Another one comes, and the recipe leaves it out.
    delivery.wav("Vox.wav", RATE, 24, &[words(4, 0.06, 120_000, 480_000)]);
    prep(&delivery.path(), &out, &[]);
    assert_eq!(set_aside(&out), ["03_Vox.wav"]);
    let text = fs::read_to_string(out.join("recipe.toml")).unwrap();
    let without = delivery.out("without.toml");
    let text = text.replace("leave-out = []", "leave-out = [\"Vox*\"]");
    fs::write(&without, text).unwrap();
    let (ran, _) = prep(&delivery.path(), &out, &["--recipe", without.to_str().unwrap()]);
    assert_eq!(ran.code, 1, "{}{}", ran.out, ran.err);
    assert_eq!(set_aside(&out), ["03_Vox (2).wav", "03_Vox.wav"]);
    assert_eq!(loadin(&["verify", out.to_str().unwrap()]).code, 0);
}

/// Time stamps are an absolute time line: a late file with a stamp of its own stands where that says, one without
/// stands where the file that it replaces stood.
#[test]
fn late_files_stand_on_the_same_time_line() {
    let delivery = Delivery::new("stamped");
    let sound = |seed| words(seed, 0.1, 0, 240_000);
    delivery.stamped("Kick.wav", RATE, 480_000, &[sound(1)]);
    delivery.stamped("Bass.wav", RATE, 480_000, &[sound(2)]);
    delivery.stamped("Vox.wav", RATE, 600_000, &[sound(3)]);
    delivery.stamped("Pad.wav", RATE, 576_000, &[sound(4)]);
    let out = delivery.out("out");
    let (_, first) = prep(&delivery.path(), &out, &[]);
    assert_eq!(first["link"]["by_stamps"], true);
    delivery.float_wav("Vox.wav", RATE, &[sound(5)]);
    delivery.stamped("Pad.wav", RATE, 528_000, &[sound(6)]);
    let (_, second) = prep(&delivery.path(), &out, &[]);
    let shift = |manifest: &Value, path: &str| stem(manifest, path)["time_map"]["shift_frames"].as_i64();
    assert_eq!(shift(&second, "Vox.wav"), shift(&first, "Vox.wav"));
    assert_eq!(shift(&second, "Pad.wav"), shift(&first, "Pad.wav").map(|shift| shift + 48_000));
    assert_eq!(second["link"]["timestamp_frames"], first["link"]["timestamp_frames"]);
}

/// The factor of the link is the number in the manifest, to the last bit.
#[test]
fn the_gain_is_the_number_in_the_manifest() {
    let delivery = delivery();
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let db = manifest["link"]["gains"][0]["gain_db"].as_f64().unwrap();
    assert_eq!(gain(stem(&manifest, "Kick.wav")).as_f64(), Some(db));
    assert_eq!((db * 1e6).round() / 1e6, db, "six decimals");
    let kick = stem(&manifest, "Kick.wav");
    let peak = |value: &Value| Decibels(value.as_f64().unwrap()).ratio();
    let after = peak(&kick["source"]["peak_dbfs"]) * Decibels(db).ratio();
    assert!((after / peak(&kick["output"]["peak_dbfs"]) - 1.0).abs() < 3e-4);
}
