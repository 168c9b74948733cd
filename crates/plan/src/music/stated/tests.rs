//! Tests of what a delivery states: facts, their sources, and contradictions. How a line is read is tested where it is read.

use loadin_record::survey::{FileFacts, FormatFacts, MarkerFacts};

use super::*;
use crate::testing::{ids, stem};

fn file(path: &str, markers: &[(u64, &str)]) -> FileFacts {
    let marker = |&(frame, name): &(u64, &str)| MarkerFacts { frame, name: name.to_owned() };
    let format: FormatFacts = stem(path).survey().format.unwrap();
    let markers = markers.iter().map(marker).collect();
    FileFacts {
        path: path.to_owned(),
        bytes: 9,
        format: Ok(FormatFacts { markers, ..format }),
        unread: false,
    }
}

fn music(name: &str, files: Vec<FileFacts>, notes: &[&str], midis: Vec<(&str, Midi)>) -> Music {
    let inventory = Inventory { name: name.to_owned(), files, ignored: Vec::new(), song: None };
    let texts: Vec<(String, String)> =
        notes.iter().enumerate().map(|(i, text)| (format!("{i}.txt"), (*text).to_owned())).collect();
    let midis = midis.into_iter().map(|(path, midi)| (path.to_owned(), midi)).collect();
    Music::of(&inventory, &texts, midis, Vec::new())
}

fn noted(notes: &[&str]) -> Music {
    music("Stems", vec![file("a.wav", &[])], notes, Vec::new())
}

fn at<T>(seconds: f64, what: T) -> At<T> {
    At { seconds, what }
}

fn meter(beats: u8, unit: u8) -> Meter {
    Meter::new(beats, unit).unwrap()
}

#[test]
fn nothing_is_known_of_a_delivery_that_states_nothing() {
    assert_eq!((noted(&[]).facts(), noted(&[]).findings()), (Facts::new(), vec![]));
}

#[test]
fn what_one_note_states_is_a_fact_with_its_source() {
    let music = noted(&["Tempo: 92\n6/8\nKey: D minor\nTitle: Paper Lantern"]);
    let facts = music.facts();
    let rows = [
        ("tempo_bpm", json!(92.0), "line 1 of \"0.txt\""),
        ("meter", json!("6/8"), "line 2 of \"0.txt\""),
        ("key", json!("D minor"), "line 3 of \"0.txt\""),
        ("title", json!("Paper Lantern"), "line 4 of \"0.txt\""),
    ];
    for (name, value, source) in rows {
        let (source, confidence) = (source.to_owned(), Confidence::Stated);
        assert_eq!(facts[name], Fact { value, source, confidence, statements: Vec::new() }, "{name}");
    }
    let session = Fact {
        value: json!("Paper Lantern 92bpm Dm"),
        source: "title, tempo and key".to_owned(),
        confidence: Confidence::Likely,
        statements: Vec::new(),
    };
    assert_eq!(facts["session_name"], session);
    assert_eq!((facts.len(), music.findings()), (5, vec![]));
}

/// C sharp and D flat are one key in equal temperament; letter case makes no other title.
#[test]
fn statements_that_agree_are_one_fact_with_all_its_sources() {
    let facts =
        noted(&["92 BPM, key: C# minor\nTitle: Lantern", "Tempo: 92.005, key: Db minor\nTitle: LANTERN"])
            .facts();
    for (name, values) in [
        ("tempo_bpm", [json!(92.0), json!(92.005)]),
        ("key", [json!("C# minor"), json!("Db minor")]),
        ("title", [json!("Lantern"), json!("LANTERN")]),
    ] {
        let fact = &facts[name];
        assert_eq!((&fact.value, fact.confidence), (&values[0], Confidence::Stated), "{name}");
        let stated: Vec<&Value> = fact.statements.iter().map(|statement| &statement.value).collect();
        assert_eq!(stated, values.iter().collect::<Vec<_>>(), "{name}");
        assert_eq!(fact.source, [&*fact.statements[0].source, &*fact.statements[1].source].join("; "));
    }
}

