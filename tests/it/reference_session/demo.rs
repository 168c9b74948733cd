//! The demo delivery: by its names alone, and through the whole program.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use loadin_session::facts::{Material, statements};
use loadin_session::{
    Charset, Family, Group, KICK_AND_BASS_FIRST, LabelInput, LabelOptions, is_reference, labels, system_file,
};

use crate::job;

/// What a mix engineer would make of the names: common practice, no source.
#[test]
fn the_demo_is_sorted_and_named_as_by_hand() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery");
    let mut paths: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| system_file(name).is_none())
        .collect();
    paths.sort();
    let stems: Vec<LabelInput> = paths
        .iter()
        .map(|path| {
            let stem = LabelInput::new(path);
            let group = if is_reference(path).is_some() { Group::Reference } else { stem.group };
            LabelInput { group, ..stem }
        })
        .collect();
    let unsorted: Vec<&str> = stems
        .iter()
        .filter(|stem| stem.role.family == Family::Unsorted && stem.group != Group::Reference)
        .map(|stem| stem.path.as_str())
        .collect();
    assert!(unsorted.is_empty(), "{unsorted:?}");
    let options = LabelOptions {
        max_chars: 31,
        charset: Charset::Ascii,
        separator: '_',
        number: true,
        order: KICK_AND_BASS_FIRST.to_vec(),
    };
    let mut found: Vec<String> =
        labels(&stems, &[], &options).into_iter().flatten().map(|label| label.text).collect();
    found.sort();
    assert_eq!(
        found,
        [
            "01_Kick",
            "02_Bass_DI",
            "03_Snare",
            "04_Hats",
            "05_Shaker",
            "06_Tamb",
            "07_Keys",
            "08_Pluck_Arp",
            "09_Pad",
            "10_Lead_Vox",
            "11_BV_High",
            "12_BV_Low",
            "13_BV_Low_FINAL_use_this",
            "14_riser_late_add",
            "15_ROUGH_MIX_v3",
        ]
    );
    let names: Vec<&str> = paths.iter().map(String::as_str).collect();
    let material = Material { delivery: "delivery", paths: &names, ..Material::default() };
    let found = statements(&material);
    assert_eq!(found.tempo[0].value.steady(), Some(125.0));
    assert_eq!(found.key[0].value.to_string(), "D minor");
    assert_eq!(found.likely_title.unwrap().value, "Orchard Signal");
}

/// The demo's faults are seeded (see its `delivery.rs`), so what the program has to find is known: all of it, and
/// nothing else. At a loudest peak of -6.5 dBFS the greatest whole gain is +6 dB (arithmetic).
#[test]
fn every_seeded_fault_is_found_and_no_other() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery");
    let out = tempfile::tempdir().unwrap();
    let (ran, manifest) = job::prep(&folder, out.path(), &["--recipe", "whole-db"]);
    assert_eq!(ran.code, 1, "one stem is damaged: {}", ran.err);
    let found: BTreeMap<String, (String, Vec<&str>)> = manifest["stems"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|stem| stem["state"] != "prepared" || !job::findings(stem).is_empty())
        .map(|stem| {
            let path = stem["source"]["path"].as_str().unwrap().replace("OrchardSignal_125bpm_Dm_", "");
            (path, (stem["state"].as_str().unwrap().to_owned(), job::findings(stem)))
        })
        .collect();
    let wanted = [
        ("BV High.flac", "prepared", "place-found"),
        ("BV Low_FINAL use this.flac", "prepared", "duplicate"),
        ("Bass DI.flac", "prepared", "dual-mono"),
        ("Hats.flac", "prepared", "dead-channel"),
        ("Pad.flac", "prepared", "dc-offset"),
        ("Shaker.flac", "set-aside", "silent"),
        ("Tamb.wav", "failed", "truncated"),
        ("riser (late add).wav", "prepared", "moved"),
    ];
    let wanted = wanted.map(|(path, state, id)| (path.to_owned(), (state.to_owned(), vec![id])));
    assert_eq!(found, BTreeMap::from(wanted));
    // The bells are in the rough mix alone, and the client's note says that a file comes later.
    assert_eq!(job::findings(&manifest), ["mixed-rates", "mixed-lengths", "missing-stem", "note-says"]);
    assert_eq!(manifest["stems"].as_array().unwrap().len(), 15);
    assert_eq!(manifest["ignored"].as_array().unwrap().len(), 4, "three pieces of litter and a note");
    for stem in manifest["stems"].as_array().unwrap().iter().filter(|stem| stem["state"] == "prepared") {
        let gain = stem["changes"].as_array().unwrap().iter().find(|change| change["stage"] == "gain-stage");
        let path = stem["source"]["path"].as_str().unwrap();
        match gain {
            Some(gain) => assert!((gain["to"].as_f64().unwrap() - 6.0).abs() < 1e-9, "{path}: {gain}"),
            None => assert!(path.contains("ROUGH MIX"), "{path} has no gain"),
        }
    }
}
