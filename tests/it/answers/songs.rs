//! Two songs in one delivery: judged by folders, names and lengths; said first; and prepared apart.

use std::fs;

use loadin_tests::Delivery;
use serde_json::Value;

use super::{HZ, noise, verify};
use crate::job::{loadin, stem};

/// Name, files with their seconds, and the songs.
type Case = (&'static str, &'static [(&'static str, f64)], &'static [&'static str]);

const CASES: &[Case] = &[
    (
        "folders with equal names",
        &[("North/Kick.wav", 1.0), ("North/Vox.wav", 1.0), ("Paper/Kick.wav", 1.5), ("Paper/Vox.wav", 1.5)],
        &["North", "Paper"],
    ),
    (
        "folders with other names",
        &[("North/Kick.wav", 1.0), ("North/Vox.wav", 1.0), ("Paper/Piano.wav", 1.5), ("Paper/Bass.wav", 1.5)],
        &["North", "Paper"],
    ),
    (
        "folders in a folder, with folders of instruments",
        &[
            ("all/North/Drums/Kick.wav", 1.0),
            ("all/North/Vox.wav", 1.0),
            ("all/Paper/Drums/Kick.wav", 1.5),
            ("all/Paper/Vox.wav", 1.5),
        ],
        &["North", "Paper"],
    ),
    (
        "beginnings of names that differ in title and tempo",
        &[
            ("North_92bpm_Kick.wav", 1.0),
            ("North_92bpm_Vox.wav", 1.0),
            ("Paper_120bpm_Kick.wav", 1.5),
            ("Paper_120bpm_Vox.wav", 1.5),
        ],
        &["North_92bpm", "Paper_120bpm"],
    ),
    (
        "beginnings of names with other stems",
        &[
            ("North_Dm_Kick.wav", 1.0),
            ("North_Dm_Gtr.wav", 1.0),
            ("Paper_C_Piano.wav", 1.5),
            ("Paper_C_Vox.wav", 1.5),
        ],
        &["North_Dm", "Paper_C"],
    ),
    (
        "one song with two folders of takes",
        &[
            ("Take 1/Kick.wav", 1.0),
            ("Take 1/Vox.wav", 1.0),
            ("Take 2/Kick.wav", 1.5),
            ("Take 2/Vox.wav", 1.5),
        ],
        &[],
    ),
    (
        "one song with folders of instruments",
        &[("Drums/Kick.wav", 1.0), ("Drums/Snare.wav", 1.0), ("Vocals/Vox.wav", 1.5), ("Vocals/BV.wav", 1.5)],
        &[],
    ),
    (
        "one song in two depths",
        &[
            ("North 24/Kick.wav", 1.0),
            ("North 24/Vox.wav", 1.0),
            ("North 16/Kick.wav", 1.0),
            ("North 16/Vox.wav", 1.0),
        ],
        &[],
    ),
];

fn deliver(files: &[(&str, f64)]) -> Delivery {
    let delivery = Delivery::new("from the client");
    for (seed, (name, seconds)) in (1..).zip(files) {
        delivery.wav(name, HZ, 24, &[noise(seed, *seconds)]);
    }
    delivery.file("notes.txt", b"Key: D minor\n");
    delivery
}

#[test]
fn eight_deliveries_are_judged_right() {
    for (case, files, songs) in CASES {
        let delivery = deliver(files);
        let path = delivery.path();
        let path = path.to_str().unwrap();
        let plan = loadin(&["plan", path, "--progress", "none"]);
        let first = format!("{} songs in one delivery: {}", songs.len(), songs.join(", "));
        assert_eq!(plan.out.starts_with(&first), !songs.is_empty(), "{case}: {}", plan.out);
        assert_eq!(plan.out.contains("--split"), !songs.is_empty(), "{case}: {}", plan.out);
        let out = delivery.out("out");
        let ran = loadin(&["prep", path, "--out", out.to_str().unwrap(), "--split", "--progress", "none"]);
        if songs.is_empty() {
            assert_eq!(ran.code, 2, "{case}: {}", ran.out);
            assert!(ran.err.contains("looks like one song"), "{case}: {}", ran.err);
            continue;
        }
        assert_eq!(ran.code, 0, "{case}: {}{}", ran.out, ran.err);
        let mut prepared = 0;
        for song in *songs {
            let folder = out.join(song);
            let manifest: Value =
                serde_json::from_str(&fs::read_to_string(folder.join("manifest.json")).unwrap()).unwrap();
            assert_eq!(manifest["delivery"]["name"], *song, "{case}");
            assert_eq!(manifest["facts"]["key"]["value"], "D minor", "{case}: the note counts for each");
            let stems = manifest["stems"].as_array().unwrap();
            let lengths: Vec<&Value> = stems.iter().map(|stem| &stem["source"]["frames"]).collect();
            assert!(lengths.iter().all(|length| *length == lengths[0]), "{case}: {lengths:?}");
            prepared += stems.len();
            verify(&delivery, &folder);
        }
        assert_eq!(prepared, files.len(), "{case}: every stem is in one song");
        let again = loadin(&["prep", path, "--out", out.to_str().unwrap(), "--split", "--progress", "none"]);
        assert_eq!(again.code, 0, "{case}: {}{}", again.out, again.err);
    }
}

/// The client is not asked which of two tempi of two songs is right.
#[test]
fn facts_of_two_songs_are_no_question() {
    let (_, files, songs) = CASES[3];
    let delivery = deliver(files);
    let (path, out) = (delivery.path(), delivery.out("together"));
    let ran = loadin(&["prep", path.to_str().unwrap(), "--out", out.to_str().unwrap(), "--progress", "none"]);
    assert!(ran.out.contains("2 songs in one delivery"), "{}", ran.out);
    let note = fs::read_to_string(out.join("client-note.md")).unwrap_or_default();
    assert!(!note.contains("tempo"), "{note}");
    let apart = delivery.out("apart");
    let args =
        ["prep", path.to_str().unwrap(), "--out", apart.to_str().unwrap(), "--split", "--progress", "none"];
    loadin(&args);
    for (song, bpm) in songs.iter().zip([92.0, 120.0]) {
        let text = fs::read_to_string(apart.join(song).join("manifest.json")).unwrap();
        let manifest: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(manifest["facts"]["tempo_bpm"]["value"], bpm);
        assert!(stem(&manifest, &format!("{song}_Kick.wav"))["output"].is_object());
    }
}
