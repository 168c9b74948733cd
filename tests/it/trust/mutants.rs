//! Structure-aware mutants of sound files through our readers: they end, in little memory and time, and lose nothing in silence.
//!
//! 4,800 here; `LOADIN_MUTANTS=50000 cargo test -p loadin-tests mutants` for all, and `tests/reference/mutants.py` beside libsndfile.

use std::process::Command;

use loadin_tests::Delivery;
use loadin_tests::mutants::{mutant, seeds};
use serde_json::Value;

use crate::job::{findings, loadin, run};

/// All that the process of the readers may have, program and stacks too, in kilobytes: no file takes more.
const ADDRESS_SPACE_KB: u64 = 150 << 10;

/// No file may take longer, in seconds.
const MOST_SECONDS: f64 = 2.0;

#[expect(clippy::disallowed_methods, reason = "how thorough the test is changes no output")]
fn wanted() -> u64 {
    std::env::var("LOADIN_MUTANTS").ok().and_then(|text| text.parse().ok()).unwrap_or(4_800)
}

/// What our readers say of so many mutants.
fn judged(count: u64) -> Vec<Value> {
    let script = format!("ulimit -v {ADDRESS_SPACE_KB} && exec \"$@\"");
    let program = env!("CARGO_BIN_EXE_mutants");
    let mut command = Command::new("sh");
    command.args(["-c", &script, "sh", program, "0", &count.to_string()]);
    let ran = run(&mut command);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let mut said: Vec<Value> = ran.out.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert!(said.pop().unwrap()["peak_kb"].is_u64(), "the last line has the memory");
    said
}

#[expect(clippy::print_stdout, reason = "figures for whoever asks with --nocapture")]
#[test]
fn no_mutant_hangs_or_loses_samples_in_silence() {
    let said = judged(wanted());
    assert_eq!(said.len() as u64, wanted());
    let is = |one: &Value, field: &str| one[field] == true;
    for one in &said {
        let word = one["verdict"].as_str().unwrap();
        assert!(matches!(word, "same" | "named" | "refused" | "other"), "{one}");
        let may_differ = is(one, "touched") || is(one, "speaks_otherwise");
        assert!(word != "other" || may_differ, "samples differ, and nothing is said: {one}");
        assert!(one["seconds"].as_f64().unwrap() < MOST_SECONDS, "{one}");
    }
    let count = |word: &str| said.iter().filter(|one| one["verdict"] == word).count();
    println!(
        "of {} mutants {} give the same samples, {} say what is wrong, {} are refused, {} are another sound",
        said.len(),
        count("same"),
        count("named"),
        count("refused"),
        count("other")
    );
    assert!(count("same") > said.len() / 10 && count("refused") > said.len() / 10, "they are no mutants");
}

/// What a reader says of a file is a finding of the whole program, and what it refuses is a stem that failed.
#[test]
fn what_a_reader_says_reaches_whoever_asks() {
    let said = judged(320);
    let (seeds, delivery) = (seeds(), Delivery::new("mutants"));
    for number in 0..320 {
        let seed = &seeds[number as usize % seeds.len()];
        delivery.file(&format!("{number:03}.{}", seed.extension), &mutant(seed, number).bytes);
    }
    let path = delivery.path();
    let ran = loadin(&["audit", path.to_str().unwrap(), "--format", "json", "--progress", "none"]);
    assert!(matches!(ran.code, 0 | 1) && !ran.err.contains("panicked"), "{}", ran.err);
    let found: Value = serde_json::from_str(&ran.out).unwrap();
    let stems = found[0]["stems"].as_array().unwrap();
    let named: Vec<&Value> = said.iter().filter(|one| one["verdict"] == "named").collect();
    assert!(named.len() > 20);
    for one in said {
        let number = one["number"].as_u64().unwrap();
        let of = |stem: &&Value| {
            stem["sources"][0]["path"].as_str().unwrap().starts_with(&format!("{number:03}."))
        };
        let stem = stems.iter().find(of);
        let ids = stem.map(findings).unwrap_or_default();
        let about_loss =
            ["truncated", "damaged", "header-repaired", "unreadable", "not-finite", "length-unstated"];
        match one["verdict"].as_str().unwrap() {
            "named" => assert!(ids.iter().any(|id| about_loss.contains(id)), "{one}: {stem:?}"),
            "refused" => assert!(stem.is_none_or(|stem| stem["fate"]["do"] != "render"), "{one}: {stem:?}"),
            _ => {}
        }
    }
}
