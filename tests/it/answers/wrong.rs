//! Mistakes in answers: each is named with its line and column, what was found, what is allowed, and the nearest; nothing is
//! written.

use std::fs;

use super::{answers, band};
use crate::job::loadin;

/// What stands below `answers = 1`, line and column, what was found, what is allowed, and the nearest, where there is one.
type Wrong = (&'static str, (usize, usize), &'static str, &'static str, Option<&'static str>);

const STEM: &str = "[[stem]]\nstem = \"Kick.wav\"\n";

const WRONG: &[Wrong] = &[
    ("[sonk]\ntitle = \"x\"", (2, 2), "sonk", "allowed in answers is", Some("song")),
    ("[song]\ntempoo = 92", (3, 1), "tempoo", "allowed in [song] is", Some("tempo")),
    ("[song]\ntitle = 3", (3, 9), "found 3", "a title such as", None),
    ("[song]\ntitle = \" \"", (3, 9), "found \" \"", "a title such as", None),
    ("[song]\ntempo = 900", (3, 9), "found 900", "from 30 to 300 BPM", None),
    ("[song]\ntempo = \"fast\"", (3, 9), "found \"fast\"", "from 30 to 300 BPM", None),
    ("[song]\ntempo = [{ at = \"bar 1\" }]", (3, 10), "without bpm", "needed is", None),
    ("[song]\ntempo = [{ bpm = 92 }, { bpm = 96 }]", (3, 24), "without at", "needed is", None),
    (
        "[song]\ntempo = [{ bpm = 92 }, { bpm = 96, at = \"0:00\" }]",
        (3, 24),
        "at or before",
        "allowed are steps",
        None,
    ),
    ("[song]\ntempo = [{ bpm = 92, at = \"0:05\" }]", (3, 10), "not at the start", "needed is", None),
    ("[song]\nmeter = \"5/5\"", (3, 9), "found \"5/5\"", "such as \"4/4\"", None),
    ("[song]\nkey = \"H flat\"", (3, 7), "found \"H flat\"", "such as \"D minor\"", None),
    ("[song]\nfirst-downbeat = \"bar 3\"", (3, 18), "found \"bar 3\"", "needed is tempo", None),
    ("[song]\nfirst-downbeat = \"soon\"", (3, 18), "found \"soon\"", "a time such as", None),
    ("[[section]]\nname = \"verse\"", (2, 1), "without a place", "needed is at", None),
    ("[[section]]\nat = \"0:10\"", (2, 1), "without name", "needed is", None),
    ("[[section]]\nname = \"verse\"\nat = \"0:75\"", (4, 6), "found \"0:75\"", "a time such as", None),
    (
        "[[section]]\nname = \"verse\"\nat = \"1 s\"\n[[section]]\nname = \"chorus\"\nat = \"0:01\"",
        (5, 1),
        "at the place of \"verse\"",
        "one section at a place",
        None,
    ),
    ("[section-names]\na = \"verse\"", (3, 1), "found \"a\"", "letters of estimated sections", None),
    ("[section-names]\nA = 3", (3, 5), "found 3", "a name such as", None),
    (
        "[section-names]\nA = \"verse\"\n[[section]]\nname = \"verse\"\nat = \"1 s\"",
        (2, 1),
        "beside [[section]] tables",
        "one of the two",
        None,
    ),
    ("[[stem]]\nrole = \"kick\"", (2, 1), "without stem", "needed is a path", None),
    ("[[stem]]\nstem = \"Kick.wav\"", (2, 1), "without an answer", "needed is one of", None),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nrole = \"kik\"",
        (4, 8),
        "found \"kik\"",
        "allowed is \"kick\"",
        Some("kick"),
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\ngruop = \"drums\"",
        (4, 1),
        "found \"gruop\"",
        "allowed in [[stem]] is",
        Some("group"),
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\ngroup = \"drum\"",
        (4, 9),
        "found \"drum\"",
        "allowed is",
        Some("drums"),
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nside = \"lefft\"",
        (4, 8),
        "found \"lefft\"",
        "\"left\", \"centre\", \"right\"",
        Some("left"),
    ),
    ("[[stem]]\nstem = \"Kick.wav\"\ntake = 0", (4, 8), "found 0", "a whole number from 1 on", None),
    (
        "[[stem]]\nstem = \"Kick.wav\"\ntreatment = [\"dry\", \"wett\"]",
        (4, 21),
        "found \"wett\"",
        "allowed is \"dry\"",
        Some("wet"),
    ),
    ("[[stem]]\nstem = \"Kick.wav\"\nleave-out = \"yes\"", (4, 13), "found \"yes\"", "true or false", None),
    ("[[stem]]\nstem = \"Kick.wav\"\nstart = \"bar 2\"", (4, 9), "found \"bar 2\"", "needed is tempo", None),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nleave-out = true\nlabel = \"K\"",
        (5, 9),
        "leaves the stem out",
        "one of the two",
        None,
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nreference = true\nrole = \"kick\"",
        (5, 8),
        "calls the stem a reference",
        "one of the two",
        None,
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nnewer-of = \"Kick.wav\"",
        (4, 12),
        "the stem itself",
        "one of the two",
        None,
    ),
    (
        "[[stem]]\nstem = \"Kik.wav\"\nrole = \"kick\"",
        (3, 8),
        "found \"Kik.wav\"",
        "a path inside it or a glob",
        Some("Kick.wav"),
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\npair-with = \"Other sid.wav\"",
        (4, 13),
        "found \"Other sid.wav\"",
        "a path inside it",
        Some("Other side.wav"),
    ),
    (
        "[[stem]]\nstem = \"Vox*\"\nlabel = \"Lead\"",
        (3, 8),
        "which means 2 stems",
        "a path that means one",
        None,
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nrole = \"kick\"\n[[stem]]\nstem = \"Kick.wav\"\nrole = \"snare\"",
        (6, 8),
        "line 3 already",
        "one table for each",
        None,
    ),
    (
        "[[stem]]\nstem = \"Kick*\"\nrole = \"kick\"\n[[stem]]\nstem = \"*.wav\"\nrole = \"snare\"",
        (6, 8),
        "role \"snare\" for \"Kick.wav\"",
        "one of the two",
        None,
    ),
    (
        "[[stem]]\nstem = \"Kick.wav\"\nlabel = \"Low\"\n[[stem]]\nstem = \"Bass.wav\"\nlabel = \"low\"",
        (6, 8),
        "label \"low\"",
        "a label for one stem",
        None,
    ),
    (
        "[[stem]]\nstem = \"Vox.wav\"\nnewer-of = \"Vox old.wav\"\n[[stem]]\nstem = \"Vox old.wav\"\nnewer-of = \"Vox.wav\"",
        (4, 12),
        "called the newer one",
        "one of the two",
        None,
    ),
    (
        "[[finding]]\nfinding = \"dead-chanel\"\nanswer = \"x\"",
        (3, 11),
        "found \"dead-chanel\"",
        "the id of a finding",
        Some("dead-channel"),
    ),
    (
        "[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"",
        (2, 1),
        "without answer",
        "the answer in words",
        None,
    ),
    (
        "[[finding]]\nfinding = \"silent\"\nstem = \"Emty.wav\"\nanswer = \"x\"",
        (4, 8),
        "found \"Emty.wav\"",
        "a path inside it",
        Some("Empty.wav"),
    ),
    (
        "[[finding]]\nfinding = \"silent\"\nstem = \"Empty.wav\"\nanswer = \"x\"\ndate = \"tomorrow\"",
        (6, 8),
        "found \"tomorrow\"",
        "a day such as",
        None,
    ),
    (
        "[[finding]]\nfinding = \"silent\"\nanswer = \"x\"\n[[finding]]\nfinding = \"silent\"\nanswer = \"y\"",
        (6, 11),
        "line 3 already",
        "one table for each",
        None,
    ),
    ("stem = 3", (2, 8), "found a value", "[[stem]] tables", None),
    ("[song", (2, 6), "", "", None),
];

