//! Who goes on, who is set aside and who fails, as data.

use super::*;
use crate::recipe::Recipe;
use crate::shape::OutputPlan;
use crate::testing::{HEAD, Stem, decide_by, join_first_two, recipe, stem, with_draft};

fn settings(text: &str) -> Settings {
    toml::from_str(text).unwrap()
}

/// The decisions by these settings, one text for all stems or one a stem. That every fate says the same, and that
/// nothing else of the draft changes, is checked on the way.
fn decided(texts: &[&str], draft: &mut Draft<'_>) -> Vec<Decision> {
    let (before, decisions) = decide_by(texts, draft, decide);
    for ((decision, before), stem) in decisions.iter().zip(before).zip(&draft.stems) {
        let fate = match decision.clone() {
            Decision::Leave { .. } => Fate::Render,
            Decision::SetAside { why } => Fate::SetAside { why },
            Decision::Fail { why } => Fate::Fail { why },
        };
        assert_eq!(format!("{stem:?}"), format!("{:?}", DraftStem { fate, ..before }));
    }
    decisions
}

fn check(text: &str, stems: impl IntoIterator<Item = Stem>) -> Vec<Decision> {
    with_draft(&recipe(text), stems, |draft| decided(&[text], draft))
}

/// The same for two files that are joined as left and right.
fn check_joined(text: &str, left: Stem, right: Stem) -> Decision {
    with_draft(&recipe(text), [left, right], |draft| {
        join_first_two(draft);
        decided(&[text], draft).remove(0)
    })
}

fn go_on() -> Decision {
    Decision::Leave { why: "read as it is".to_owned() }
}

fn aside(why: &str) -> Decision {
    Decision::SetAside { why: why.to_owned() }
}

fn failed(why: &str) -> Decision {
    Decision::Fail { why: why.to_owned() }
}

fn lossy(stem: Stem) -> Stem {
    stem.with_format(|format| format.lossy = true)
}

fn content(stem: Stem, content: &str) -> Stem {
    stem.with(|measures| measures.content = content.to_owned())
}

const SILENT: &str = "it is digital silence from start to end";
const LOSSY: &str = "it was stored with a lossy codec";
const LEFT_OUT: &str = "the recipe leaves it out";
const LOST: &str = "0.005 s of it are missing, from 0.019 s on (a torn packet); ask for the file again, or set damage = \"keep\" in the decode stage";

#[test]
fn without_settings_silence_is_set_aside_damage_fails_and_all_else_goes_on() {
    let explicit = "silent = \"set-aside\"\nduplicates = \"keep\"\nlossy = \"keep\"\ndamage = \"fail\"\nleave-out = []\nreferences = []\nloudness = false";
    assert_eq!(settings(explicit), Settings::default());
    assert_eq!(settings(""), Settings::default());
}

#[test]
fn settings_that_do_not_exist_are_refused_with_what_does() {
    for (text, allowed) in [
        ("silent = \"fold\"", "`keep` or `set-aside`"),
        ("duplicates = \"fold\"", "`keep` or `set-aside`"),
        ("lossy = \"fold\"", "`keep` or `set-aside`"),
        ("damage = \"set-aside\"", "`fail` or `keep`"),
        ("loudness = 1", "a boolean"),
        ("leave-out = \"*.wav\"", "a sequence"),
        ("references = [\"[\"]", "found the glob \"[\""),
        ("quiet = \"keep\"", "`leave-out`"),
    ] {
        let message = toml::from_str::<Settings>(text).unwrap_err().to_string();
        assert!(message.contains(allowed), "{message}");
    }
}

#[test]
fn each_guest_goes_on_or_is_set_aside_as_its_setting_says() {
    let twin = |path: &str| content(stem(path), "twin");
    for (text, stems, last) in [
        ("", vec![stem("a.wav")], go_on()),
        ("", vec![stem("a.wav").silent()], aside(SILENT)),
        ("silent = \"set-aside\"", vec![stem("a.wav").silent()], aside(SILENT)),
        ("silent = \"keep\"", vec![stem("a.wav").silent()], go_on()),
        // One frame of sound is sound.
        ("", vec![stem("a.wav").with(|m| m.active_frames = 1)], go_on()),
        ("", vec![lossy(stem("a.mp3"))], go_on()),
        ("lossy = \"keep\"", vec![lossy(stem("a.mp3"))], go_on()),
        ("lossy = \"set-aside\"", vec![lossy(stem("a.mp3"))], aside(LOSSY)),
        ("lossy = \"set-aside\"", vec![stem("a.wav")], go_on()),
        ("", vec![twin("a.wav"), twin("b.wav")], go_on()),
        ("duplicates = \"keep\"", vec![twin("a.wav"), twin("b.wav")], go_on()),
        (
            "duplicates = \"set-aside\"",
            vec![twin("a.wav"), twin("b.wav")],
            aside("it has the same audio as \"a.wav\""),
        ),
        ("duplicates = \"set-aside\"", vec![stem("a.wav"), stem("b.wav")], go_on()),
        ("leave-out = [\"*click*\"]", vec![stem("guides/Click.wav")], aside(LEFT_OUT)),
        ("leave-out = [\"*click*\"]", vec![stem("Kick.wav")], go_on()),
    ] {
        assert_eq!(check(text, stems).pop(), Some(last), "{text}");
    }
}

