//! Names that are bytes and no text: two files never share one identity, and each is found again by its written form.

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;

use loadin_audio::signal;
use loadin_tests::Delivery;

use crate::job::{comparable, loadin, prep, recipe, stem};

/// Names as they lie on the disk, and as they are written.
const NAMES: [(&[u8], &str); 5] = [
    (b"Kick\xFE.wav", r"Kick\xFE.wav"),
    (b"Kick\xFF.wav", r"Kick\xFF.wav"),
    (b"Snare\nTop.wav", r"Snare\nTop.wav"),
    (b"Bass\\DI.wav", r"Bass\\DI.wav"),
    // Looks like the first one's written form, and is not.
    (br"Kick\xFE.wav", r"Kick\\xFE.wav"),
];

fn delivery() -> Delivery {
    let delivery = Delivery::new("song");
    for (seed, (name, _)) in (1..).zip(NAMES) {
        let path = delivery.wav("sound.wav", 48_000, 24, &[signal::noise(seed, 0.2, 24_000)]);
        let folder = delivery.path().join(OsStr::from_bytes(b"takes\xC0"));
        fs::create_dir_all(&folder).unwrap();
        fs::rename(path, folder.join(OsStr::from_bytes(name))).unwrap();
    }
    delivery
}

#[test]
fn files_whose_names_differ_in_bytes_are_stems_of_their_own() {
    let delivery = delivery();
    let (source, out) = (delivery.path(), delivery.out("out"));
    let (ran, manifest) = prep(&source, &out, &[]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert_eq!(manifest["stems"].as_array().unwrap().len(), NAMES.len());
    let mut outputs = Vec::new();
    for (_, written) in NAMES {
        let stem = stem(&manifest, &format!(r"takes\xC0/{written}"));
        assert_eq!(stem["state"], "prepared", "{stem}");
        outputs.push(stem["output"]["sha256"].as_str().unwrap());
    }
    outputs.sort_unstable();
    outputs.dedup();
    assert_eq!(outputs.len(), NAMES.len(), "each has its own sound");
    let before = comparable(&out);
    let (ran, again) = prep(&source, &out, &[]);
    assert_eq!((ran.code, &again["run"]["reused"]), (0, &(2 * NAMES.len()).into()), "{}{}", ran.out, ran.err);
    assert!(comparable(&out) == before);
    let args = ["verify", out.to_str().unwrap(), "--delivery", source.to_str().unwrap(), "--replay"];
    let ran = loadin(&args);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
}

#[test]
fn they_are_restored_under_their_own_names() {
    let delivery = delivery();
    let (out, back) = (delivery.out("out"), delivery.out("back"));
    prep(&delivery.path(), &out, &[]);
    let ran = loadin(&["restore", out.to_str().unwrap(), "--to", back.to_str().unwrap()]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    for (name, written) in NAMES {
        let path = back.join(OsStr::from_bytes(b"takes\xC0")).join(OsStr::from_bytes(name));
        assert!(path.is_file(), "{written}");
    }
}

/// A backslash of a written form is doubled in a glob, as everywhere in globs; `?` and `*` fit it too.
#[test]
fn globs_fit_the_written_form() {
    let delivery = delivery();
    let stages = r#"
[[stage]]
stage = "decode"
leave-out = ['*/Kick\\xFE.wav', '*\\n*']

[[stage]]
stage = "label"

[[stage]]
stage = "re-encode"
"#;
    let recipe = recipe(&delivery.out(""), stages);
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &["--recipe", &recipe]);
    for ((_, written), state) in
        NAMES.into_iter().zip(["set-aside", "prepared", "set-aside", "prepared", "prepared"])
    {
        let found = &stem(&manifest, &format!(r"takes\xC0/{written}"))["state"];
        assert!(found == state || state == "prepared" && found == "unchanged", "{written}: {found}");
    }
}

/// Two deliveries whose names differ only in such bytes have folders of their own in a batch.
#[test]
fn deliveries_too() {
    let parent = Delivery::new("songs");
    let deliveries = [b"song\xFE", b"song\xFF"].map(|name| parent.path().join(OsStr::from_bytes(name)));
    for (seed, folder) in (1..).zip(&deliveries) {
        let path = parent.wav("Kick.wav", 48_000, 24, &[signal::noise(seed, 0.2, 24_000)]);
        fs::create_dir(folder).unwrap();
        fs::rename(path, folder.join("Kick.wav")).unwrap();
    }
    let out = parent.out("out");
    let mut command = crate::job::command();
    command.arg("prep").args(&deliveries).arg("--out").arg(&out).args(["--progress", "none"]);
    let ran = crate::job::run(&mut command);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    for name in [r"song\xFE", r"song\xFF"] {
        assert!(out.join(name).join("manifest.json").is_file(), "{name}");
    }
    let index = fs::read_to_string(out.join("index.html")).unwrap();
    assert!(index.contains("href=\"song%5CxFE/report.html\""), "{index}");
}
