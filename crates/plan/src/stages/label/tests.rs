//! Tests of `label`: names, folders and numbers, from facts alone. How a name is made clean is tested where it is made.

use loadin_record::evidence::Evidence;
use loadin_record::late::{Pin, PinnedStem};
use loadin_record::link::Link;
use loadin_session::Group;
use serde_json::{Value, json};

use super::*;
use crate::shape::{Fate, OutputPlan};
use crate::testing::{recipe, stem, with_given};

/// Settings of which some are other than usual, as a recipe writes them.
fn settings(own: Value) -> Settings {
    serde_json::from_value(own).unwrap()
}

/// What is decided and noticed for stems of these names, in the order of their paths.
fn check_with(own: &Settings, paths: &[&str], pin: Option<&Pin>) -> Vec<(Decision, Vec<Finding>)> {
    let stems = paths.iter().map(|path| stem(path));
    with_given(&recipe(""), stems, &Evidence::default(), pin, |draft| {
        let decisions = decide(&vec![own.clone(); paths.len()], draft);
        for (decision, stem) in decisions.iter().zip(&draft.stems) {
            let Decision::Name { from, to, folder, .. } = decision else { panic!("{decision:?}") };
            assert_eq!((from.as_str(), Some(to), folder), (stem.path(), stem.label.as_ref(), &stem.folder));
        }
        decisions.into_iter().zip(draft.stems.iter().map(|stem| stem.findings.clone())).collect()
    })
}

/// Folder and name of every stem, in the order of their paths.
fn names_with(own: &Settings, paths: &[&str], pin: Option<&Pin>) -> Vec<(String, String)> {
    let named = |(decision, _)| match decision {
        Decision::Name { to, folder, .. } => (folder, to),
        Decision::Leave { why } => panic!("no name: {why}"),
    };
    check_with(own, paths, pin).into_iter().map(named).collect()
}

fn names(own: Value, paths: &[&str]) -> Vec<String> {
    names_with(&settings(own), paths, None).into_iter().map(|(_, name)| name).collect()
}

/// Names of at most 31 characters without accents and signs: common practice, no source.
#[test]
fn the_defaults_are_short_plain_numbered_names_in_one_folder() {
    let words = json!({
        "max-chars": 31, "charset": "ascii", "separator": "_", "number": true,
        "order": "kick-and-bass-first", "group-folders": false, "session-file": true
    });
    assert_eq!(serde_json::to_value(Settings::default()).unwrap(), words);
    assert_eq!(settings(json!({})), Settings::default());
}

#[test]
fn a_length_is_from_12_to_80_characters() {
    for chars in [12, 31, 80] {
        assert_eq!(settings(json!({ "max-chars": chars })).max_chars, MaxChars(chars));
    }
    for chars in [-1, 0, 11, 81, 256 + 31] {
        let error = serde_json::from_value::<Settings>(json!({ "max-chars": chars })).unwrap_err();
        assert_eq!(error.to_string(), format!("found {chars}, allowed is 12 to 80 characters"));
    }
}

#[test]
fn every_setting_of_a_name_shows_in_it() {
    let paths = ["Bläser Höhe.wav", "Snare Top Crunchy Parallel Two.wav"];
    let rows = [
        (json!({}), ["02_Blaser_Hohe", "01_Snare_Top_Crunchy_Parallel_T"]),
        (json!({ "max-chars": 12 }), ["02_Blaser_Ho", "01_Snare_Top"]),
        (json!({ "max-chars": 80 }), ["02_Blaser_Hohe", "01_Snare_Top_Crunchy_Parallel_Two"]),
        (json!({ "charset": "unicode" }), ["02_Bläser_Höhe", "01_Snare_Top_Crunchy_Parallel_T"]),
        (json!({ "separator": "-" }), ["02-Blaser-Hohe", "01-Snare-Top-Crunchy-Parallel-T"]),
        (json!({ "separator": " " }), ["02 Blaser Hohe", "01 Snare Top Crunchy Parallel T"]),
        (json!({ "number": false }), ["Blaser_Hohe", "Snare_Top_Crunchy_Parallel_Two"]),
        (json!({ "order": ["unsorted"] }), ["01_Blaser_Hohe", "02_Snare_Top_Crunchy_Parallel_T"]),
    ];
    for (own, wanted) in rows {
        assert_eq!(names(own.clone(), &paths), wanted, "{own}");
    }
}

