//! The markers that a client states, in MIDI files and in audio files: as facts, and in the outputs.

use std::fs;

use loadin_audio::signal;
use loadin_codec::Chunk;
use loadin_tests::Delivery;
use serde_json::Value;

use super::{STAGES, cue, open, output, write};
use crate::job::{findings, loadin, prep, recipe, stem};

/// Format 0, 1000 ticks a quarter of one second, so that a tick is a millisecond: "Count" at 100, "Verse" at 4000 and
/// "Solo" at 6500; deltas of two bytes are 30 · 128 + 60 and 19 · 128 + 68 (Standard MIDI-File Format Spec. 1.1).
const MIDI: &[u8] = b"MThd\0\0\0\x06\0\0\0\x01\x03\xE8MTrk\0\0\0\x2A\
    \0\xFF\x51\x03\x0F\x42\x40\x64\xFF\x06\x05Count\x9E\x3C\xFF\x06\x05Verse\x93\x44\xFF\x06\x04Solo\0\xFF\x2F\0";

/// The name "Verse" of marker 1.
fn verse() -> Chunk {
    Chunk { id: *b"LIST", bytes: b"adtllabl\x0A\0\0\0\x01\0\0\0Verse\0".to_vec() }
}

/// "Vox" at 44.1 kHz begins at 1:00:00, sounds from 3 s on and carries "Verse" at `verse_frame`; "Bass" at 96 kHz begins
/// one second later and sounds at once. Half a second before the first sound is kept: outputs begin at 0.5 s.
fn deliver(verse_frame: u32) -> Delivery {
    let delivery = Delivery::new("take");
    let vox = [vec![0.0; 3 * 44_100], signal::noise(1, 0.25, 7 * 44_100)].concat();
    write(&delivery, "Vox.wav", 44_100, 158_760_000, &vox, vec![cue(&[(1, verse_frame)]), verse()]);
    write(&delivery, "Bass.wav", 96_000, 345_696_000, &signal::noise(2, 0.25, 8 * 96_000), Vec::new());
    delivery.file("map.mid", MIDI);
    delivery
}

fn asking() -> String {
    format!("{STAGES}markers = true\n")
}

fn markers(path: &std::path::Path) -> Vec<(u32, String)> {
    let points = open(path).cue_points().unwrap();
    points.into_iter().map(|point| (point.frame, point.label.unwrap_or_default())).collect()
}

fn expected(markers: &[(u32, &str)]) -> Vec<(u32, String)> {
    markers.iter().map(|&(frame, name)| (frame, name.to_owned())).collect()
}

/// By hand, in frames at 48 kHz: "Count" at 4800 lies in the 24 000 that are cut; "Verse" at 192 000 and "Solo" at
/// 312 000 stand 24 000 earlier.
#[test]
fn stated_markers_are_written_once_where_the_recipe_asks() {
    let delivery = deliver(176_400);
    let out = delivery.out("out");
    let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), &asking())]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    assert!(!findings(&manifest).contains(&"facts-disagree"));
    let fact = &manifest["facts"]["markers"];
    let names: Vec<(f64, &str)> = fact["value"]
        .as_array()
        .unwrap()
        .iter()
        .map(|at| (at["seconds"].as_f64().unwrap(), at["name"].as_str().unwrap()))
        .collect();
    assert_eq!(names, [(0.1, "Count"), (4.0, "Verse"), (6.5, "Solo")]);
    assert_eq!(fact["source"], "MIDI file \"map.mid\", from its start; markers in \"Vox.wav\"");
    let (vox, bass) = (stem(&manifest, "Vox.wav"), stem(&manifest, "Bass.wav"));
    let both = expected(&[(168_000, "Verse"), (288_000, "Solo")]);
    assert_eq!(markers(&output(&out, vox)), both, "its own is moved, and only the other one added");
    assert_eq!(markers(&output(&out, bass)), both);
    let added = |record: &Value| -> Vec<Value> {
        let all = record["metadata"].as_array().unwrap().iter().filter(|one| one["fate"] == "added");
        all.map(|one| one["texts"].clone()).collect()
    };
    assert_eq!(added(vox), [serde_json::json!(["288000 Solo"])]);
    assert_eq!(added(bass), [serde_json::json!(["168000 Verse", "288000 Solo"])]);
    // The hardest check makes the same bytes, and what is restored has only what was delivered.
    let (path, source, back) = (out.to_str().unwrap(), delivery.path(), delivery.out("back"));
    let ran = loadin(&["verify", path, "--delivery", source.to_str().unwrap(), "--replay"]);
    assert_eq!(ran.code, 0, "{}{}", ran.out, ran.err);
    loadin(&["restore", path, "--to", back.to_str().unwrap(), "--progress", "none"]);
    assert_eq!(markers(&back.join("Vox.wav")), expected(&[(176_400, "Verse")]));
    assert_eq!(markers(&back.join("Bass.wav")), []);
    // Without being asked, nothing is added.
    let (_, manifest) =
        prep(&delivery.path(), &delivery.out("plain"), &["--recipe", &recipe(&delivery.out(""), STAGES)]);
    assert_eq!(markers(&output(&delivery.out("plain"), stem(&manifest, "Bass.wav"))), []);
}

