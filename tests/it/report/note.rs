//! The note to the client says what was found, and nothing else.

use std::collections::BTreeMap;
use std::fs;

use loadin_tests::Delivery;
use serde_json::Value;

use super::{clean, demo, read};
use crate::job::{prep, stem};

/// The sentences that stand in every note, taken from the file of texts; those of an item are looked for there too.
fn texts() -> toml::Table {
    toml::from_str(include_str!("../../../crates/report/src/note/en.toml")).unwrap()
}

/// Whether a sentence is this template, with something in place of the braces: its fixed parts stand in it in order,
/// the first at the start and the last at the end.
fn fits(sentence: &str, template: &str) -> bool {
    let parts: Vec<&str> =
        template.split('{').map(|part| part.split_once('}').map_or(part, |(_, rest)| rest)).collect();
    let [first, middle @ .., last] = &parts[..] else { return sentence == template };
    let Some(rest) = sentence.strip_prefix(first).and_then(|rest| rest.strip_suffix(last)) else {
        return false;
    };
    middle.iter().try_fold(rest, |rest, part| rest.find(part).map(|at| &rest[at + part.len()..])).is_some()
}

/// Every line of the demo's note is either one of the fixed sentences, or part of an item that names a finding of that
/// very file; every number in it stands in the finding's evidence.
#[test]
fn every_sentence_is_traced_to_a_finding() {
    let out = tempfile::tempdir().unwrap();
    let (_, manifest) = prep(&demo(), out.path(), &[]);
    let note = read(&out.path().join("client-note.md"));
    let texts = texts();
    let text = |key: &str| if key.is_empty() { "" } else { texts[key].as_str().unwrap() };
    let joined = |keys: &[&str]| {
        let parts = keys.iter().map(|key| text(key)).filter(|part| !part.is_empty());
        parts.collect::<Vec<_>>().join(" ")
    };
    let mut fixed: Vec<String> = ["greeting", "again", "confirm"].map(|key| text(key).to_owned()).to_vec();
    fixed.extend(["", "times"].map(|times| joined(&["opening", times])));
    for checked in ["", "all_well", "no_rough_mix", "not_shown", "partly"] {
        fixed.extend(["", "files"].map(|files| joined(&[checked, files, "thanks"])));
    }
    let mut items = note.split("\n### ");
    let head = items.next().unwrap();
    assert!(head.starts_with("# Questions about `delivery`\n"), "{head}");
    for line in head.lines().skip(1).filter(|line| !line.is_empty()) {
        let line = line.trim_start_matches("## ");
        assert!(fixed.iter().any(|template| fits(line, template)), "{line}");
    }
    let mut asked: BTreeMap<String, String> = BTreeMap::new();
    for item in items {
        let lines: Vec<&str> = item.lines().filter(|line| !line.is_empty()).collect();
        let file = lines[0].split_once(". ").unwrap().1.trim_matches('`');
        let whole = file == texts["whole"].as_str().unwrap();
        let of = if whole { &manifest } else { stem(&manifest, file) };
        let found = of["findings"].as_array().unwrap().clone();
        let asks = |finding: &&Value| {
            let ask = texts["ask"].get(finding["id"].as_str().unwrap());
            ask.is_some_and(|ask| fits(lines[1], ask["found"].as_str().unwrap()))
        };
        let finding =
            found.iter().find(asks).unwrap_or_else(|| panic!("{file}: no finding says {}", lines[1]));
        let id = finding["id"].as_str().unwrap();
        let ask = &texts["ask"][id];
        assert_eq!(lines[2], format!("{}: {}", text("why"), ask["why"].as_str().unwrap()));
        assert!(fits(lines[3], ask["send"].as_str().unwrap()), "{}", lines[3]);
        if !whole {
            assert_numbers(lines[1], finding, &of["source"]);
        }
        let rest = lines[4..].iter().map(|line| line.trim_start_matches("## "));
        assert!(rest.clone().all(|line| fixed.iter().any(|known| known == line)), "{:?}", &lines[4..]);
        asked.insert(file.to_owned(), id.to_owned());
    }
    // The faults that the demo's generator seeds and that a client can mend.
    let wanted = [
        ("OrchardSignal_125bpm_Dm_BV High.flac", "place-found"),
        ("OrchardSignal_125bpm_Dm_BV Low_FINAL use this.flac", "duplicate"),
        ("OrchardSignal_125bpm_Dm_Hats.flac", "dead-channel"),
        ("OrchardSignal_125bpm_Dm_Shaker.flac", "silent"),
        ("OrchardSignal_125bpm_Dm_Tamb.wav", "truncated"),
        ("The delivery as a whole", "missing-stem"),
    ];
    assert_eq!(asked, wanted.iter().map(|(file, id)| ((*file).to_owned(), (*id).to_owned())).collect());
}

