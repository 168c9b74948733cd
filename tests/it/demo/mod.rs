//! The demo delivery, through the whole program: every seeded fault is named with its file, and nothing else is.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::job::{findings, prep, stem};

fn delivery() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery")
}

fn prepared(more: &[&str]) -> (i32, Value) {
    let out = tempfile::tempdir().unwrap();
    let (ran, manifest) = prep(&delivery(), out.path(), more);
    (ran.code, manifest)
}

/// The faults that the generator seeds, by file.
const SEEDED: &[(&str, &str)] = &[
    ("OrchardSignal_125bpm_Dm_Tamb.wav", "truncated"),
    ("OrchardSignal_125bpm_Dm_Hats.flac", "dead-channel"),
    ("OrchardSignal_125bpm_Dm_BV Low_FINAL use this.flac", "duplicate"),
    ("OrchardSignal_125bpm_Dm_Shaker.flac", "silent"),
    ("OrchardSignal_125bpm_Dm_Bass DI.flac", "dual-mono"),
    ("OrchardSignal_125bpm_Dm_Pad.flac", "dc-offset"),
    ("OrchardSignal_125bpm_Dm_BV High.flac", "place-found"),
    ("riser (late add).wav", "moved"),
];

#[test]
fn every_seeded_fault_is_found_and_nothing_else_is_accused() {
    let (code, manifest) = prepared(&[]);
    assert_eq!(code, 1, "a damaged and a silent stem");
    let mut found: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for record in manifest["stems"].as_array().unwrap() {
        let ids = findings(record);
        if !ids.is_empty() {
            found.insert(record["source"]["path"].as_str().unwrap(), ids);
        }
    }
    let wanted: BTreeMap<&str, Vec<&str>> = SEEDED.iter().map(|(path, id)| (*path, vec![*id])).collect();
    assert_eq!(found, wanted);
    let of_delivery: Vec<&str> = manifest["findings"]
        .as_array()
        .unwrap()
        .iter()
        .map(|finding| finding["id"].as_str().unwrap())
        .collect();
    assert_eq!(of_delivery, ["mixed-rates", "mixed-lengths", "missing-stem", "note-says"]);
    assert_eq!(manifest["ignored"].as_array().unwrap().len(), 4, "a note and three pieces of litter");
}

#[test]
fn the_set_is_ready_for_a_session() {
    let (_, manifest) = prepared(&[]);
    let outputs: Vec<&Value> = manifest["stems"]
        .as_array()
        .unwrap()
        .iter()
        .map(|record| &record["output"])
        .filter(|o| !o.is_null())
        .collect();
    assert_eq!(outputs.len(), 13);
    for output in &outputs {
        assert_eq!((&output["rate_hz"], &output["bits"]), (&48_000.into(), &24.into()));
        assert_eq!(output["frames"], manifest["link"]["length_frames"]);
    }
    let labels: Vec<&str> = outputs.iter().map(|output| output["path"].as_str().unwrap()).collect();
    assert_eq!(labels[0], "audio/01_Kick.wav");
    assert_eq!(labels[1], "audio/02_Bass_DI.wav");
    assert!(labels[12].contains("ROUGH_MIX"), "the rough mix stands apart");
    assert_eq!(manifest["facts"]["tempo_bpm"]["value"], 125.0);
    // A bar at 125 BPM is 1.92 s, and at least that much is kept before the first sound.
    let head = manifest["link"]["trim_head_frames"].as_u64().unwrap();
    assert!(head > 0 && head.is_multiple_of(480), "{head}");
    assert_eq!(stem(&manifest, "riser (late add).wav")["changes"][1]["what"], "start");
}

/// The whole-dB rule: the loudest stem peaks at about -6.5 dBFS, so +6 dB fits and +7 dB would clip
/// (common practice, no source).
#[test]
fn whole_decibels_as_far_as_the_loudest_stem_allows() {
    let (_, manifest) = prepared(&["--recipe", "whole-db"]);
    assert_eq!(manifest["link"]["gains"][0]["gain_db"], 6.0);
    let peak = stem(&manifest, "OrchardSignal_125bpm_Dm_Kick.wav")["output"]["peak_dbfs"].as_f64().unwrap();
    assert!((-1.0..0.0).contains(&peak), "{peak}");
}
