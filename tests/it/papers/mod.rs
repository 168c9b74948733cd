//! The papers of a prepared delivery: manifest and its schema, track sheet.

mod schema;
mod verdict;

use std::fs;
use std::path::Path;

use loadin_audio::signal;
use loadin_record::manifest::Manifest;
use loadin_tests::Delivery;
use serde_json::Value;

pub(crate) use self::schema::mistake;
use crate::job::prep;

/// The published schema is the one that the code has. `LOADIN_UPDATE=1` publishes it anew.
#[test]
#[expect(clippy::disallowed_methods, reason = "the one switch of the tests")]
fn the_published_schemas_are_current() {
    let manifest = Manifest::schema();
    let recipe = loadin_plan::recipe::schema();
    let summary = loadin_record::summary::Summary::schema();
    for (name, schema) in [
        ("manifest.schema.json", manifest),
        ("recipe.schema.json", recipe),
        ("summary.schema.json", summary),
        ("answers.schema.json", loadin_plan::answers::schema()),
    ] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data").join(name);
        let text = serde_json::to_string_pretty(&schema).unwrap() + "\n";
        if std::env::var("LOADIN_UPDATE").is_ok() {
            fs::write(&path, &text).unwrap();
        }
        assert!(
            fs::read_to_string(&path).unwrap() == text,
            "{name} is not current: run the test with LOADIN_UPDATE=1"
        );
    }
}

pub(crate) fn published(name: &str) -> Value {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data").join(name);
    serde_json::from_str(&fs::read_to_string(path).unwrap()).unwrap()
}

#[test]
fn a_manifest_follows_its_schema() {
    let delivery = Delivery::new("papers");
    delivery.wav("Kick, \"in\".wav", 48_000, 24, &[signal::noise(1, 0.25, 48_000)]);
    delivery.wav("Bass.wav", 44_100, 16, &[signal::sine(80.0, 0.1, 44_100, 44_100)]);
    delivery.file("broken.wav", b"RIFF");
    let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
    let schema = published("manifest.schema.json");
    assert_eq!(mistake(&manifest, &schema, &schema, "manifest"), None);
    let mut spoilt = manifest.clone();
    spoilt["stems"][0]["state"] = "perfect".into();
    assert!(mistake(&spoilt, &schema, &schema, "manifest").is_some(), "the schema must be able to say no");
}

#[test]
fn shipped_recipes_follow_the_schema() {
    let schema = published("recipe.schema.json");
    for recipe in loadin_plan::recipe::shipped() {
        let value: Value = toml::from_str(recipe.text).unwrap();
        assert_eq!(mistake(&value, &schema, &schema, recipe.name), None);
        loadin_plan::recipe::Recipe::parse(recipe.text).unwrap();
    }
    let wrong: Value = toml::from_str(
        "recipe = 1\nname = \"x\"\nrevision = 1\n[[stage]]\nstage = \"gain-stage\"\nlink = \"band\"\n",
    )
    .unwrap();
    assert!(mistake(&wrong, &schema, &schema, "recipe").is_some(), "the schema must be able to say no");
}

/// RFC 4180: one heading, one record a line, CR LF, cells with commas and quotes in quotes.
#[test]
fn the_track_sheet_has_a_row_for_every_stem() {
    let delivery = Delivery::new("sheet");
    delivery.wav("Kick, \"in\".wav", 48_000, 24, &[signal::noise(1, 0.25, 48_000)]);
    delivery.wav("Bass.wav", 48_000, 24, &[signal::sine(80.0, 0.1, 48_000, 48_000)]);
    prep(&delivery.path(), &delivery.out("out"), &[]);
    let sheet = fs::read_to_string(delivery.out("out").join("track-sheet.csv")).unwrap();
    let rows: Vec<&str> = sheet.split_terminator("\r\n").collect();
    assert_eq!(rows.len(), 3);
    assert!(
        rows[0].starts_with("\u{feff}order,label,folder,group,colour,file,"),
        "UTF-8 is said to spreadsheet programs"
    );
    assert!(rows[1].contains(",01_Kick_in.wav,"), "{}", rows[1]);
    assert!(rows[1].contains("01_Kick_in") && rows[1].contains("\"Kick, \"\"in\"\".wav\""), "{}", rows[1]);
}
