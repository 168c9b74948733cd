//! The demo delivery by its names alone.

use std::fs;
use std::path::Path;

use loadin_session::{
    Charset, Family, Group, KICK_AND_BASS_FIRST, LabelInput, LabelOptions, debris, is_reference, labels,
    role_of, tempo_of,
};

/// What a mix engineer would make of the names: common practice, no source.
#[test]
fn the_demo_is_sorted_and_named_as_by_hand() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery");
    let mut paths: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| debris(name).is_none())
        .collect();
    paths.sort();
    let stems: Vec<LabelInput> = paths
        .iter()
        .map(|path| {
            let role = role_of(path);
            let group = if is_reference(path).is_some() { Group::Reference } else { role.group() };
            LabelInput { path: path.clone(), role, group, wanted: true }
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
        labels(&stems, &options).into_iter().flatten().map(|label| label.text).collect();
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
    assert_eq!(tempo_of("delivery", &names).map(|(bpm, _)| bpm), Some(125.0));
}