#[test]
fn statements_that_contradict_each_other_are_asked_about_and_give_no_value() {
    let music = noted(&["Tempo: 92", "Tempo: 93"]);
    let fact = &music.facts()["tempo_bpm"];
    assert_eq!((&fact.value, fact.confidence), (&Value::Null, Confidence::Contradicted));
    let said = "92.0 BPM (line 1 of \"0.txt\"), 93.0 BPM (line 1 of \"1.txt\")";
    let wanted = Finding::new(Id::FactsDisagree, format!("the tempo is stated differently: {said}"))
        .with("what", "tempo")
        .with("said", said)
        .with("statements", json!(fact.statements));
    assert_eq!(music.findings(), [wanted]);
    let all = noted(&["6/8, key: C\nTitle: One", "4/4, key: D\nTitle: Two"]).findings();
    let whats: Vec<&Value> = all.iter().map(|finding| &finding.evidence["what"]).collect();
    assert_eq!(whats, ["key", "meter", "title"]);
}

#[test]
fn a_session_is_named_by_what_is_certain_and_needs_a_title() {
    for (notes, wanted) in [
        (&["Title: Lantern"][..], Some("Lantern")),
        (&["Title: Lantern\nTempo: 92.5"], Some("Lantern 92.5bpm")),
        (&["Title: Lantern\nKey: F# minor"], Some("Lantern F#m")),
        (&["Title: Lantern\nTempo: 92", "Tempo: 93"], Some("Lantern")),
        (&["Title: What? A/B: \"Lantern\""], Some("What AB Lantern")),
        (&["Title: One", "Title: Two"], None),
        (&["Tempo: 92"], None),
    ] {
        let facts = noted(notes).facts();
        let found = facts.get("session_name").and_then(|fact| fact.value.as_str());
        assert_eq!(found, wanted, "{notes:?}");
    }
}

#[test]
fn a_title_that_names_suggest_is_likely_where_none_is_stated() {
    let named = |notes: &[&str]| {
        let files = ["Kick", "Snare", "Vox"].map(|part| file(&format!("Paper Lantern {part}.wav"), &[]));
        music("Stems", files.into(), notes, Vec::new()).facts()["title"].clone()
    };
    let likely = named(&[]);
    assert_eq!((likely.value, likely.confidence), (json!("Paper Lantern"), Confidence::Likely));
    assert_eq!(likely.source, "what most file names begin with");
    assert_eq!(named(&["Title: Another"]).value, json!("Another"));
}

/// 500 000 µs a quarter are 120 BPM, 400 000 are 150 (Standard MIDI Files 1.0, "Set Tempo").
#[test]
fn a_tempo_that_changes_is_a_list_with_its_times() {
    let midi = |tempi: &[(f64, u32)]| Midi {
        tempi: tempi.iter().map(|&(seconds, micros)| at(seconds, micros)).collect(),
        ..Midi::default()
    };
    let of = |midi: Midi| {
        let empty = ("first.mid", Midi::default());
        music("Stems", Vec::new(), &[], vec![empty, ("song.mid", midi)]).facts()
    };
    let facts = of(midi(&[(0.0, 500_000), (10.000_000_4, 400_000)]));
    assert_eq!(facts["tempo_bpm"].value, json!([120.0, 150.0]));
    let step = |seconds: f64, bpm: f64, micros: u32| json!({ "seconds": seconds, "bpm": bpm, "microseconds_per_quarter": micros });
    let map = Fact {
        value: json!([step(0.0, 120.0, 500_000), step(10.0, 150.0, 400_000)]),
        source: "MIDI file \"song.mid\", from its start".to_owned(),
        confidence: Confidence::Stated,
        statements: Vec::new(),
    };
    assert_eq!(facts["tempo_map"], map);
    assert_eq!(of(midi(&[(0.0, 500_000)])).get("tempo_map"), None, "a steady tempo needs none");
    let both = vec![("a.mid", midi(&[(0.0, 500_000), (1.0, 400_000)])), ("b.mid", midi(&[(0.0, 500_000)]))];
    let facts = music("Stems", Vec::new(), &[], both).facts();
    assert_eq!(facts.get("tempo_map"), None, "what is contradicted has no times");
}

