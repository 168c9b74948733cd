//! Every line of an answers file: what is wrong without it, and right with it; by `prep`, by the units, by replay and at a later
//! visit.

use serde_json::{Value, json};

use super::{HZ, Left, band, open, prep, prepared};

/// A line, and what it shows; the first manifest is that without it.
struct Line {
    text: &'static str,
    wrong: fn(&Left) -> Value,
    without: Value,
    with: Value,
}

/// Compares what a look at the record shows without and with every line.
fn hold(lines: Vec<Line>) {
    let delivery = band();
    let without = prep(&delivery, "without", &[]);
    for Line { text, wrong, without: before, with: after } in lines {
        assert_eq!(wrong(&without), before, "without: {text}");
        let with = prepared(&delivery, text);
        assert_eq!(wrong(&with), after, "with: {text}");
        std::fs::remove_dir_all(&with.out).unwrap();
    }
}

#[test]
fn the_song() {
    hold(vec![
        Line {
            text: "[song]\ntitle = \"North Road\"",
            wrong: |left| left.fact("title").clone(),
            without: json!("Paper Street"),
            with: json!("North Road"),
        },
        Line {
            text: "[song]\ntempo = 92.5",
            wrong: |left| {
                json!([left.fact("tempo_bpm"), left.manifest["facts"]["tempo_bpm"]["source"] == "answers"])
            },
            without: json!([100.0, false]),
            with: json!([92.5, true]),
        },
        Line {
            text: "[song]\ntempo = [{ bpm = 120 }, { bpm = 60, at = \"bar 3\" }]",
            wrong: |left| json!([left.fact("tempo_bpm"), left.fact("tempo_map")[1]["seconds"]]),
            without: json!([100.0, null]),
            with: json!([[120.0, 60.0], 4.0]),
        },
        Line {
            text: "[song]\nmeter = \"6/8\"",
            wrong: |left| left.fact("meter").clone(),
            without: json!(null),
            with: json!("6/8"),
        },
        Line {
            text: "[song]\nkey = \"F#m\"",
            wrong: |left| left.fact("key").clone(),
            without: json!("C major"),
            with: json!("F# minor"),
        },
        Line {
            text: "[song]\ntempo = 120\nfirst-downbeat = \"bar 2:3\"",
            wrong: |left| left.fact("first_downbeat_seconds").clone(),
            without: json!(null),
            with: json!(3.0),
        },
        Line {
            text: "[song]\nfirst-downbeat = \"250 ms\"",
            wrong: |left| left.fact("first_downbeat_seconds").clone(),
            without: json!(null),
            with: json!(0.25),
        },
    ]);
}

/// They are markers of the session: in the record, in `session.mid`, and on the page.
#[test]
fn sections() {
    hold(vec![Line {
        text: "[song]\ntempo = 240\n[[section]]\nname = \"second half\"\nat = \"bar 2\"\n[[section]]\nname = \"opening\"\nat = \"0:00\"",
        wrong: |left| {
            json!([
                left.fact("sections")
                    .as_array()
                    .map(|all| all.iter().map(|one| one["name"].clone()).collect::<Vec<_>>()),
                left.fact("markers")[1]["seconds"],
                left.paper("session.mid").contains("second half"),
                left.paper("report.html").contains("second half"),
            ])
        },
        without: json!([null, null, false, false]),
        with: json!([["opening", "second half"], 1.0, true, true]),
    }]);
}

