//! What answers say of the song, as facts of the manifest: stated, with the source "answers". What the client states stays
//! beside it.

use loadin_record::finding::rounded;
use loadin_record::music::{Confidence, Fact, Facts, Statement};
use loadin_session::facts::{At, micros_of};
use serde_json::{Value, json};

use super::session_name::session_name;
use crate::answers::Song;

/// The source of what answers say.
pub(crate) const ANSWERS: &str = "answers";

/// Puts what answers say of the song into the facts.
pub fn answer_facts(facts: &mut Facts, song: &Song) {
    let mut put = |name: &str, value: Option<Value>| {
        let Some(value) = value else { return };
        let statements = facts.get(name).map_or_else(Vec::new, |fact| own_statements(name, fact));
        let fact = Fact { value, source: ANSWERS.to_owned(), confidence: Confidence::Stated, statements };
        facts.insert(name.to_owned(), fact);
    };
    put("title", song.title.as_ref().map(|title| title.as_str().into()));
    put("meter", song.meter.map(|meter| meter.to_string().into()));
    put("key", song.key.map(|key| key.to_string().into()));
    put("first_downbeat_seconds", song.downbeat_seconds.map(|seconds| rounded(seconds, 6)));
    let bpm = |at: &At<f64>| at.what;
    let tempo = match &song.tempi[..] {
        [] => None,
        [one] => Some(json!(bpm(one))),
        several => Some(several.iter().map(bpm).collect::<Vec<f64>>().into()),
    };
    put("tempo_bpm", tempo);
    let step = |at: &At<f64>| json!({ "seconds": rounded(at.seconds, 6), "bpm": at.what, "microseconds_per_quarter": micros_of(at.what) });
    put("tempo_map", (song.tempi.len() > 1).then(|| song.tempi.iter().map(step).collect()));
    put("sections", (!song.sections.is_empty()).then(|| places(&song.sections)));
    if song.steady_bpm().is_some() {
        facts.remove("tempo_map");
    }
    if song.meter.is_some() {
        facts.remove("meter_map");
    }
    if !song.sections.is_empty() {
        let markers = with_sections(facts.get("markers"), &song.sections);
        facts.insert("markers".to_owned(), markers);
    }
    let name = session_name(facts);
    facts.extend(name.map(|fact| ("session_name".to_owned(), fact)));
}

/// Calls estimated sections by the names that answers give them; their letters stay beside.
pub fn name_sections(facts: &mut Facts, song: &Song) {
    let Some(sections) = facts.get_mut(loadin_record::evidence::SECTIONS) else { return };
    for section in sections.value.as_array_mut().into_iter().flatten() {
        let letter = section.get("letter").or(section.get("name")).and_then(Value::as_str);
        let Some(letter) = letter.map(str::to_owned) else { continue };
        match song.names.get(&letter) {
            Some(name) => {
                section["name"] = name.as_str().into();
                section["letter"] = letter.into();
            }
            None => section["name"] = letter.into(),
        }
    }
}

/// What others than answers have stated.
fn own_statements(name: &str, fact: &Fact) -> Vec<Statement> {
    // A list of places is no statement that a person compares.
    if matches!(name, "tempo_map" | "sections" | "session_name") {
        return Vec::new();
    }
    if fact.statements.is_empty() && fact.source != ANSWERS {
        return vec![Statement { value: fact.value.clone(), source: fact.source.clone() }];
    }
    fact.statements.iter().filter(|statement| statement.source != ANSWERS).cloned().collect()
}

fn places(list: &[At<String>]) -> Value {
    list.iter().map(|at| json!({ "seconds": rounded(at.seconds, 6), "name": at.what })).collect()
}

/// The client's markers, and the sections beside them.
fn with_sections(fact: Option<&Fact>, sections: &[At<String>]) -> Fact {
    let mut statements = fact.map_or_else(Vec::new, |fact| own_statements("markers", fact));
    let seconds = |entry: &Value| entry["seconds"].as_f64().unwrap_or(0.0);
    let own = places(sections);
    let said: Vec<Value> = own.as_array().cloned().unwrap_or_default();
    // Where the client's own lists contradict each other, the sections are all that holds.
    let agreed = fact.filter(|fact| statements.len() < 2 && !fact.value.is_null());
    let client = agreed.and(statements.first()).and_then(|statement| statement.value.as_array().cloned());
    let other = |entry: &Value| !said.iter().any(|said| said["name"] == entry["name"]);
    let mut all: Vec<Value> = client.unwrap_or_default().into_iter().filter(other).collect();
    all.extend(said.iter().cloned());
    all.sort_by(|a, b| seconds(a).total_cmp(&seconds(b)));
    let source = match &statements[..] {
        [] => ANSWERS.to_owned(),
        own => own.iter().map(|one| one.source.as_str()).chain([ANSWERS]).collect::<Vec<_>>().join("; "),
    };
    if !statements.is_empty() {
        statements.push(Statement { value: own, source: ANSWERS.to_owned() });
    }
    Fact { value: all.into(), source, confidence: Confidence::Stated, statements }
}
