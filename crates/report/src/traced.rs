//! Every sentence of the verdict and of the client note rests on fields of the manifest: a test changes the field and sees the
//! sentence change. Knows the papers from outside alone.

use loadin_record::link::Link;
use loadin_record::manifest::{Manifest, Run};
use serde_json::{Value, json};

use crate::note::asked_kinds;
use crate::papers;

/// A stem of two seconds at 48 kHz that was prepared.
fn stem(path: &str, role: &str) -> Value {
    json!({
        "source": { "path": format!("{path}.wav"), "bytes": 1, "sha256": "00", "rate_hz": 48_000, "frames": 96_000, "channels": 1 },
        "role": role, "group": "drums", "state": "prepared",
        "time_map": { "source_hz": 48_000, "output_hz": 48_000, "shift_frames": 0 },
        "output": { "path": format!("audio/{path}.wav"), "bytes": 1, "sha256": "", "audio_sha256": "", "rate_hz": 48_000,
            "channels": 1, "bits": 24, "float": false, "frames": 96_000, "timestamp_frames": 0 },
        "changes": [{ "stage": "gain-stage", "what": "gain", "from": 0, "to": 6.0, "unit": "dB", "why": "" }],
        "left": {}, "metadata": [], "findings": [], "error": null,
    })
}

/// Two stems and a rough mix that explains them, with nothing to ask.
fn base() -> Value {
    let link = Link { length_frames: 96_000, ..Link::default() };
    json!({
        "manifest": 1, "tool": { "name": "loadin", "version": "0" }, "recipe": { "name": "r", "revision": 1, "sha256": "" },
        "delivery": { "name": "Folder", "files": 3 },
        "facts": {
            "title": { "value": "Paper Boat", "source": "a note", "confidence": "stated" },
            "tempo_bpm": { "value": 120, "source": "a note", "confidence": "stated" },
            "key": { "value": "D minor", "source": "a note", "confidence": "stated" },
            "meter": { "value": "4/4", "source": "a note", "confidence": "stated" },
        },
        "link": link, "stems": [stem("Kick", "stem"), stem("Bass", "stem"), stem("Rough Mix", "reference")],
        "rough_mix": { "path": "Rough Mix.wav", "delay_frames": 0.0, "rate_hz": 48_000, "drift_ppm": null, "polarity": null,
            "cannot_judge": null, "unexplained_db": null, "gains_db": {}, "gaps": [], "absent": [] },
        "findings": [], "ignored": [], "session_file": { "name": "Paper Boat.dawproject", "groups": [], "left_out": null },
        "late": null, "digest": "", "run": Run::default(),
    })
}

fn finding(id: &str, severity: &str, evidence: &Value) -> Value {
    json!({ "id": id, "severity": severity, "text": format!("the text of {id}"), "evidence": evidence })
}

/// A paper of a manifest; empty where there is none.
fn paper(value: &Value, name: &str) -> String {
    let manifest = Manifest::from_json(&value.to_string()).unwrap();
    let paper = papers(&manifest, &[]).into_iter().find(|(paper, _)| paper == name);
    paper.map_or_else(String::new, |(_, bytes)| String::from_utf8(bytes).unwrap())
}

/// The manifest with another value at this place (RFC 6901).
fn with(mut manifest: Value, place: &str, value: Value) -> Value {
    let (parent, key) = place.rsplit_once('/').unwrap();
    let parent = manifest.pointer_mut(parent).unwrap_or_else(|| panic!("{place}"));
    match parent {
        Value::Array(list) if key == "-" => list.push(value),
        Value::Array(list) => list[key.parse::<usize>().unwrap()] = value,
        parent => parent[key] = value,
    }
    manifest
}