#[test]
fn every_word_of_a_setting_reads_back_as_it_is_written() {
    for (key, words) in [
        ("charset", vec![json!("ascii"), json!("unicode")]),
        ("separator", vec![json!("_"), json!("-"), json!(" ")]),
        ("number", vec![json!(true), json!(false)]),
        ("group-folders", vec![json!(true), json!(false)]),
        ("order", vec![json!("drums-first"), json!("vocals-first"), json!(["keys", "drums"])]),
    ] {
        for word in words {
            let read = settings(json!({ key: word }));
            assert_eq!(serde_json::to_value(&read).unwrap()[key], word);
        }
    }
    assert!(serde_json::from_value::<Settings>(json!({ "separator": "." })).is_err());
    assert!(serde_json::from_value::<Settings>(json!({ "chars": 31 })).is_err());
}

#[test]
fn the_order_of_the_groups_is_the_order_of_the_numbers() {
    let paths = ["Bass.wav", "Kick.wav", "LV.wav", "Snare.wav"];
    let rows = [
        (json!("kick-and-bass-first"), ["02_Bass", "01_Kick", "04_LV", "03_Snare"]),
        (json!("drums-first"), ["03_Bass", "02_Kick", "04_LV", "01_Snare"]),
        (json!("vocals-first"), ["03_Bass", "02_Kick", "01_LV", "04_Snare"]),
        (json!(["drums", "lead vocals"]), ["04_Bass", "03_Kick", "02_LV", "01_Snare"]),
    ];
    for (order, wanted) in rows {
        assert_eq!(names(json!({ "order": order }), &paths), wanted, "{order}");
    }
}

#[test]
fn folders_of_groups_are_made_where_the_recipe_asks_for_them() {
    let paths = ["BV Chorus High.wav", "Kick.wav", "Rough Mix.wav"];
    let folders = |own: Value| -> Vec<String> {
        names_with(&settings(own), &paths, None).into_iter().map(|(folder, _)| folder).collect()
    };
    assert_eq!(folders(json!({})), ["", "", ""]);
    let numbered = ["08_Vocals/3_Backing/4_Chorus", "01_Kick_and_bass", "11_Reference"];
    assert_eq!(folders(json!({ "group-folders": true })), numbered);
    let bare =
        ["Vocals-Backing-Chorus".replace('-', "/"), "Kick-and-bass".to_owned(), "Reference".to_owned()];
    assert_eq!(folders(json!({ "group-folders": true, "number": false, "separator": "-" })), bare);
}

#[test]
fn names_that_would_be_one_are_told_apart_and_reported() {
    let found =
        check_with(&settings(json!({ "number": false })), &["A/Vox.wav", "B/vox.wav", "Bass.wav"], None);
    let collision = Finding::new(
        Id::NameCollision,
        "\"A/Vox.wav\" has the name that this one would have had; this one is \"vox_2\"",
    );
    let findings: Vec<Vec<Finding>> = found.into_iter().map(|(_, findings)| findings).collect();
    assert_eq!(findings, [vec![], vec![collision.with("label", "vox_2")], vec![]]);
}

#[test]
fn words_that_many_names_share_are_left_out_and_written_down() {
    let paths = ["Paper Lantern Bass.wav", "Paper Lantern Kick.wav", "Paper Lantern Vox.wav"];
    for (decision, _) in check_with(&Settings::default(), &paths, None) {
        let Decision::Name { stripped, why, from, to, .. } = decision else { panic!("no name") };
        assert_eq!(stripped, ["Paper", "Lantern"], "{from}");
        assert_eq!(why, "short, unique, in the order of the groups");
        assert!(!to.contains("Paper"), "{to}");
    }
}

fn pinned(label: Option<&str>, folder: &str) -> PinnedStem {
    let label = label.map(str::to_owned);
    PinnedStem {
        sha256: String::new(),
        label,
        folder: folder.to_owned(),
        start_frames: None,
        role: None,
        group: String::new(),
        renewed: false,
        renamed: false,
    }
}

