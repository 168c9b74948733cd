//! The JSON Schema of answers, for editors.

use loadin_record::finding::Id;
use loadin_session::said as place;
use loadin_session::{Family, Group, Side, Treatment};
use serde_json::{Map, Value, json};

use super::answers::FORMAT_VERSION;
use super::parse::groups;

/// The schema of a whole file of answers (JSON Schema, draft 2020-12).
pub fn schema() -> Value {
    let list = |item: Value| json!({ "type": "array", "items": item });
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "loadin answers",
        "type": "object",
        "additionalProperties": false,
        "required": ["answers"],
        "properties": {
            "answers": { "const": FORMAT_VERSION, "description": "Version of the format of answers." },
            "song": table(&[], &song()),
            "section": list(table(&["name", "at"], &section())),
            "section-names": {
                "type": "object",
                "description": "Names for estimated sections, by their letters.",
                "additionalProperties": { "type": "string", "minLength": 1 },
            },
            "stem": list(table(&["stem"], &stem())),
            "finding": list(table(&["finding", "answer"], &finding())),
        },
    })
}

fn table(required: &[&str], properties: &Value) -> Value {
    json!({ "type": "object", "additionalProperties": false, "required": required, "properties": properties })
}

fn text(description: &str) -> Value {
    json!({ "type": "string", "minLength": 1, "description": description })
}

fn song() -> Value {
    let bpm =
        json!({ "type": "number", "minimum": 30, "maximum": 300, "description": "Quarter notes a minute." });
    let step = table(&["bpm"], &json!({ "bpm": bpm, "at": text(place::ALLOWED) }));
    json!({
        "title": text("The title."),
        "tempo": { "anyOf": [bpm, { "type": "array", "items": step }] },
        "meter": text("The meter, such as \"6/8\"."),
        "key": text("The key, such as \"D minor\"."),
        "first-downbeat": text(place::ALLOWED),
    })
}

fn section() -> Value {
    json!({ "name": text("What it is called."), "at": text(place::ALLOWED) })
}

fn stem() -> Value {
    let words = |words: Vec<&str>| json!({ "enum": words });
    let treatments: Vec<&str> = Treatment::ALL.iter().map(|one| one.as_str()).collect();
    let groups: Vec<&str> = groups().into_iter().map(Group::as_str).collect();
    json!({
        "stem": text("A path inside the delivery, or a glob on paths."),
        "role": words(Family::ALL.iter().map(|one| one.as_str()).collect()),
        "part": text("Section of the song, place or number."),
        "side": words(Side::ALL.iter().map(|one| one.as_str()).collect()),
        "take": { "type": "integer", "minimum": 1, "description": "Its take." },
        "treatment": { "anyOf": [words(treatments.clone()), { "type": "array", "items": words(treatments) }] },
        "label": text("The name of its output, without number and extension."),
        "group": words(groups),
        "leave-out": { "type": "boolean", "description": "Whether it is left out, whatever the recipe says." },
        "reference": { "type": "boolean", "description": "Whether it is the rough mix or another reference." },
        "start": text(place::ALLOWED_START),
        "newer-of": text("Path of the older stem, which is left out."),
        "pair-with": text("Path of the other side of a stereo pair."),
    })
}

fn finding() -> Value {
    let ids: Vec<&str> = Id::ALL.iter().map(|id| id.as_str()).collect();
    let mut properties = Map::new();
    properties.insert("finding".to_owned(), json!({ "enum": ids }));
    for (key, description) in [
        ("stem", "A path or a glob; none for a finding about the delivery as a whole."),
        ("about", "Words of the finding's text, where there are several of its kind."),
        ("answer", "The answer in words."),
        ("by", "Who gave it."),
        ("date", "When, such as 2026-11-30."),
    ] {
        properties.insert(key.to_owned(), text(description));
    }
    let accept = json!({ "type": "boolean", "description": "Whether what was found is meant so." });
    properties.insert("accept".to_owned(), accept);
    Value::Object(properties)
}

#[cfg(test)]
mod tests {
    use super::super::parse::{FINDING_KEYS, SONG_KEYS, STEM_KEYS};
    use super::*;

    /// What the reader takes, an editor offers, and nothing else.
    #[test]
    fn the_schema_has_the_keys_that_the_reader_takes() {
        for (properties, keys) in [(song(), SONG_KEYS), (stem(), STEM_KEYS), (finding(), FINDING_KEYS)] {
            let mut found: Vec<&str> = properties.as_object().unwrap().keys().map(String::as_str).collect();
            let mut keys = keys.to_vec();
            found.sort_unstable();
            keys.sort_unstable();
            assert_eq!(found, keys);
        }
    }
}
