//! What estimates become in the papers: beside what is stated, never instead of it.

use std::fs;

use loadin_session::facts::{At, Meter, SessionMap, bpm_of, read_midi};
use loadin_tests::Delivery;

use super::songs::{Song, Style};
use crate::job::{findings, prep};

fn song(bpm: f64) -> Song {
    let form = vec![('i', 4), ('A', 8), ('B', 8), ('A', 8)];
    Song { bpm, style: Style::Backbeat, swing: 0.5, lead_in: 0.0, form, one_drum_stem: false, hurry: 0.0 }
}

fn delivery(name: &str, bpm: f64) -> Delivery {
    let delivery = Delivery::new(name);
    song(bpm).render(7, &delivery);
    delivery
}

#[test]
fn a_sure_estimate_makes_a_session_map_and_says_so() {
    let delivery = delivery("Song", 97.3);
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    assert_eq!(manifest["facts"]["tempo_bpm_estimate"]["value"], 97.3, "{}", manifest["facts"]);
    assert!(manifest["facts"]["tempo_bpm"].is_null(), "an estimate has its own name");
    let bytes = fs::read(out.join("session.mid")).unwrap();
    let midi = read_midi(&bytes).unwrap();
    assert!((bpm_of(midi.tempi[0].what) - 97.3).abs() < 0.005);
    let names: Vec<&str> = midi.markers.iter().map(|at| at.what.as_str()).collect();
    assert_eq!(names, ["A", "B", "C", "B"]);
    // The sections begin after 4, 12 and 20 bars, on bar lines of the file to a tick: 0.65 ms of 960 a quarter.
    let bar = 4e-6 * f64::from(midi.tempi[0].what);
    for (marker, bars) in midi.markers.iter().zip([0.0, 4.0, 12.0, 20.0]) {
        assert!((marker.seconds - bars * bar).abs() < 6.5e-4, "{marker:?}");
    }
    let said = String::from_utf8_lossy(&bytes);
    assert!(said.contains("The tempo is estimated from the sound"), "{said}");
    let sung = &manifest["facts"]["vocal_entries_estimate"]["value"][0]["seconds"];
    // Bar 4 begins at 9.866 s; the voice enters within half a beat of it.
    assert!((sung.as_f64().unwrap() - 9.866).abs() < 0.5, "{sung}");
}

#[test]
fn the_clients_own_markers_and_tempo_win() {
    let delivery = delivery("Song", 97.3);
    let at = |seconds, what: &str| At { seconds, what: what.to_owned() };
    let client = SessionMap {
        tempi: vec![At { seconds: 0.0, what: 616_650 }],
        meters: vec![At { seconds: 0.0, what: Meter { beats: 4, unit: 4 } }],
        markers: vec![at(1.0, "Intro"), at(20.0, "Verse")],
        seconds: 60.0,
        ..SessionMap::default()
    };
    delivery.file("map.mid", &client.to_midi(960).unwrap());
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let midi = read_midi(&fs::read(out.join("session.mid")).unwrap()).unwrap();
    let names: Vec<&str> = midi.markers.iter().map(|at| at.what.as_str()).collect();
    assert_eq!(names, ["Intro", "Verse"]);
    assert_eq!(midi.tempi[0].what, 616_650);
    assert_eq!(manifest["facts"]["sections_estimate"]["confidence"], "estimated");
    assert!(!findings(&manifest).contains(&"tempo-doubt"));
}

#[test]
fn another_tempo_than_the_stated_one_is_a_question_and_no_change() {
    let stated = delivery("Song_99bpm", 97.3);
    let (_, manifest) = prep(&stated.path(), &stated.out("out"), &[]);
    assert_eq!(manifest["facts"]["tempo_bpm"]["value"], 99.0);
    assert!(findings(&manifest).contains(&"tempo-doubt"), "{}", manifest["facts"]);
    let note = fs::read_to_string(stated.out("out").join("client-note.md")).unwrap();
    assert!(note.contains("99") && note.contains("97.3 BPM"), "{note}");
    let midi = read_midi(&fs::read(stated.out("out").join("session.mid")).unwrap()).unwrap();
    assert!((bpm_of(midi.tempi[0].what) - 99.0).abs() < 0.01);
    // Half of it is the same pulse, counted otherwise.
    let half = delivery("Song_48.65bpm", 97.3);
    let (_, manifest) = prep(&half.path(), &half.out("out"), &[]);
    assert!(!findings(&manifest).contains(&"tempo-doubt"));
}

/// From 104 to about 109 BPM within 65 s.
#[test]
fn a_band_that_hurries_has_no_single_tempo() {
    let delivery = Delivery::new("Song");
    Song { hurry: 0.0004, ..song(104.0) }.render(7, &delivery);
    let out = delivery.out("out");
    let (_, manifest) = prep(&delivery.path(), &out, &[]);
    let facts = &manifest["facts"];
    assert!(facts["tempo_bpm_estimate"].is_null(), "{facts}");
    let steps = facts["tempo_changes_estimate"]["value"].as_array().unwrap();
    assert!(steps.len() > 1 && steps[0]["bpm"].as_f64() < steps[steps.len() - 1]["bpm"].as_f64(), "{facts}");
    assert!(!out.join("session.mid").exists(), "a tempo that moves makes no map");
}
