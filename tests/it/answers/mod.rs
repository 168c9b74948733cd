//! What the engineer says of a delivery: every line of an answers file, in a delivery that gets it wrong without; what a user does
//! with it over several days; and every mistake that such a file can have.

mod lines;
mod sections;
mod session;
mod songs;
mod visits;
mod wrong;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use loadin_audio::signal;
use loadin_tests::Delivery;
use serde_json::Value;

use crate::job::{Files, Ran, assert_same_files, comparable, loadin, stem, tree};

/// Frames of a second.
const HZ: u32 = 48_000;

/// Noise of so many seconds.
fn noise(seed: u64, seconds: f64) -> Vec<f64> {
    signal::noise(seed, 0.1, (seconds * f64::from(HZ)) as usize)
}

/// A delivery with whatever answers are good for.
fn band() -> Delivery {
    let delivery = Delivery::new("band");
    let mono = |name: &str, seed: u64| drop(delivery.wav(name, HZ, 24, &[noise(seed, 2.0)]));
    mono("Kick.wav", 1);
    mono("Bass.wav", 2);
    mono("Audio 07.wav", 3);
    mono("Thing.wav", 4);
    mono("Vox old.wav", 5);
    mono("Vox.wav", 6);
    mono("One side.wav", 7);
    mono("Other side.wav", 8);
    mono("Piano.wav", 9);
    mono("Piano again.wav", 9);
    delivery.wav("Empty.wav", HZ, 24, &[vec![0.0; 2 * HZ as usize]]);
    delivery.wav("Gtr.wav", HZ, 24, &[noise(10, 2.0), vec![0.0; 2 * HZ as usize]]);
    delivery.file("notes.txt", b"Title: Paper Street\nTempo: 100 bpm\nKey: C major\n");
    delivery
}

/// What a command has left.
struct Left {
    ran: Ran,
    manifest: Value,
    out: PathBuf,
}

impl Left {
    fn paper(&self, name: &str) -> String {
        fs::read(self.out.join(name))
            .map_or_else(|_| String::new(), |bytes| String::from_utf8_lossy(&bytes).into_owned())
    }

    fn stem(&self, path: &str) -> &Value {
        stem(&self.manifest, path)
    }

    fn fact(&self, name: &str) -> &Value {
        &self.manifest["facts"][name]["value"]
    }

    /// Outputs with their bytes.
    fn audio(&self) -> Files {
        tree(&self.out.join("audio"))
    }

    /// The output of a stem, with its bytes.
    fn output(&self, path: &str) -> (String, Vec<u8>) {
        let name = self.stem(path)["output"]["path"]
            .as_str()
            .unwrap_or_else(|| panic!("{path} has no output"))
            .to_owned();
        let bytes = fs::read(self.out.join(&name)).unwrap();
        (name, bytes)
    }

    /// The open findings of a stem, by their ids.
    fn open(&self, path: &str) -> Vec<String> {
        open(&self.stem(path)["findings"])
    }
}

/// The ids of the findings that nobody has answered.
fn open(findings: &Value) -> Vec<String> {
    let all = findings.as_array().unwrap().iter().filter(|finding| finding.get("answer").is_none());
    all.map(|finding| finding["id"].as_str().unwrap().to_owned()).collect()
}

/// Writes answers beside a delivery.
fn answers(delivery: &Delivery, text: &str) -> String {
    let path = delivery.out("song.toml");
    fs::write(&path, format!("answers = 1\n{text}")).unwrap();
    path.to_str().unwrap().to_owned()
}

fn prep(delivery: &Delivery, out: &str, more: &[&str]) -> Left {
    let left = visit(delivery, out, more);
    assert!(left.ran.code <= 1, "{}{}", left.ran.out, left.ran.err);
    left
}

/// The same, however it ends.
fn visit(delivery: &Delivery, out: &str, more: &[&str]) -> Left {
    let (path, out) = (delivery.path(), delivery.out(out));
    let mut args = vec!["prep", path.to_str().unwrap(), "--out", out.to_str().unwrap(), "--progress", "none"];
    args.extend(more);
    let ran = loadin(&args);
    let manifest = fs::read_to_string(out.join("manifest.json"));
    let manifest = manifest.map_or(Value::Null, |text| serde_json::from_str(&text).unwrap());
    Left { ran, manifest, out }
}

fn verify(delivery: &Delivery, out: &Path) {
    let (delivery, out) = (delivery.path(), out.to_str().unwrap().to_owned());
    let ran =
        loadin(&["verify", &out, "--delivery", delivery.to_str().unwrap(), "--replay", "--progress", "none"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
}

/// A preparation with answers: by `prep`, by the units, made again by replay, and kept by a later visit that does not name them.
fn prepared(delivery: &Delivery, text: &str) -> Left {
    let file = answers(delivery, text);
    let left = prep(delivery, "said", &["--answers", &file]);
    assert_eq!(fs::read(left.out.join("answers.toml")).unwrap(), fs::read(&file).unwrap());
    verify(delivery, &left.out);
    let units = delivery.out("units");
    for step in ["scan", "survey", "plan", "render", "seal"] {
        let path = delivery.path();
        let args = [
            "unit",
            step,
            path.to_str().unwrap(),
            "--out",
            units.to_str().unwrap(),
            "--answers",
            &file,
            "--progress",
            "none",
        ];
        let ran = loadin(&args);
        assert!(
            ran.code == 0 || (step == "seal" && ran.code == left.ran.code),
            "{step}: {}{}",
            ran.out,
            ran.err
        );
    }
    assert_same_files(&outputs(&units), &outputs(&left.out), "by units");
    let again = prep(delivery, "said", &[]);
    assert_eq!(again.ran.code, left.ran.code, "{}", again.ran.err);
    assert_same_files(&outputs(&again.out), &outputs(&left.out), "at a later visit");
    for out in ["said", "units"] {
        fs::remove_dir_all(delivery.out(out)).unwrap();
    }
    prep(delivery, "said", &["--answers", &file])
}

/// What the user sees of an output folder.
fn outputs(out: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = comparable(out);
    files.retain(|name, _| !name.starts_with(".loadin"));
    files
}