/// One field: what it is set to, the sentence that goes, and the one that comes.
type Case = (&'static str, Value, &'static str, &'static str);

fn each_changes_its_sentence(name: &str, before: &Value, cases: Vec<Case>) {
    let old = paper(before, name);
    for (place, value, goes, comes) in cases {
        let new = paper(&with(before.clone(), place, value.clone()), name);
        assert!(old.contains(goes), "{name}, before {place}: no \"{goes}\"");
        assert!(!new.contains(goes), "{name}, {place} = {value}: \"{goes}\" stays");
        assert!(
            comes.is_empty() || !old.contains(comes),
            "{name}, before {place}: \"{comes}\" stands already"
        );
        assert!(new.contains(comes), "{name}, {place} = {value}: no \"{comes}\"");
    }
}

#[test]
fn the_verdict_follows_its_fields() {
    let silent = finding("silent", "attention", &json!({ "frames": 96_000 }));
    let copy = finding("duplicate", "attention", &json!({ "same_as": "Kick.wav" }));
    let numbers = |ready: u32, doubtful: u32, unusable: u32| {
        format!(
            "{ready} {} ready, {doubtful} usable but in question, {unusable} not usable",
            if ready == 1 { "stem" } else { "stems" }
        )
    };
    let all = numbers(2, 0, 0).leak();
    each_changes_its_sentence(
        "report.html",
        &base(),
        vec![
            ("/stems/0/findings", json!([silent]), all, numbers(1, 0, 1).leak()),
            ("/stems/1/findings", json!([copy]), all, numbers(1, 1, 0).leak()),
            ("/stems/1/state", "failed".into(), all, numbers(1, 0, 1).leak()),
            ("/stems/1/findings", json!([copy]), "The client is asked: 0", "The client is asked: 1"),
            ("/stems/1/findings", json!([copy]), "Nothing needs a person.", "1 question goes to the client."),
            (
                "/findings",
                json!([finding("note-says", "attention", &json!({}))]),
                "You decide: 0",
                "You decide: 1",
            ),
        ],
    );
}

#[test]
fn every_sentence_beside_the_verdict_follows_its_field() {
    let gap =
        json!([{ "from_seconds": 61.0, "to_seconds": 90.0, "low_hz": 40, "high_hz": 100, "level_db": -9 }]);
    each_changes_its_sentence(
        "report.html",
        &base(),
        vec![
            (
                "/rough_mix",
                Value::Null,
                "none by the rough mix (below 2.5 kHz)",
                "not checked, because no rough mix",
            ),
            (
                "/rough_mix/cannot_judge",
                "it is short".into(),
                "none by the rough mix",
                "this is known: it is short",
            ),
            ("/rough_mix/first_seconds", json!(1200.0), "(below 2.5 kHz)", "first 20 minutes"),
            ("/rough_mix/gaps", gap, "none by the rough mix", "something between 1:01 and 1:30"),
            (
                "/rough_mix/left_out",
                json!({ "Kick.wav": "why" }),
                "(below 2.5 kHz).",
                "not compared: &quot;Kick.wav&quot;",
            ),
            ("/facts/title/value", "Tin Drum".into(), "<h1>Paper Boat</h1>", "<h1>Tin Drum</h1>"),
            (
                "/facts/title/value",
                Value::Null,
                "<title>Paper Boat: load-in report",
                "<title>Folder: load-in report",
            ),
            ("/facts/tempo_bpm/value", 90.into(), "<b>120 BPM</b>", "<b>90 BPM</b>"),
            (
                "/facts/tempo_bpm/confidence",
                "likely".into(),
                "120 BPM</b> <small>stated",
                "120 BPM</b> <small>likely",
            ),
            ("/facts/key/value", "G major".into(), "<b>D minor</b>", "<b>G major</b>"),
            ("/facts/meter/value", "3/4".into(), "4/4 time", "3/4 time"),
            ("/link/length_frames", 480_000.into(), "<b>0:02</b> <small>long", "<b>0:10</b> <small>long"),
            ("/stems/0/changes/0/to", json!(9.0), "up to 6.0 dB louder", "up to 9.0 dB louder"),
            (
                "/session_file/left_out",
                "no stem".into(),
                "Paper Boat.dawproject</a>",
                "No session file: no stem.",
            ),
        ],
    );
}

/// What comes where nothing stood before.
#[test]
fn what_came_late_and_what_the_client_writes_are_said_only_where_they_are() {
    let late = json!({ "files": [{ "path": "a.wav", "what": "added", "before": null, "after": null, "comparison": null, "text": "" }],
        "pin": { "link": Link::default(), "stems": {} } });
    for (place, value, comes) in [
        ("/late", late, "1 file added"),
        ("/notes", json!([{ "path": "n.txt", "text": "Be <kind>\nplease" }]), "Be &lt;kind&gt;\nplease"),
    ] {
        assert!(!paper(&base(), "report.html").contains(comes));
        assert!(paper(&with(base(), place, value), "report.html").contains(comes), "{place}");
    }
}

#[test]
fn every_sentence_around_the_notes_points_follows_its_field() {
    let name = "client-note.md";
    assert_eq!(paper(&base(), name), "", "nothing is asked");
    let silent = finding("silent", "attention", &json!({ "frames": 96_000 }));
    let asked = with(base(), "/stems/0/findings", json!([silent]));
    let broken = finding("truncated", "problem", &json!({ "start_frame": 48_000, "frames": 4800 }));
    let key = finding("key-doubt", "attention", &json!({ "said": "D minor", "heard": "E minor" }));
    each_changes_its_sentence(
        name,
        &asked,
        vec![
            ("/delivery/name", "Other".into(), "Questions about `Folder`", "Questions about `Other`"),
            ("/stems/0/source/path", "Kik.wav".into(), "### 1. `Kick.wav`", "### 1. `Kik.wav`"),
            (
                "/stems/0/findings/-",
                broken,
                "answer to one point.\n",
                "answer to 2 points. A time counts from the start",
            ),
            (
                "/rough_mix",
                Value::Null,
                "Everything else has arrived well.",
                "since no rough mix came with the files",
            ),
            (
                "/rough_mix/cannot_judge",
                "x".into(),
                "Everything else has arrived well.",
                "could not check by the rough mix.",
            ),
            ("/rough_mix/first_seconds", json!(60.0), "Everything else has arrived well.", "only in part"),
            (
                "/findings",
                json!([finding("note-says", "attention", &json!({}))]),
                "Everything else has arrived well. ",
                "",
            ),
            ("/stems/0/findings", json!([key]), "A file that you send again needs", "## Please confirm"),
            (
                "/stems/0/findings/0/answer",
                json!({ "text": "yes", "accepts": true, "source": "answers" }),
                "Please send again",
                "",
            ),
        ],
    );
}

/// What fills a placeholder: the pieces of evidence, each with two values.
fn evidence_of(placeholder: &str) -> Vec<(&'static str, Value, Value)> {
    match placeholder {
        "at" => vec![("start_frame", 48_000.into(), 72_000.into())],
        "seconds" => vec![("frames", 4800.into(), 9600.into())],
        "runs" => vec![("runs", 7.into(), 8.into())],
        "codec" => vec![("codec", "one codec".into(), "another codec".into())],
        "other" => vec![("same_as", "Bass.wav".into(), "Keys.wav".into())],
        "side" => vec![("silent_channel", 1.into(), 2.into())],
        "from" => vec![("from_seconds", json!(3.0), json!(4.0))],
        "to" => vec![("to_seconds", json!(30.0), json!(31.0))],
        "said" => vec![("said", "one thing".into(), "another thing".into())],
        "what" => vec![("what", "tempo".into(), "title".into())],
        "heard" => vec![("heard", "this".into(), "that".into())],
        "stated" => {
            vec![("stated_frames", 48_000.into(), 96_000.into()), ("rate_hz", 48_000.into(), 44_100.into())]
        }
        "heard_at" => vec![("start_frames", 24_000.into(), 25_000.into())],
        other => panic!("nobody says what fills {{{other}}}"),
    }
}

/// For every kind of question: whatever stands in braces follows its evidence, and the rest follows the kind.
#[test]
fn every_point_of_the_note_follows_its_evidence() {
    let mut whole: Vec<String> = Vec::new();
    for (id, template) in asked_kinds() {
        let keys = template.split('{').skip(1).map(|part| part.split_once('}').unwrap().0);
        let mut filled: Vec<(&str, Value, Value)> = keys.flat_map(evidence_of).collect();
        if filled.iter().any(|(key, ..)| *key == "start_frames") {
            filled.extend(evidence_of("stated"));
        }
        let found = |evidence: &[(&str, Value)]| {
            let evidence: serde_json::Map<String, Value> =
                evidence.iter().map(|(key, value)| ((*key).to_owned(), value.clone())).collect();
            let asked =
                with(base(), "/stems/0/findings", json!([finding(id, "problem", &Value::Object(evidence))]));
            let note = paper(&asked, "client-note.md");
            let point = note.split("\n### 1. ").nth(1).unwrap_or_else(|| panic!("{id} is not asked: {note}"));
            point.lines().skip(2).take(3).collect::<Vec<_>>().join("\n")
        };
        let first: Vec<(&str, Value)> = filled.iter().map(|(key, value, _)| (*key, value.clone())).collect();
        let point = found(&first);
        assert!(
            !point.contains(&format!("the text of {id}")),
            "{id}: its evidence is not all there: {point}"
        );
        for (key, _, other) in &filled {
            let mut changed = first.clone();
            changed.iter_mut().filter(|(name, _)| name == key).for_each(|(_, value)| *value = other.clone());
            assert_ne!(found(&changed), point, "{id}: {key} changes nothing");
        }
        whole.push(point);
    }
    let kinds = whole.len();
    whole.sort();
    whole.dedup();
    assert!(kinds >= 20 && whole.len() == kinds, "two kinds of question say the same");
}

/// Times in a file count at the file's own rate.
#[test]
fn a_time_in_the_note_follows_the_rate_of_its_file() {
    let broken = finding("truncated", "problem", &json!({ "start_frame": 48_000, "frames": 4800 }));
    let asked = with(base(), "/stems/0/findings", json!([broken]));
    each_changes_its_sentence(
        "client-note.md",
        &asked,
        vec![(
            "/stems/0/source/rate_hz",
            96_000.into(),
            "breaks off at 0:01.000; 0.100",
            "breaks off at 0:00.500; 0.050",
        )],
    );
}

/// Two seconds at 120 BPM in 4/4 are one bar; the axis goes from 0 to 2 s.
#[test]
fn bars_and_sections_of_the_overview_follow_the_facts() {
    let markers = json!({ "source": "a file", "confidence": "stated",
        "value": [{ "seconds": 0.0, "name": "Intro" }, { "seconds": 1.0, "name": "Verse" }] });
    let before = with(base(), "/facts/markers", markers);
    let section = |left: &str, name: &str| {
        format!("<i style=\"left:{left}%;width:50.00%\" title=\"{name}\">{name}</i>")
    };
    assert!(paper(&before, "report.html").contains(&section("0.00", "Intro")));
    each_changes_its_sentence(
        "report.html",
        &before,
        vec![
            (
                "/facts/markers/value/1/name",
                "Chorus".into(),
                section("50.00", "Verse").leak(),
                section("50.00", "Chorus").leak(),
            ),
            (
                "/facts/markers/value/1/seconds",
                json!(1.5),
                "left:50.00%;width:50.00%",
                "left:75.00%;width:25.00%",
            ),
            (
                "/facts/tempo_bpm/value",
                240.into(),
                "<path class=fine d=\"M-0.50 0v1\"/>",
                "<path class=fine d=\"M-0.50 0v1M149.50 0v1\"/>",
            ),
        ],
    );
}
