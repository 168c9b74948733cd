//! Recipes: bad ones are refused with line, column, what was found, what is allowed and the nearest name.

use loadin_plan::recipe::{Recipe, shipped};
use loadin_plan::stages::gain_stage;
use proptest::prelude::*;

/// A sound recipe, as lines, for one thing to be spoilt at a time.
const SOUND: &str = r#"recipe = 1
name = "test"
revision = 3

[[stage]]
stage = "decode"
silent = "keep"

[[stage]]
stage = "resample"
rate = "48 kHz"

[[stage]]
stage = "channel-fix"

[[stage]]
stage = "gain-stage"
target = "-6 dBFS"

[[stage]]
stage = "trim-silence"
head = ["1 bar", "1 s"]

[[stage]]
stage = "align-starts"

[[stage]]
stage = "label"
max-chars = 31

[[stage]]
stage = "re-encode"
depth = "24-bit"
"#;

/// One row of the table below.
type Mistake = (&'static str, &'static str, (usize, usize), &'static [&'static str]);

/// What is replaced, by what, where the mistake is, and words of the message.
const MISTAKES: &[Mistake] = &[
    ("recipe = 1", "recipe = 2", (1, 10), &["found format version 2", "reads 1"]),
    ("recipe = 1\n", "", (1, 1), &["no format version", "recipe = 1"]),
    ("name = \"test\"", "name = \"\"", (2, 8), &["found \"\"", "needed is a name"]),
    ("name = \"test\"", "nme = \"test\"", (2, 1), &["found \"nme\"", "did you mean \"name\""]),
    ("revision = 3", "revision = 0", (3, 12), &["found 0", "from 1 on"]),
    ("revision = 3", "revision = \"3\"", (3, 12), &["found \"3\"", "whole number"]),
    (
        "stage = \"decode\"",
        "stage = \"decod\"",
        (6, 9),
        &["found stage \"decod\"", "did you mean \"decode\""],
    ),
    ("silent = \"keep\"", "silence = \"keep\"", (7, 1), &["found \"silence\"", "did you mean \"silent\""]),
    (
        "silent = \"keep\"",
        "silent = \"kep\"",
        (7, 10),
        &["found \"kep\"", "\"set-aside\"", "did you mean \"keep\""],
    ),
    ("silent = \"keep\"", "silent = true", (7, 10), &["silent"]),
    ("rate = \"48 kHz\"", "rate = \"48\"", (11, 8), &["found \"48\"", "44100 Hz"]),
    ("rate = \"48 kHz\"", "rate = \"4 GHz\"", (11, 8), &["found \"4 GHz\"", "384 kHz"]),
    ("rate = \"48 kHz\"", "rate = 48000", (11, 8), &["rate", "48000"]),
    ("target = \"-6 dBFS\"", "target = \"-6 dB\"", (18, 10), &["found \"-6 dB\"", "dBTP"]),
    ("target = \"-6 dBFS\"", "target = \"+6 dBFS\"", (18, 10), &["found \"+6 dBFS\"", "from -200 to 0"]),
    ("target = \"-6 dBFS\"", "targt = \"-6 dBFS\"", (18, 1), &["found \"targt\"", "did you mean \"target\""]),
    ("target = \"-6 dBFS\"", "round-down = \"2 dB\"", (18, 14), &["found \"2 dB\"", "\"0.1 dB\""]),
    ("head = [\"1 bar\", \"1 s\"]", "head = \"1 h\"", (22, 8), &["found \"1 h\"", "1 bar"]),
    (
        "head = [\"1 bar\", \"1 s\"]",
        "head = [\"1 bar\"]",
        (22, 8),
        &["last span", "tempo is not always known"],
    ),
    ("max-chars = 31", "max-chars = 5", (29, 13), &["found 5", "12 to 80"]),
    ("depth = \"24-bit\"", "depth = \"24\"", (33, 9), &["found \"24\"", "\"24-bit\"", "did you mean"]),
    ("stage = \"channel-fix\"", "stage = \"decode\"", (14, 9), &["decode stands twice"]),
    (
        "[[stage]]\nstage = \"resample\"\nrate = \"48 kHz\"\n\n",
        "",
        (17, 9),
        &["trim-silence needs one common rate"],
    ),
    ("[[stage]]\nstage = \"label\"\nmax-chars = 31\n\n", "", (6, 9), &["no label stage"]),
    (
        "[[stage]]\nstage = \"re-encode\"\ndepth = \"24-bit\"\n",
        "",
        (28, 9),
        &["last stage must be re-encode"],
    ),
    (
        "stage = \"align-starts\"\n",
        "stage = \"align-starts\"\n[[stage.for]]\nstems = \"*fx*\"\nstarts = \"file\"\n",
        (26, 1),
        &["cannot differ by stem"],
    ),
    (
        "target = \"-6 dBFS\"\n",
        "target = \"-6 dBFS\"\n[[stage.for]]\nlink = \"stem\"\n",
        (19, 1),
        &["without stems"],
    ),
    (
        "target = \"-6 dBFS\"\n",
        "target = \"-6 dBFS\"\n[[stage.for]]\nstems = \"[x\"\n",
        (20, 9),
        &["glob \"[x\""],
    ),
    (
        "target = \"-6 dBFS\"\n",
        "target = \"-6 dBFS\"\n[[stage.for]]\nstems = \"*x*\"\nlnk = \"stem\"\n",
        (21, 1),
        &["found \"lnk\"", "did you mean \"link\""],
    ),
    ("name = \"test\"", "name = \"test", (2, 13), &[]),
];