/// Role, part, side, take, treatment, group.
#[test]
fn who_a_stem_is() {
    let who = |left: &Left| {
        let stem = left.stem("Audio 07.wav");
        let identity = &stem["identity"];
        json!([
            identity["role"],
            identity["part"],
            identity["side"],
            identity["take"],
            identity["treatments"],
            stem["group"],
            left.paper("track-sheet.csv").contains("role: snare"),
        ])
    };
    let none = json!(["unsorted", "7", null, null, [], "unsorted", false]);
    let stem = |line: &str| format!("[[stem]]\nstem = \"Audio 07.wav\"\n{line}").leak() as &'static str;
    hold(vec![
        Line {
            text: stem("role = \"snare\""),
            wrong: who,
            without: none.clone(),
            with: json!(["snare", "7", null, null, [], "drums", true]),
        },
        Line {
            text: stem("part = \"chorus 2 high\"\nside = \"left\"\ntake = 3"),
            wrong: who,
            without: none.clone(),
            with: json!(["unsorted", "chorus 2 high", "left", 3, [], "unsorted", false]),
        },
        Line {
            text: stem("treatment = [\"dry\", \"tuned\"]\ngroup = \"synths\""),
            wrong: who,
            without: none,
            with: json!(["unsorted", "7", null, null, ["dry", "tuned"], "synths", false]),
        },
    ]);
}

#[test]
fn what_it_is_called_and_whether_it_takes_part() {
    let name = |left: &Left| left.stem("Thing.wav")["output"]["path"].clone();
    let delivery = band();
    let plain = name(&prep(&delivery, "without", &[]));
    hold(vec![
        Line {
            text: "[[stem]]\nstem = \"thing*\"\nlabel = \"Floor Tom\"\nrole = \"toms\"",
            wrong: |left| {
                json!(
                    left.stem("Thing.wav")["output"]["path"].as_str().map(|path| path.contains("Floor_Tom"))
                )
            },
            without: json!(false),
            with: json!(true),
        },
        Line {
            text: "[[stem]]\nstem = \"Thing.wav\"\nleave-out = true",
            wrong: name,
            without: plain,
            with: json!(null),
        },
        Line {
            text: "[[stem]]\nstem = \"Thing.wav\"\nreference = true",
            wrong: |left| {
                let changes = left.stem("Thing.wav")["changes"].to_string();
                json!([left.stem("Thing.wav")["role"], changes.contains("gain-stage")])
            },
            without: json!(["stem", true]),
            with: json!(["reference", false]),
        },
        Line {
            text: "[[stem]]\nstem = \"Vox.wav\"\nnewer-of = \"Vox old.wav\"",
            wrong: |left| {
                let old = left.stem("Vox old.wav");
                json!([old["state"], left.stem("Vox.wav")["state"], old["error"]])
            },
            without: json!(["prepared", "prepared", null]),
            with: json!(["set-aside", "prepared", "the answers say that \"Vox.wav\" is the newer one"]),
        },
        Line {
            text: "[[stem]]\nstem = \"One side.wav\"\npair-with = \"Other side.wav\"",
            wrong: |left| {
                let (one, other) =
                    (&left.stem("One side.wav")["output"], &left.stem("Other side.wav")["output"]);
                json!([one["path"] == other["path"], one["channels"]])
            },
            without: json!([false, 1]),
            with: json!([true, 2]),
        },
    ]);
}

/// By time, frames and bar: a stem begins so many frames after the others.
#[test]
fn where_a_stem_starts() {
    let later = |left: &Left| {
        let shift = |path: &str| left.stem(path)["time_map"]["shift_frames"].as_i64().unwrap();
        json!(shift("Kick.wav") - shift("Audio 07.wav"))
    };
    let stem = |line: &str| {
        format!("[song]\ntempo = 240\n[[stem]]\nstem = \"Audio 07.wav\"\nstart = \"{line}\"").leak()
            as &'static str
    };
    let line =
        |text: &str, with: i64| Line { text: stem(text), wrong: later, without: json!(0), with: json!(with) };
    let second = i64::from(HZ);
    hold(vec![line("250 ms", second / 4), line("12345 frames", 12_345), line("bar 2", second)]);
}

