//! What a session is called: title, tempo and key, as far as they are known. It knows no file.

use loadin_record::evidence::{KEY, TEMPO};
use loadin_record::music::{Confidence, Fact, Facts};
use loadin_session::facts::{Key, key_of};
use serde_json::Value;

/// A name for the session from what is stated alone; a title there must be.
pub(super) fn session_name(facts: &Facts) -> Option<Fact> {
    let title = stated(facts, "title")?.as_str()?.to_owned();
    let name =
        joined([Some(title), stated(facts, "tempo_bpm").map(tempo), stated(facts, "key").and_then(short)]);
    // It becomes the name of a file or a folder.
    let name: String = name.chars().filter(|c| !"<>:\"/\\|?*".contains(*c) && !c.is_control()).collect();
    Some(Fact {
        value: name.into(),
        source: "title, tempo and key".to_owned(),
        confidence: Confidence::Likely,
        statements: Vec::new(),
    })
}

/// Title, tempo and key for the name of the session file: what is stated, and where nothing is, what is estimated and sure.
/// Empty where nothing is known.
pub fn session_title(facts: &Facts) -> String {
    let title = stated(facts, "title").and_then(Value::as_str).map(str::to_owned);
    let tempo = known(facts, "tempo_bpm", TEMPO).map(tempo);
    joined([title, tempo, known(facts, "key", KEY).and_then(short)])
}

/// A statement; one that others contradict says nothing.
fn stated<'f>(facts: &'f Facts, name: &str) -> Option<&'f Value> {
    facts.get(name).map(|fact| &fact.value).filter(|value| !value.is_null())
}

fn known<'f>(facts: &'f Facts, name: &str, estimate: &str) -> Option<&'f Value> {
    let sure = || facts.get(estimate).filter(|fact| fact.confidence == Confidence::Estimated);
    if facts.contains_key(name) { stated(facts, name) } else { sure().map(|fact| &fact.value) }
}

fn joined(parts: [Option<String>; 3]) -> String {
    parts.into_iter().flatten().collect::<Vec<_>>().join(" ")
}

/// "125bpm", "96-104.5bpm".
fn tempo(value: &Value) -> String {
    let list = value.as_array().map_or(std::slice::from_ref(value), Vec::as_slice);
    let numbers: Vec<String> = list.iter().filter_map(Value::as_f64).map(|bpm| bpm.to_string()).collect();
    format!("{}bpm", numbers.join("-"))
}

fn short(value: &Value) -> Option<String> {
    value.as_str().and_then(key_of).map(Key::short)
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn facts(list: &[(&str, Value, Confidence)]) -> Facts {
        let fact = |value: &Value, confidence| Fact {
            value: value.clone(),
            source: String::new(),
            confidence,
            statements: Vec::new(),
        };
        list.iter().map(|(name, value, sure)| ((*name).to_owned(), fact(value, *sure))).collect()
    }

    #[test]
    fn a_session_is_named_after_what_is_stated_or_sure() {
        use Confidence::{Contradicted, Estimated, Likely, Stated, Unsure};
        let title = ("title", json!("Paper Lantern"), Likely);
        let cases = [
            (
                vec![title.clone(), ("tempo_bpm", json!(125.0), Stated), ("key", json!("D minor"), Stated)],
                "Paper Lantern 125bpm Dm",
            ),
            (
                vec![title.clone(), (TEMPO, json!(97.3), Estimated), (KEY, json!("F# major"), Estimated)],
                "Paper Lantern 97.3bpm F#",
            ),
            (
                vec![title.clone(), (TEMPO, json!(97.3), Unsure), (KEY, json!("F major"), Unsure)],
                "Paper Lantern",
            ),
            // What is stated wins, and what is contradicted is not settled by an estimate.
            (vec![("tempo_bpm", json!(99.0), Stated), (TEMPO, json!(97.3), Estimated)], "99bpm"),
            (
                vec![title, ("tempo_bpm", Value::Null, Contradicted), (TEMPO, json!(97.3), Estimated)],
                "Paper Lantern",
            ),
            (vec![("tempo_bpm", json!([96.0, 104.5]), Stated)], "96-104.5bpm"),
            (vec![("tempo_bpm", json!(100.05), Stated)], "100.05bpm"),
            (vec![], ""),
        ];
        for (list, wanted) in cases {
            assert_eq!(session_title(&facts(&list)), wanted);
        }
    }
}