#[test]
fn what_has_a_name_keeps_it_with_its_folder_and_late_stems_count_on() {
    let stems = [
        ("Bass.wav", pinned(Some("07_Low End"), "Old/Place")),
        ("Kick.wav", pinned(Some("03_Kick"), "")),
        ("Snare.wav", pinned(None, "Old/Place")),
    ];
    let stems = stems.map(|(path, stem)| (path.to_owned(), stem)).into();
    let pin = Pin { stems, ..crate::testing::pin(Link::default()) };
    let paths = ["Bass.wav", "Kick.wav", "LV.wav", "Snare.wav"];
    let rows = [
        (false, [("Old/Place", "07_Low End"), ("", "03_Kick"), ("", "09_LV"), ("", "08_Snare")]),
        (
            true,
            [
                ("Old/Place", "07_Low End"),
                ("", "03_Kick"),
                ("08_Vocals/1_Lead", "09_LV"),
                ("02_Drums", "08_Snare"),
            ],
        ),
    ];
    for (folders, wanted) in rows {
        let own = settings(json!({ "group-folders": folders }));
        let wanted = wanted.map(|(folder, name)| (folder.to_owned(), name.to_owned()));
        assert_eq!(names_with(&own, &paths, Some(&pin)), wanted, "{folders}");
    }
}

#[test]
fn a_stem_that_is_not_rendered_gets_no_name_and_takes_no_number() {
    let stems = ["Bass.wav", "Kick.wav", "Snare.wav"].map(stem);
    with_given(&recipe(""), stems, &Evidence::default(), None, |draft| {
        draft.stems[1].fate = Fate::SetAside { why: "for a test".to_owned() };
        let own = settings(json!({ "group-folders": true }));
        let decisions = decide(&vec![own; 3], draft);
        assert_eq!(decisions[1], Decision::Leave { why: "the stem is not rendered".to_owned() });
        assert_eq!((draft.stems[1].label.clone(), draft.stems[1].folder.as_str()), (None, ""));
        let labels = [0, 2].map(|index| draft.stems[index].label.clone().unwrap());
        assert_eq!(labels, ["01_Bass", "02_Snare"]);
        // A recipe without the stage has no settings, and gives no names.
        let none = decide(&[], draft);
        assert_eq!(none, vec![Decision::Leave { why: "the stem is not rendered".to_owned() }; 3]);
    });
}

#[test]
fn a_reference_is_sorted_with_the_references_whatever_its_name_says() {
    let globs = recipe("references = [\"*amp*\"]");
    with_given(&globs, ["Bass Amp.wav", "LV.wav"].map(stem), &Evidence::default(), None, |draft| {
        assert_eq!(draft.stems[0].group, Group::Reference);
        let own = settings(json!({ "group-folders": true }));
        decide(&vec![own; 2], draft);
        let folders: Vec<&str> = draft.stems.iter().map(|stem| stem.folder.as_str()).collect();
        assert_eq!(folders, ["11_Reference", "08_Vocals/1_Lead"]);
        assert_eq!(draft.stems[0].label.as_deref(), Some("02_Bass_Amp"));
    });
}

#[test]
fn a_change_of_name_says_what_was_left_out_and_the_folder_where_there_is_one() {
    let shape = Shape { sources: &[], output: &OutputPlan::default() };
    let measured = Measured::default();
    for folder in ["", "02_Drums"] {
        let decision = Decision::Name {
            from: "a/Song Kick.wav".to_owned(),
            to: "01_Kick".to_owned(),
            folder: folder.to_owned(),
            stripped: vec!["Song".to_owned()],
            why: "for a test".to_owned(),
        };
        let wanted = Change::new("label", "name", "a/Song Kick.wav", "01_Kick", "", "for a test")
            .with("left_out", json!(["Song"]));
        let wanted = if folder.is_empty() { wanted } else { wanted.with("folder", folder) };
        assert_eq!(change(&decision, shape, &measured), Some(wanted));
        assert!(processor(&decision, shape).is_none(), "a name changes no sound");
    }
    let leave = Decision::Leave { why: NOT_RENDERED.to_owned() };
    assert_eq!(change(&leave, shape, &measured), None);
    assert!(processor(&leave, shape).is_none());
}
