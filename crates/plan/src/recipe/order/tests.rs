//! Tests of unsound orders and combinations: each is refused at its place, and what is next to it is sound.

use crate::recipe::Recipe;
use crate::testing::{HEAD, recipe};

/// The mistakes of a recipe with these tables, a line each: its name, then its settings.
fn mistakes(stages: &[&str]) -> Vec<String> {
    let table = |stage: &&str| {
        let (name, settings) = stage.split_once('\n').unwrap_or((stage, ""));
        format!("[[stage]]\nstage = \"{name}\"\n{settings}\n")
    };
    let text = HEAD.to_owned() + &stages.iter().map(table).collect::<String>();
    Recipe::parse(&text).err().map_or(Vec::new(), |errors| errors.iter().map(|e| e.text.clone()).collect())
}

/// The same with the stages that every recipe needs around them; `re-encode` may have settings.
fn between(middle: &[&str], re_encode: &str) -> Vec<String> {
    let last = format!("re-encode\n{re_encode}");
    mistakes(&[&["decode"], middle, &["label", &last]].concat())
}

#[test]
fn a_recipe_begins_with_decode_ends_with_re_encode_and_has_a_label() {
    let decode = "the first stage must be decode: it says which files are stems";
    let last = "the last stage must be re-encode: it writes the files";
    let label = "there is no label stage: without it the outputs have no names";
    assert_eq!(mistakes(&["decode", "label", "re-encode"]), [""; 0]);
    assert_eq!(mistakes(&["label", "decode", "re-encode"]), [decode]);
    assert_eq!(mistakes(&["decode", "re-encode", "label"]), [last]);
    assert_eq!(mistakes(&["decode", "re-encode"]), [label]);
    assert_eq!(mistakes(&["resample"]), [decode, last, label]);
    let twice = "label stands twice; each stage can stand once";
    assert_eq!(mistakes(&["decode", "label", "re-encode", "label"]), [twice, last]);
}

#[test]
fn a_stage_stands_once() {
    let twice = "resample stands twice; each stage can stand once";
    assert_eq!(between(&["resample", "dc-removal", "resample"], ""), [twice]);
    assert_eq!(between(&["resample", "resample", "resample"], ""), [twice, twice]);
}

#[test]
fn what_must_come_before_comes_before() {
    for (first, second, reason) in super::BEFORE {
        let common = if *first == "resample" { &[][..] } else { &["resample"] };
        let align: &[&str] = if *second == "trim-silence" { &["align-starts"] } else { &[] };
        let order = |a: &'static str, b: &'static str| between(&[common, &[a, b], align].concat(), "");
        assert_eq!(order(first, second), [""; 0], "{first} {second}");
        let wrong = order(second, first);
        assert!(wrong.contains(&format!("{second} must come after {first}: {reason}")), "{wrong:?}");
        assert!(wrong.len() <= 2, "{wrong:?}");
        assert_eq!(between(&[common, &[first]].concat(), ""), [""; 0], "{first} alone");
    }
}

#[test]
fn cuts_of_a_link_of_their_own_need_a_common_start_behind_them() {
    let moves = "trim-silence with this link moves stems against each other: add align-starts after it, or set link = \
                 \"delivery\"";
    let own = "trim-silence\nlink = \"group\"";
    assert_eq!(between(&["resample", own], ""), [moves]);
    assert_eq!(between(&["resample", "align-starts", own], ""), [moves]);
    assert_eq!(between(&["resample", own, "align-starts"], ""), [""; 0]);
    assert_eq!(between(&["resample", "trim-silence\nlink = \"delivery\""], ""), [""; 0]);
}

#[test]
fn cuts_and_starts_need_one_rate() {
    let need = |stage: &str| {
        format!(
            "{stage} needs one common rate: add resample before it, with rate = \"majority\" or a rate such as \"48 kHz\""
        )
    };
    for stage in ["trim-silence", "align-starts"] {
        assert_eq!(between(&[stage], ""), [need(stage)]);
        assert_eq!(between(&["resample\nrate = \"source\"", stage], ""), [need(stage)]);
        assert_eq!(between(&["resample\nrate = \"44.1 kHz\"", stage], ""), [""; 0]);
    }
    let chosen = |rate: &str| format!("resample\n[[stage.for]]\nstems = \"*fx*\"\nrate = \"{rate}\"");
    let differs = "resample cannot differ by stem where align-starts gives all stems one length";
    assert_eq!(between(&[&chosen("96 kHz"), "align-starts"], ""), [differs]);
    assert_eq!(
        between(&[&chosen("majority"), "align-starts"], ""),
        [""; 0],
        "no other rate is no difference"
    );
    assert_eq!(between(&[&chosen("96 kHz"), "trim-silence"], ""), [""; 0]);
}

#[test]
fn pairs_are_joined_only_where_both_halves_are_whole() {
    let spoilt = "pairs = \"join\" needs damage = \"fail\" in decode: a damaged half would spoil the whole";
    let with = |damage: &str, pairs: &str| {
        let decode = format!("decode\ndamage = \"{damage}\"");
        mistakes(&[&decode, &format!("channel-fix\npairs = \"{pairs}\""), "label", "re-encode"])
    };
    assert_eq!(with("keep", "join"), [spoilt]);
    for (damage, pairs) in [("keep", "report"), ("fail", "join")] {
        assert_eq!(with(damage, pairs), [""; 0]);
    }
}

#[test]
fn a_container_is_asked_for_nothing_that_it_cannot_hold() {
    let markers = "markers = true needs another container than \"wav\", which has none";
    let depth =
        "container = \"flac\" holds integers only: set depth = \"24-bit\", or another container for floats";
    let over = "container = \"flac\" holds integers only, so a stem above full scale cannot become floats: set when-over = \
                \"fail\"";
    let fail = "container = \"flac\"\nwhen-over = \"fail\"";
    let rows: [(String, &[&str]); 9] = [
        ("container = \"wav\"\nmarkers = true".to_owned(), &[markers]),
        ("container = \"wav\"".to_owned(), &[]),
        ("container = \"caf\"\nmarkers = true\ndepth = \"64-bit float\"".to_owned(), &[]),
        (fail.to_owned(), &[]),
        ("container = \"flac\"".to_owned(), &[over]),
        (format!("{fail}\ndepth = \"32-bit float\""), &[depth]),
        (format!("{fail}\ndepth = \"64-bit float\""), &[depth]),
        (format!("{fail}\ndepth = \"16-bit\""), &[]),
        ("[[stage.for]]\nstems = \"*fx*\"\ncontainer = \"flac\"".to_owned(), &[over]),
    ];
    for (settings, wanted) in rows {
        assert_eq!(between(&[], &settings), wanted, "{settings}");
    }
}

#[test]
fn a_mistake_of_order_stands_at_the_stage_that_is_out_of_place() {
    let text = recipe("").text.replace("stage = \"label\"\n", "stage = \"decode\"\n");
    let errors = Recipe::parse(&text).unwrap_err();
    let places: Vec<(usize, usize)> = errors.iter().map(|error| (error.line, error.column)).collect();
    // The second `decode` stands in line 8, and the first, that lacks a label, in line 5.
    assert_eq!(places, [(5, 9), (8, 9)]);
}
