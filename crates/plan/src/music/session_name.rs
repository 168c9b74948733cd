//! A name for the session: title, tempo and key, as far as they are known.

use loadin_record::music::{Confidence, Fact, Facts, words};
use loadin_session::facts::Key;

/// That name; a title there must be.
pub(super) fn session_name(facts: &Facts, key: Option<Key>) -> Option<Fact> {
    let title = facts.get("title").filter(|fact| !fact.value.is_null())?;
    let tempo = facts.get("tempo_bpm").filter(|fact| !fact.value.is_null());
    let parts = [
        title.value.as_str().map(str::to_owned),
        tempo.map(|fact| words("tempo_bpm", &fact.value).replace(".0", "").replace(" BPM", "bpm")),
        key.map(Key::short),
    ];
    let name: String = parts.into_iter().flatten().collect::<Vec<_>>().join(" ");
    // It becomes the name of a file or a folder.
    let name: String = name.chars().filter(|c| !"<>:\"/\\|?*".contains(*c) && !c.is_control()).collect();
    Some(Fact {
        value: name.into(),
        source: "title, tempo and key".to_owned(),
        confidence: Confidence::Likely,
        statements: Vec::new(),
    })
}
