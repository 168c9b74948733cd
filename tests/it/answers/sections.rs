//! Names for sections that are estimated, without a time: page, markers and session file follow, and no audio changes.

use std::fs;
use std::path::Path;

use serde_json::Value;

use crate::job::{prep, tree};

const SECTIONS: &str = "sections_estimate";

#[test]
fn named_sections_are_in_page_midi_and_session_file() {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/delivery");
    let folder = tempfile::tempdir().unwrap();
    let (plain, named) = (folder.path().join("plain"), folder.path().join("named"));
    let (_, before) = prep(&demo, &plain, &[]);
    let letters: Vec<&Value> =
        before["facts"][SECTIONS]["value"].as_array().unwrap().iter().map(|s| &s["name"]).collect();
    assert!(letters.len() > 1 && letters[0] == "A", "{letters:?}");
    let said = folder.path().join("said.toml");
    fs::write(&said, "answers = 1\n[section-names]\nA = \"Stanza\"\n").unwrap();
    let (_, after) = prep(&demo, &named, &["--answers", said.to_str().unwrap()]);
    let sections = after["facts"][SECTIONS]["value"].as_array().unwrap();
    assert_eq!((&sections[0]["name"], &sections[0]["letter"]), (&"Stanza".into(), &"A".into()));
    assert_eq!(sections[1]["name"], *letters[1], "the others keep their letters");
    let has = |folder: &Path, name: &str| {
        let files = tree(folder);
        let bytes = files.iter().find(|(path, _)| path.ends_with(name)).unwrap_or_else(|| panic!("{name}")).1;
        bytes.windows(6).any(|window| window == b"Stanza")
    };
    for name in ["report.html", "session.mid", ".dawproject", "answers.toml"] {
        assert!(has(&named, name), "{name} follows");
    }
    assert!(!has(&plain, "report.html"));
    assert!(tree(&plain.join("audio")) == tree(&named.join("audio")), "no audio changes");
}