#[test]
fn lost_audio_fails_with_how_much_is_lost_in_all_and_where_it_begins() {
    let torn = || stem("a.wav").damaged(900, 200).damaged(5_000, 50);
    for (text, decision) in
        [("", failed(LOST)), ("damage = \"fail\"", failed(LOST)), ("damage = \"keep\"", go_on())]
    {
        assert_eq!(check(text, [torn()]), [decision], "{text}");
    }
}

#[test]
fn of_several_reasons_the_one_that_a_person_must_act_on_comes_first() {
    let worst = || lossy(content(stem("b.wav").silent().damaged(900, 250), "content of a.wav"));
    let all = "leave-out = [\"b*\"]\nlossy = \"set-aside\"\nduplicates = \"set-aside\"";
    let unreadable = worst().unreadable("the header is torn");
    let without = |lines: &[&str]| {
        all.lines().filter(|line| !lines.iter().any(|l| line.starts_with(l))).collect::<Vec<_>>().join("\n")
    };
    for (text, last, decision) in [
        (all.to_owned(), unreadable, failed("the header is torn")),
        (all.to_owned(), worst(), aside(LEFT_OUT)),
        (without(&["leave-out"]), worst(), failed(LOST)),
        (without(&["leave-out"]) + "\ndamage = \"keep\"", worst(), aside(SILENT)),
        (without(&["leave-out"]) + "\ndamage = \"keep\"\nsilent = \"keep\"", worst(), aside(LOSSY)),
        (
            without(&["leave-out", "lossy"]) + "\ndamage = \"keep\"\nsilent = \"keep\"",
            worst(),
            aside("it has the same audio as \"a.wav\""),
        ),
    ] {
        assert_eq!(check(&text, [stem("a.wav"), last]), [go_on(), decision], "{text}");
    }
}

#[test]
fn a_stem_is_a_duplicate_of_the_first_one_that_goes_on() {
    let twin = |path: &str| content(stem(path), "twin");
    let recipe = recipe("leave-out = [\"a.wav\"]");
    with_draft(&recipe, ["a.wav", "b.wav", "c.wav", "d.wav"].map(twin), |draft| {
        let keep = "duplicates = \"keep\"";
        let texts = [keep, keep, keep, "duplicates = \"set-aside\""];
        assert_eq!(
            decided(&texts, draft),
            [aside(LEFT_OUT), go_on(), go_on(), aside("it has the same audio as \"b.wav\"")]
        );
    });
}

#[test]
fn two_joined_files_are_judged_as_one_stem() {
    let (left, right) = (|| stem("Amp L.wav"), || stem("Amp R.wav"));
    for (text, left, right, decision) in [
        ("", left(), right(), go_on()),
        ("", left(), right().unreadable("no audio"), failed("no audio")),
        ("", left().unreadable("no audio"), right(), failed("no audio")),
        ("", left().silent(), right(), go_on()),
        ("", left(), right().silent(), go_on()),
        ("", left().silent(), right().silent(), aside(SILENT)),
        ("", left().damaged(900, 200), right().damaged(7, 50), failed(&LOST.replace("0.005", "0.004"))),
        ("lossy = \"set-aside\"", lossy(left()), right(), aside(LOSSY)),
        ("lossy = \"set-aside\"", left(), lossy(right()), aside(LOSSY)),
        // The stem has the name of its left side.
        ("leave-out = [\"* L.wav\"]", left(), right(), aside(LEFT_OUT)),
        ("leave-out = [\"* R.wav\"]", left(), right(), go_on()),
    ] {
        assert_eq!(check_joined(text, left, right), decision, "{text}");
    }
}

#[test]
fn a_joined_stem_has_the_audio_of_both_sides() {
    let sides = |right: &str| [content(stem("a.wav"), "left"), content(stem("b.wav"), right)];
    for (other, decision) in
        [("left+right", aside("it has the same audio as \"a.wav\"")), ("left", go_on()), ("right", go_on())]
    {
        let stems = sides("right").into_iter().chain([content(stem("c.wav"), other)]);
        let decisions = with_draft(&recipe(""), stems, |draft| {
            join_first_two(draft);
            decided(&["duplicates = \"set-aside\""], draft)
        });
        assert_eq!(decisions, [go_on(), decision], "{other}");
    }
}

#[test]
fn references_are_named_by_the_recipe_and_go_on_like_stems() {
    let text = format!(
        "{HEAD}[[stage]]\nstage = \"decode\"\nreferences = [\"*Amp*\"]\nloudness = true\n[[stage]]\nstage = \"label\"\n[[stage]]\nstage = \"re-encode\"\n"
    );
    let named = Recipe::parse(&text).unwrap();
    for (recipe, references) in [(&named, [true, false, true]), (&recipe(""), [false, false, true])] {
        with_draft(recipe, [stem("Amp.wav"), stem("Kick.wav"), stem("Rough mix.wav")], |draft| {
            let own = recipe.base::<Settings>().unwrap().clone();
            assert_eq!(decide(&vec![own; 3], draft), [go_on(), go_on(), go_on()]);
            assert_eq!(draft.stems.iter().map(|stem| stem.reference).collect::<Vec<_>>(), references);
        });
    }
}

#[test]
fn reading_changes_no_sound_and_logs_no_change() {
    let output = OutputPlan::default();
    let shape = Shape { sources: &[], output: &output };
    for decision in [go_on(), aside(SILENT), failed(LOST)] {
        assert!(processor(&decision, shape).is_none());
        assert_eq!(change(&decision, shape, &Measured::default()), None);
    }
}