/// A silent stem that is meant so changes no exit code; a finding that is answered is asked no more.
#[test]
fn findings() {
    let silent = |left: &Left| {
        json!([
            left.open("Empty.wav").contains(&"silent".to_owned()),
            left.paper("client-note.md").contains("Empty.wav"),
            left.paper("report.html").contains("Answered (the client, 2026-11-30): it is meant so"),
            left.ran.code,
        ])
    };
    let dead = |left: &Left| {
        json!([
            left.open("Gtr.wav").contains(&"dead-channel".to_owned()),
            left.paper("client-note.md").contains("Gtr.wav"),
            left.stem("Gtr.wav")["findings"][0]["answer"]["text"],
        ])
    };
    hold(vec![
        Line {
            text: "[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"\nanswer = \"it is meant so\"\nby = \"the client\"\ndate = 2026-11-30\naccept = true",
            wrong: silent,
            without: json!([true, true, false, 1]),
            with: json!([false, false, true, 0]),
        },
        Line {
            text: "[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"\nanswer = \"they send it again\"",
            wrong: |left| json!([left.open("Empty.wav"), left.ran.code]),
            without: json!([["silent"], 1]),
            with: json!([[], 1]),
        },
        Line {
            text: "[[finding]]\nfinding = \"dead-channel\"\nstem = \"*gtr*\"\nanswer = \"one microphone\"",
            wrong: dead,
            without: json!([true, true, null]),
            with: json!([false, false, "one microphone"]),
        },
        Line {
            text: "[[finding]]\nfinding = \"facts-disagree\"\nanswer = \"the note is right\"",
            wrong: |left| json!(open(&left.manifest["findings"]).len()),
            without: json!(0),
            with: json!(0),
        },
    ]);
}

/// Two notes that contradict each other are a question to the client until the engineer says what holds.
#[test]
fn a_stated_fact_ends_a_contradiction() {
    let delivery = band();
    delivery.file("more.txt", b"Tempo: 140 bpm\n");
    let without = prep(&delivery, "without", &[]);
    assert_eq!(without.fact("tempo_bpm"), &Value::Null);
    assert!(open(&without.manifest["findings"]).contains(&"facts-disagree".to_owned()));
    assert!(without.paper("client-note.md").contains("tempo"));
    let with = prepared(&delivery, "[song]\ntempo = 140");
    assert_eq!(with.fact("tempo_bpm"), &json!(140.0));
    assert!(!open(&with.manifest["findings"]).contains(&"facts-disagree".to_owned()));
    assert!(!with.paper("client-note.md").contains("tempo"), "{}", with.paper("client-note.md"));
    assert_eq!(
        with.manifest["facts"]["tempo_bpm"]["statements"].as_array().unwrap().len(),
        2,
        "the client's stay beside"
    );
}

/// Settings of a recipe that settle a question end it too.
#[test]
fn a_recipe_ends_questions() {
    let delivery = band();
    let asks = |left: &Left, name: &str| left.paper("client-note.md").contains(&format!("`{name}`"));
    let plain = prep(&delivery, "plain", &[]);
    assert!(asks(&plain, "Piano again.wav") || asks(&plain, "Piano.wav"));
    assert!(asks(&plain, "Gtr.wav"));
    for (setting, value, name) in [
        ("leave-out = []", "leave-out = [\"Piano again.wav\"]", "Piano again.wav"),
        ("dead-channel = \"fold\"", "dead-channel = \"keep\"", "Gtr.wav"),
    ] {
        let text = crate::job::loadin(&["recipe", "show", "mix-prep"]).out;
        assert!(text.contains(setting), "{setting}: {text}");
        let recipe = delivery.out("mine.toml");
        std::fs::write(&recipe, text.replace(setting, value)).unwrap();
        let left = prep(&delivery, "mine", &["--recipe", recipe.to_str().unwrap()]);
        assert!(!asks(&left, name), "{}", left.paper("client-note.md"));
        std::fs::remove_dir_all(&left.out).unwrap();
    }
}