#[test]
fn a_meter_that_changes_is_a_list_with_its_times() {
    let of = |meters: &[(f64, Meter)]| {
        let meters = meters.iter().map(|&(seconds, meter)| at(seconds, meter)).collect();
        music("Stems", Vec::new(), &[], vec![("song.mid", Midi { meters, ..Midi::default() })]).facts()
    };
    let facts = of(&[(0.0, meter(4, 4)), (8.0, meter(6, 8))]);
    assert_eq!(facts["meter"].value, json!(["4/4", "6/8"]));
    let map = json!([{ "seconds": 0.0, "meter": "4/4" }, { "seconds": 8.0, "meter": "6/8" }]);
    assert_eq!(facts["meter_map"].value, map);
    let steady = of(&[(0.0, meter(6, 8))]);
    assert_eq!((&steady["meter"].value, steady.get("meter_map")), (&json!("6/8"), None));
}

#[test]
fn what_could_not_be_read_comes_after_the_contradictions() {
    let unread = Finding::new(Id::NoteUnread, "for a test");
    let inventory =
        Inventory { name: "Stems".to_owned(), files: Vec::new(), ignored: Vec::new(), song: None };
    let texts = [("a.txt".to_owned(), "Tempo: 92\nTempo: 93".to_owned())];
    let music = Music::of(&inventory, &texts, Vec::new(), vec![unread]);
    assert_eq!(ids(&music.findings()), ["facts-disagree", "note-unread"]);
}

#[test]
fn markers_of_files_move_with_the_files_and_those_of_midi_do_not() {
    let midi = Midi { markers: vec![at(1.0, "Intro".to_owned())], ..Midi::default() };
    let files = vec![file("a.wav", &[(96_000, "Verse")]), file("b.wav", &[])];
    let music = music("Stems", files, &[], vec![("song.mid", midi)]);
    let value = |music: &Music| music.facts()["markers"].value.clone();
    let list =
        |verse: f64| json!([{ "seconds": 1.0, "name": "Intro" }, { "seconds": verse, "name": "Verse" }]);
    assert_eq!(value(&music), list(2.0));
    let starts = |path: &str| [(path.to_owned(), 3.5)].into();
    assert_eq!(value(&music.clone().placed(starts("a.wav"))), list(5.5));
    assert_eq!(value(&music.clone().placed(starts("song.mid"))), list(2.0));
    let twice = music.placed(starts("a.wav")).placed(starts("b.wav"));
    assert_eq!(value(&twice), list(5.5), "what is not placed anew stays");
}

#[test]
fn markers_that_contradict_each_other_are_asked_about_by_name() {
    let files = vec![
        file("a.wav", &[(0, "Intro"), (48_000, "Verse")]),
        file("b.wav", &[(9_600, "intro"), (57_600, "verse")]),
    ];
    let music = music("Stems", files, &[], Vec::new());
    let found = music.findings();
    let said = "\"Intro\" at 0.000 s (markers in \"a.wav\") and at 0.200 s (markers in \"b.wav\"), \"Verse\" at 1.000 s \
                (markers in \"a.wav\") and at 1.200 s (markers in \"b.wav\")";
    assert_eq!(found[0].text, format!("the place of markers is stated differently: {said}"));
    assert_eq!(
        (&found[0].evidence["what"], &found[0].evidence["said"]),
        (&json!("place of markers"), &json!(said))
    );
    assert_eq!(music.facts()["markers"].value, Value::Null);
}
