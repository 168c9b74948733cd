//! Facts that names, notes and MIDI files state, through the whole program.

use std::fs;

use loadin_audio::signal;
use loadin_tests::Delivery;
use serde_json::Value;

use crate::job::{findings, loadin, prep};

fn stems(delivery: &Delivery, names: &[&str]) {
    for (seed, name) in (1..).zip(names) {
        delivery.wav(name, 48_000, 24, &[signal::noise(seed, 0.25, 48_000)]);
    }
}

fn facts(delivery: &Delivery) -> Value {
    let ran = loadin(&["facts", delivery.path().to_str().unwrap(), "--format", "json"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    serde_json::from_str(&ran.out).unwrap()
}

/// A file of format 0 with 96 ticks a quarter: 4/4, 90 BPM (0A2C2B of the tempo table in the docs: 60e6 / 90 rounded),
/// D minor, and the marker "Verse" after one bar.
const MIDI: &[u8] = b"MThd\0\0\0\x06\0\0\0\x01\0\x60MTrk\0\0\0\x24\
    \0\xFF\x58\x04\x04\x02\x18\x08\0\xFF\x51\x03\x0A\x2C\x2B\0\xFF\x59\x02\xFF\x01\
    \x83\x00\xFF\x06\x05Verse\0\xFF\x2F\0";

#[test]
fn every_source_is_read_and_named() {
    let delivery = Delivery::new("PaperLantern_90bpm_Dm stems");
    stems(&delivery, &["PaperLantern_Kick.wav", "PaperLantern_Bass.wav", "PaperLantern_Vox.wav"]);
    delivery.file("notes.txt", "Hello,\r\nTitle: Paper Lantern\r\n90 bpm, 4/4, D minor".as_bytes());
    delivery.file("map.mid", MIDI);
    let found = facts(&delivery);
    let value = |name: &str| found["facts"][name]["value"].clone();
    assert_eq!(value("tempo_bpm"), 90.0);
    assert_eq!(value("meter"), "4/4");
    assert_eq!(value("key"), "D minor");
    assert_eq!(value("title"), "Paper Lantern");
    assert_eq!(value("session_name"), "Paper Lantern 90bpm Dm");
    let marker = &value("markers")[0];
    assert_eq!(marker["name"], "Verse");
    // A bar of four beats at 666 667 microseconds.
    assert!((marker["seconds"].as_f64().unwrap() - 2.666_668).abs() < 1e-9, "{marker}");
    let sources: Vec<&str> = found["facts"]["tempo_bpm"]["statements"]
        .as_array()
        .unwrap()
        .iter()
        .map(|statement| statement["source"].as_str().unwrap())
        .collect();
    assert_eq!(sources, ["MIDI file \"map.mid\"", "line 3 of \"notes.txt\"", "the delivery's name"]);
    assert_eq!(found["findings"].as_array().unwrap().len(), 0);
    let table = loadin(&["facts", delivery.path().to_str().unwrap()]).out;
    assert!(table.contains("90.0 BPM") && table.contains("2.667 s Verse"), "{table}");
}

#[test]
fn contradictions_have_no_value_and_are_asked() {
    let delivery = Delivery::new("Song_92bpm");
    stems(&delivery, &["Kick.wav", "Bass.wav"]);
    delivery.file("notes.txt", b"Tempo: 93");
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let tempo = &manifest["facts"]["tempo_bpm"];
    assert!(tempo["value"].is_null() && tempo["confidence"] == "contradicted", "{tempo}");
    assert!(findings(&manifest).contains(&"facts-disagree"));
    let note = fs::read_to_string(delivery.out("out").join("client-note.md")).unwrap();
    assert!(
        note.contains("92") && note.contains("93") && note.contains("Please tell us which one is right."),
        "{note}"
    );
    assert!(!delivery.out("out").join("session.mid").exists(), "a contradicted tempo makes no map");
    let page = fs::read_to_string(delivery.out("out").join("report.html")).unwrap();
    assert!(page.contains("stated differently"));
}

#[test]
fn what_cannot_be_read_costs_nothing_but_itself() {
    let delivery = Delivery::new("Song");
    stems(&delivery, &["Kick.wav", "Bass.wav"]);
    delivery.file("broken.mid", b"MThd, but no more");
    delivery.file("long.txt", &vec![b'9'; 300_000]);
    delivery.file("._notes.txt", b"140 bpm");
    delivery.file("old.txt", b"Tempo: 92 \x96 pr\xE9lude");
    let found = facts(&delivery);
    assert_eq!(found["facts"]["tempo_bpm"]["value"], 92.0);
    let unread: Vec<&str> = found["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["evidence"]["path"].as_str().unwrap())
        .collect();
    assert_eq!(unread, ["broken.mid", "long.txt"]);
}

/// A session in which the prepared stems are at work must stay true.
#[test]
fn a_note_that_comes_later_moves_no_stem() {
    let delivery = Delivery::new("Song");
    let silence_first = |seed| [vec![0.0; 20 * 48_000], signal::noise(seed, 0.25, 48_000)].concat();
    delivery.wav("Kick.wav", 48_000, 24, &[silence_first(1)]);
    delivery.wav("Bass.wav", 48_000, 24, &[silence_first(2)]);
    let out = delivery.out("out");
    let (_, before) = prep(&delivery.path(), &out, &[]);
    delivery.file("notes.txt", b"40 bpm, 12/8");
    let (_, after) = prep(&delivery.path(), &out, &[]);
    assert_eq!(after["facts"]["tempo_bpm"]["value"], 40.0);
    assert_eq!(before["link"], after["link"]);
    assert_eq!(before["stems"], after["stems"]);
    let (_, relinked) = prep(&delivery.path(), &out, &["--relink"]);
    assert!(relinked["link"]["trim_head_frames"].as_u64() < before["link"]["trim_head_frames"].as_u64());
}