/// Other files in a sentence are those of the evidence, and times are frames of the evidence at the file's own rate.
fn assert_numbers(sentence: &str, finding: &Value, source: &Value) {
    let rate = source["rate_hz"].as_f64().unwrap();
    let seconds = |key: &str| finding["evidence"][key].as_f64().map(|frames| frames / rate);
    if let Some(other) = finding["evidence"]["same_as"].as_str() {
        assert!(sentence.contains(&format!("`{other}`")), "{sentence}: {other}");
    }
    let Some(start) = seconds("start_frame") else { return };
    let words: Vec<&str> = sentence.split([' ', ';']).collect();
    let at = words.iter().find_map(|word| word.split_once(':')).unwrap();
    let said = at.0.parse::<f64>().unwrap() * 60.0 + at.1.parse::<f64>().unwrap();
    // The note has milliseconds.
    assert!((said - start).abs() <= 0.000_501, "{sentence}: {start}");
    let missing = seconds("frames").unwrap();
    assert!(
        words.iter().filter_map(|w| w.parse::<f64>().ok()).any(|n| (n - missing).abs() <= 0.000_501),
        "{sentence}: {missing}"
    );
}

/// The sentences about what was checked stand in the note of these deliveries, by their keys: a mix of all stems, of them and
/// one more, none; each with one file that is silent.
#[test]
fn that_all_else_is_well_is_said_only_where_it_was_checked() {
    let texts = texts();
    let keys = ["all_well", "no_rough_mix", "not_shown", "partly"];
    let parts = [1, 9_000_000, 18_000_000].map(|seed| loadin_audio::signal::noise(seed, 0.2, 480_000));
    let sum = |count: usize| -> Vec<f64> {
        (0..480_000).map(|n| parts[..count].iter().map(|part| part[n]).sum()).collect()
    };
    for (mix, said) in [(None, Some("no_rough_mix")), (Some(sum(2)), Some("all_well")), (Some(sum(3)), None)]
    {
        let delivery = Delivery::new("Checked");
        for (name, part) in ["Bass.wav", "Keys.wav"].iter().zip(&parts) {
            delivery.wav(name, 48_000, 24, std::slice::from_ref(part));
        }
        delivery.wav("Snare.wav", 48_000, 24, &[vec![0.0; 480_000]]);
        if let Some(mix) = mix {
            delivery.wav("Rough Mix.wav", 48_000, 24, &[mix]);
        }
        let (_, manifest) = prep(&delivery.path(), &delivery.out("out"), &[]);
        let note = read(&delivery.out("out").join("client-note.md"));
        let found: Vec<&str> =
            keys.into_iter().filter(|key| note.contains(texts[*key].as_str().unwrap())).collect();
        assert_eq!(found, said.into_iter().collect::<Vec<_>>(), "{} {note}", manifest["rough_mix"]);
    }
}

#[test]
fn a_clean_delivery_yields_no_note() {
    let delivery = clean();
    prep(&delivery.path(), &delivery.out("out"), &[]);
    assert!(!delivery.out("out").join("client-note.md").exists());
    let page = read(&delivery.out("out").join("report.html"));
    assert!(
        page.contains("2 stems ready, 0 usable but in question, 0 not usable. Nothing needs a person."),
        "the verdict is another one"
    );
}

/// The note goes when the client has sent what was missing.
#[test]
fn an_answered_note_goes() {
    let delivery = clean();
    let bad = delivery.wav("Snare.wav", 48_000, 24, &[vec![0.0; 96_000]]);
    prep(&delivery.path(), &delivery.out("out"), &[]);
    assert!(read(&delivery.out("out").join("client-note.md")).contains("silent from start to end"));
    fs::remove_file(bad).unwrap();
    prep(&delivery.path(), &delivery.out("out"), &[]);
    assert!(!delivery.out("out").join("client-note.md").exists());
}