#[test]
fn every_mistake_is_named_with_its_place() {
    Recipe::parse(SOUND).unwrap();
    assert!(MISTAKES.len() >= 25);
    for (from, to, (line, column), words) in MISTAKES {
        assert!(SOUND.contains(from), "{from:?}");
        let text = SOUND.replacen(from, to, 1);
        let errors = Recipe::parse(&text).expect_err(to);
        let found: Vec<String> =
            errors.iter().map(|e| format!("{}:{}: {}", e.line, e.column, e.text)).collect();
        let fits = errors
            .iter()
            .any(|e| (e.line, e.column) == (*line, *column) && words.iter().all(|w| e.text.contains(w)));
        assert!(fits, "{to:?}: wanted {line}:{column} {words:?}, found {found:?}");
    }
}

/// Orders that cannot keep a stage's promise are refused with the reason.
#[test]
fn unsound_orders_are_refused_with_the_reason() {
    let rows = [
        (["gain-stage", "resample"], "resampling moves peaks"),
        (["trim-silence", "resample"], "one common rate"),
        (["align-starts", "resample"], "one common rate"),
        (["gain-stage", "dc-removal"], "the offset would be part of the peak"),
        (["gain-stage", "channel-fix"], "would be part of the peak"),
    ];
    for (order, reason) in rows {
        let stages = |names: &[&str]| {
            names.iter().map(|n| format!("[[stage]]\nstage = \"{n}\"\n")).collect::<String>()
        };
        let text = |order: &[&str]| {
            let all: Vec<&str> =
                ["decode"].into_iter().chain(order.iter().copied()).chain(["label", "re-encode"]).collect();
            format!("recipe = 1\nname = \"x\"\nrevision = 1\n{}", stages(&all))
        };
        let errors = Recipe::parse(&text(&order)).expect_err(reason).to_string();
        assert!(errors.contains(reason), "{order:?}: {errors}");
        let sound = [order[1], order[0]];
        let sound = Recipe::parse(&text(&sound));
        assert!(sound.is_ok(), "{order:?} the other way round: {:?}", sound.err().map(|e| e.to_string()));
    }
}

#[test]
fn all_mistakes_are_named_at_once() {
    let text = SOUND
        .replace("\"24-bit\"", "\"24\"")
        .replace("\"48 kHz\"", "\"48\"")
        .replace("revision = 3", "revision = 0");
    assert_eq!(Recipe::parse(&text).unwrap_err().iter().count(), 3);
}

#[test]
fn chosen_stems_have_their_own_settings_and_the_rest_of_the_base() {
    let more = "target = \"-6 dBFS\"\nround-down = \"1 dB\"\n[[stage.for]]\nstems = [\"*FX*\", \"Drums/*\"]\nlink = \"stem\"\n";
    let recipe = Recipe::parse(&SOUND.replace("target = \"-6 dBFS\"\n", more)).unwrap();
    let settings =
        |path: &str| serde_json::to_value(recipe.settings::<gain_stage::Settings>(path).unwrap()).unwrap();
    for (path, link) in [("a/fx hit.wav", "stem"), ("drums/Kick.wav", "stem"), ("Vox.wav", "delivery")] {
        assert_eq!(settings(path)["link"], link, "{path}");
        assert_eq!(settings(path)["round-down"], "1 dB", "{path}");
    }
}

#[test]
fn every_shipped_recipe_is_sound_and_says_whom_it_serves() {
    let names: Vec<&str> = shipped().iter().map(|recipe| recipe.name).collect();
    assert_eq!(names, ["mix-prep", "whole-db", "remix-pack", "master-intake", "match-48k", "archive"]);
    for recipe in shipped() {
        let parsed = Recipe::parse(recipe.text).unwrap();
        assert_eq!(parsed.name, recipe.name);
        assert!(recipe.purpose.starts_with("For "), "{}", recipe.purpose);
    }
}

proptest! {
    #[test]
    fn no_text_makes_it_panic(text in "\\PC{0,300}") {
        let _ = Recipe::parse(&text);
    }

    #[test]
    fn no_spoilt_recipe_makes_it_panic(cut in 0usize..700, insert in "[\\[\\]\"=a-z0-9 \n.#-]{0,8}", gone in 0usize..20) {
        let cut = cut.min(SOUND.len());
        let end = (cut + gone).min(SOUND.len());
        let _ = Recipe::parse(&format!("{}{insert}{}", &SOUND[..cut], &SOUND[end..]));
    }
}