#[test]
fn every_mistake_is_named_with_its_place_and_nothing_is_written() {
    const { assert!(WRONG.len() >= 40) };
    let delivery = band();
    let (path, out) = (delivery.path(), delivery.out("out"));
    for (text, (line, column), found, allowed, nearest) in WRONG {
        let file = answers(&delivery, text);
        for verb in ["prep", "plan"] {
            let mut args = vec![verb, path.to_str().unwrap(), "--answers", &file, "--progress", "none"];
            if verb == "prep" {
                args.extend(["--out", out.to_str().unwrap()]);
            }
            let ran = loadin(&args);
            assert_eq!(ran.code, 2, "{text}: {}{}", ran.out, ran.err);
            let place = format!("{file}:{line}:{column}: ");
            let said = ran.err.lines().find(|said| said.contains(&place));
            let said = said.unwrap_or_else(|| panic!("{text}: {place} is not in {}", ran.err));
            assert!(said.contains(found) && said.contains(allowed), "{text}: {said}");
            if let Some(nearest) = nearest {
                assert!(said.contains(&format!("did you mean \"{nearest}\"?")), "{text}: {said}");
            }
        }
        assert!(!out.join("manifest.json").exists() && !out.join("answers.toml").exists(), "{text}");
    }
}

/// All mistakes of a file are named at once.
#[test]
fn every_mistake_of_a_file_is_named_at_once() {
    let delivery = band();
    let file = answers(&delivery, &format!("[song]\nkey = 3\n{STEM}role = \"kik\"\nside = \"up\""));
    let ran = loadin(&["plan", delivery.path().to_str().unwrap(), "--answers", &file, "--progress", "none"]);
    for place in [":3:7: ", ":6:8: ", ":7:8: "] {
        assert!(ran.err.contains(place), "{place}: {}", ran.err);
    }
    fs::remove_file(file).unwrap();
}