/// A MIDI file that comes when the stems are at work in a session moves no marker in them.
#[test]
fn markers_that_change_later_change_no_stem() {
    let delivery = deliver(176_400);
    let out = delivery.out("out");
    let recipe = recipe(&delivery.out(""), &asking());
    let (_, before) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
    let later: Vec<u8> = MIDI.iter().map(|&byte| if byte == 0x44 { 0x45 } else { byte }).collect();
    delivery.file("map.mid", &later);
    let (_, after) = prep(&delivery.path(), &out, &["--recipe", &recipe]);
    assert_eq!(after["facts"]["markers"]["value"][2]["seconds"], 6.501);
    assert_eq!(before["stems"], after["stems"]);
}

#[test]
fn a_name_at_two_places_is_asked_and_written_nowhere() {
    // Five seconds, where the MIDI file says four.
    let delivery = deliver(220_500);
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &["--recipe", &recipe(&delivery.out(""), &asking())]);
    let fact = &manifest["facts"]["markers"];
    assert!(fact["value"].is_null() && fact["confidence"] == "contradicted", "{fact}");
    assert!(findings(&manifest).contains(&"facts-disagree"));
    let note = fs::read_to_string(out.join("client-note.md")).unwrap();
    assert!(
        note.contains("The place of markers is stated differently") && note.contains("5.000 s"),
        "{note}"
    );
    assert_eq!(markers(&output(&out, stem(&manifest, "Bass.wav"))), []);
    assert_eq!(markers(&output(&out, stem(&manifest, "Vox.wav"))), expected(&[(216_000, "Verse")]));
    let table = loadin(&["facts", delivery.path().to_str().unwrap()]).out;
    assert!(table.contains("5.000 s Verse") && table.contains("4.000 s Verse"), "{table}");
}

/// The same numbers as in the first test, in the markers of every other container.
#[test]
fn stated_markers_go_into_every_container_that_has_them() {
    let delivery = deliver(176_400);
    for container in ["flac", "aiff", "caf"] {
        let recipe_text = format!("{}container = \"{container}\"\nwhen-over = \"fail\"\n", asking());
        let out = delivery.out(container);
        let path = recipe(&delivery.out(""), &recipe_text);
        let (ran, manifest) = prep(&delivery.path(), &out, &["--recipe", &path]);
        assert_eq!(ran.code, 0, "{container}: {}{}", ran.out, ran.err);
        for name in ["Vox.wav", "Bass.wav"] {
            let file = fs::File::open(output(&out, stem(&manifest, name))).unwrap();
            let found = loadin_codec::open(file, true).unwrap().metadata().markers();
            let found: Vec<_> = found.iter().map(|marker| (marker.frame, marker.name.as_str())).collect();
            assert_eq!(found, [(168_000, "Verse"), (288_000, "Solo")], "{container} {name}");
        }
    }
}

#[test]
fn a_container_without_markers_is_refused() {
    let delivery = Delivery::new("none");
    let path = recipe(&delivery.out(""), &format!("{}container = \"wav\"\n", asking()));
    let ran = loadin(&["recipe", "check", &path]);
    assert!(
        ran.code == 2 && ran.err.contains("markers = true needs another container"),
        "{}{}",
        ran.out,
        ran.err
    );
}
