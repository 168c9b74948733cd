//! Where stems stand before the other stages decide: by stamps, by the rough mix, or as they stood before.

use loadin_record::evidence::{Evidence, StemPlace};
use loadin_record::late::PinnedStem;
use loadin_record::link::Link;
use serde_json::{Value, json};

use super::*;
use crate::draft::PlacedBy;
use crate::shape::Fate;
use crate::testing::{Stem, ids, pin, recipe, stem, with_given};

/// One hour after midnight at 48 kHz (EBU Tech 3285 counts frames since midnight; arithmetic).
const HOUR: u64 = 172_800_000;

/// Gives all stems their places by an `align-starts` with these settings, at 48 kHz.
fn check<R>(
    text: &str,
    stems: &[Stem],
    places: &[StemPlace],
    pin: Option<&Pin>,
    prepare: impl FnOnce(&mut Draft<'_>),
    look: impl FnOnce(&Draft<'_>) -> R,
) -> R {
    let stages = format!("[[stage]]\nstage = \"resample\"\n[[stage]]\nstage = \"align-starts\"\n{text}");
    let recipe = recipe(&stages);
    let evidence = Evidence { places: places.to_vec(), ..Evidence::default() };
    with_given(&recipe, stems.to_vec(), &evidence, pin, |draft| {
        prepare(draft);
        take_places(&settings(text), draft, 48_000);
        look(draft)
    })
}

fn as_they_are(_: &mut Draft<'_>) {}

fn positions(draft: &Draft<'_>) -> Vec<i64> {
    draft.stems.iter().map(|stem| stem.position).collect()
}

fn heard(path: &str, start_frames: i64) -> StemPlace {
    StemPlace {
        path: path.to_owned(),
        by: "Rough Mix.wav".to_owned(),
        start_frames,
        stated_frames: None,
        rate_hz: 48_000,
        second_best_frames: 480,
        peak_ratio: 3.456,
        uncertainty_frames: 0.123_45,
    }
}

#[test]
fn stems_are_placed_as_the_settings_say_or_as_a_finished_preparation_has_placed_its_own() {
    let pinned = |by_stamps| pin(Link { by_stamps, ..Link::default() });
    for (starts, free) in [("auto", StartMode::Auto), ("stamp", StartMode::Stamp), ("file", StartMode::File)]
    {
        let own = settings(&format!("starts = \"{starts}\""));
        assert_eq!(placement_options(&own, None).mode, free);
        assert_eq!(placement_options(&own, Some(&pinned(true))).mode, StartMode::Stamp);
        assert_eq!(placement_options(&own, Some(&pinned(false))).mode, StartMode::File);
    }
    for (span, seconds) in [("2 min", 120.0), ("0 s", 0.0)] {
        let own = settings(&format!("starts = \"file\"\nmax-implied-silence = \"{span}\""));
        let expected = PlacementOptions { mode: StartMode::File, max_implied_silence_seconds: seconds };
        assert_eq!(placement_options(&own, None), expected);
    }
    // Nobody knows a tempo before the stems have their places.
    let bars = toml::from_str::<Settings>("max-implied-silence = \"4 bars\"").unwrap_err().to_string();
    assert!(bars.contains("found \"4 bars\"") && bars.contains("bars need a tempo"), "{bars}");
}

#[test]
fn stamps_give_every_stem_its_place_at_the_rate_that_is_asked_for() {
    let stems =
        [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR), stem("Snare.wav").stamp(HOUR + 48_001)];
    for (starts, expected, by_stamps) in
        [("auto", [0, 0, 48_001], true), ("stamp", [0, 0, 48_001], true), ("file", [0, 0, 0], false)]
    {
        check(&format!("starts = \"{starts}\""), &stems, &[], None, as_they_are, |draft| {
            assert_eq!(positions(draft), expected, "{starts}");
            assert_eq!(draft.link.by_stamps, by_stamps);
            assert!(draft.findings.is_empty() && draft.stems.iter().all(|stem| stem.findings.is_empty()));
        });
    }
    with_given(&recipe(""), stems, &Evidence::default(), None, |draft| {
        take_places(&settings(""), draft, 96_000);
        assert_eq!(positions(draft), [0, 0, 96_002]);
    });
}

#[test]
fn nothing_has_a_place_where_nothing_is_aligned() {
    let stems = [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR + 48_000)];
    let prepare = |draft: &mut Draft<'_>| {
        draft.starts = None;
        draft.stems[0].position = 7;
    };
    check("by-rough-mix = true", &stems, &[heard("Kick.wav", 4_800)], None, prepare, |draft| {
        assert_eq!(positions(draft), [7, 0]);
        assert!(!draft.link.by_stamps && draft.stems[1].findings.is_empty());
    });
}

#[test]
fn stamps_that_are_not_plausible_are_refused_and_the_delivery_says_so() {
    let stems = [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR + 96_000)];
    for (seconds, refused) in [(2, false), (1, true)] {
        let text = format!("max-implied-silence = \"{seconds} s\"");
        check(&text, &stems, &[], None, as_they_are, |draft| {
            assert_eq!(positions(draft), if refused { [0, 0] } else { [0, 96_000] });
            assert_eq!(draft.link.by_stamps, !refused);
            assert_eq!(ids(&draft.findings), if refused { vec!["stamps-refused"] } else { vec![] });
            for finding in &draft.findings {
                assert_eq!(
                    finding.text,
                    "the time stamps are not used: the last one is 2.0 s after the first, which is more than the 1 s that the recipe allows, as with clock times"
                );
            }
        });
    }
}

#[test]
fn a_short_stem_without_a_stamp_among_stamped_ones_is_in_doubt() {
    let stems = [
        stem("Bass.wav").stamp(HOUR),
        stem("Hat.wav").frames(48_000),
        stem("Kick.wav").stamp(HOUR),
        stem("Snare.wav").stamp(HOUR + 48_000),
    ];
    check("", &stems, &[], None, as_they_are, |draft| {
        let found: Vec<_> = draft.stems.iter().map(|stem| ids(&stem.findings)).collect();
        assert_eq!(found, [vec![], vec!["stamp-doubt"], vec![], vec![]]);
        assert_eq!(
            draft.stems[1].findings[0].text,
            "other stems are placed by time stamps, but this one has none and is 3.0 s shorter; it starts with the first of them"
        );
        assert_eq!(positions(draft), [0, 0, 0, 48_000]);
    });
}

#[test]
fn a_place_in_the_rough_mix_is_reported_and_taken_where_the_recipe_says_so() {
    let stems = [stem("Hat.wav"), stem("Rough Mix.wav")];
    for (text, taken) in [
        ("", false),
        ("by-rough-mix = true", true),
        ("by-rough-mix = true\nstarts = \"file\"", true),
        ("by-rough-mix = true\nstarts = \"stamp\"", true),
    ] {
        check(text, &stems, &[heard("Hat.wav", -72_000)], None, as_they_are, |draft| {
            let stem = &draft.stems[0];
            assert_eq!(
                (stem.position, stem.placed_by == PlacedBy::RoughMix),
                if taken { (-72_000, true) } else { (0, false) }
            );
            assert_eq!(ids(&stem.findings), ["place-found"]);
            let done = if taken {
                "it is placed there"
            } else {
                "it stays at the start; by-rough-mix in the recipe would place it"
            };
            let expected = format!(
                "no time stamp says where it starts, and the rough mix \"Rough Mix.wav\" has it -1.500 s after the start: {done}"
            );
            assert_eq!(stem.findings[0].text, expected);
            let evidence = json!({
                "start_frames": -72_000,
                "rate_hz": 48_000,
                "peak_ratio": 3.46,
                "second_best_frames": 480,
                "uncertainty_frames": 0.123,
                "applied": taken,
            });
            assert_eq!(Value::from(stem.findings[0].evidence.clone()), evidence);
        });
    }
}

/// 96 000 frames at 48 kHz are two seconds (arithmetic).
#[test]
fn a_stamp_that_the_rough_mix_contradicts_is_a_question_and_moves_nothing() {
    let stems = [stem("Bass.wav").stamp(HOUR), stem("Kick.wav").stamp(HOUR + 48_000)];
    let place = StemPlace { stated_frames: Some(48_000), ..heard("Kick.wav", 96_000) };
    check("by-rough-mix = true", &stems, &[place], None, as_they_are, |draft| {
        assert_eq!(positions(draft), [0, 48_000]);
        assert_eq!(ids(&draft.stems[1].findings), ["stamp-contradicted"]);
        assert_eq!(
            draft.stems[1].findings[0].text,
            "its time stamp puts it 1.000 s after the start, and the rough mix \"Rough Mix.wav\" has it 2.000 s \
             after the start: it stays where the stamp says"
        );
    });
}

/// A short stem without a stamp among stamped ones is in doubt only as long as nothing says where it starts.
#[test]
fn a_place_that_was_heard_ends_the_doubt() {
    let short = || stem("Hat.wav").frames(48_000);
    let stems = [
        stem("Bass.wav").stamp(HOUR),
        short(),
        stem("Kick.wav").stamp(HOUR),
        stem("Snare.wav").stamp(HOUR + 48_000),
    ];
    for (start_frames, found, position) in [(0, vec![], 0), (7_000, vec!["place-found"], 7_000)] {
        let places = [heard("Hat.wav", start_frames)];
        check("by-rough-mix = true", &stems, &places, None, as_they_are, |draft| {
            assert_eq!(ids(&draft.stems[1].findings), found);
            assert_eq!(draft.stems[1].position, position);
        });
    }
}

/// What the rough mix has at one rate is placed at another: 44 100 frames at 44.1 kHz are 48 000 at 48 kHz (arithmetic).
#[test]
fn a_place_that_was_heard_is_counted_at_the_rate_of_the_outputs() {
    for (frames, position) in [(44_100, 48_000), (-22_050, -24_000)] {
        let place = StemPlace { rate_hz: 44_100, ..heard("Hat.wav", frames) };
        check("by-rough-mix = true", &[stem("Hat.wav")], &[place], None, as_they_are, |draft| {
            assert_eq!(draft.stems[0].position, position);
        });
    }
}

#[test]
fn what_a_finished_preparation_has_placed_is_not_placed_by_the_rough_mix() {
    let pinned = pin(Link::default());
    let stems = [stem("Hat.wav")];
    check("by-rough-mix = true", &stems, &[heard("Hat.wav", 4_800)], Some(&pinned), as_they_are, |draft| {
        assert_eq!((draft.stems[0].position, draft.stems[0].placed_by == PlacedBy::RoughMix), (0, false));
        assert_eq!(draft.stems[0].findings[0].evidence["applied"], json!(false));
    });
}

#[test]
fn a_place_within_two_frames_of_the_start_is_the_start() {
    for (start_frames, found) in [(0, false), (2, false), (-2, false), (3, true), (-3, true)] {
        let places = [heard("Hat.wav", start_frames)];
        check("by-rough-mix = true", &[stem("Hat.wav")], &places, None, as_they_are, |draft| {
            let stem = &draft.stems[0];
            assert_eq!(
                (stem.findings.len(), stem.placed_by == PlacedBy::RoughMix),
                (usize::from(found), found)
            );
            assert_eq!(stem.position, if found { start_frames } else { 0 });
        });
    }
}

#[test]
fn a_place_of_a_reference_of_a_stem_that_is_set_aside_or_of_nobody_counts_for_nothing() {
    let stems = [stem("Hat.wav"), stem("Kick.wav"), stem("Rough Mix.wav")];
    let places = [
        heard("Aside.wav", 4_800),
        heard("Hat.wav", 4_800),
        heard("Rough Mix.wav", 4_800),
        heard("Kick.wav", 9_600),
    ];
    let aside =
        |draft: &mut Draft<'_>| draft.stems[0].fate = Fate::SetAside { why: "another take".to_owned() };
    check("by-rough-mix = true", &stems, &places, None, aside, |draft| {
        assert_eq!(positions(draft), [0, 9_600, 0]);
        let found: Vec<_> = draft.stems.iter().map(|stem| stem.findings.len()).collect();
        assert_eq!(found, [0, 1, 0]);
    });
}

/// A stem of a finished preparation whose first frame stood at `start_frames`, and whose file was the one of `sha256`.
fn pinned_stem(sha256: &str, start_frames: Option<i64>) -> PinnedStem {
    PinnedStem {
        sha256: sha256.to_owned(),
        label: None,
        folder: String::new(),
        start_frames,
        role: None,
        group: String::new(),
        renewed: false,
        renamed: false,
    }
}

#[test]
fn what_stood_somewhere_stands_there_again_unless_a_new_stamp_says_better() {
    let plain = || stem("Kick.wav");
    let stamped = || stem("Kick.wav").stamp(HOUR + 4_800);
    let (same, other) = (plain().survey().sha256, "another".to_owned());
    for (name, kick, by_stamps, sha256, start_frames, expected) in [
        ("the same file", plain(), false, &same, Some(100), 100),
        ("a new file", plain(), false, &other, Some(100), 100),
        ("a new file without a stamp", plain(), true, &other, Some(HOUR as i64 + 100), 100),
        ("a new file with a stamp", stamped(), true, &other, Some(HOUR as i64 + 100), 4_800),
        ("the same file with a stamp", stamped(), true, &same, Some(HOUR as i64 + 100), 100),
        ("a new file whose stamp is not used", stamped(), false, &other, Some(100), 100),
        ("a place that nobody knows", stamped(), true, &same, None, 4_800),
    ] {
        let mut pinned = pin(Link { by_stamps, ..Link::default() });
        pinned.stems.insert("Kick.wav".to_owned(), pinned_stem(sha256, start_frames));
        let stems = [stem("Bass.wav").stamp(HOUR), kick];
        check("", &stems, &[], Some(&pinned), as_they_are, |draft| {
            assert_eq!(positions(draft), [0, expected], "{name}");
            assert_eq!(draft.link.by_stamps, by_stamps);
        });
    }
}

#[test]
fn one_stem_that_was_not_there_before_does_not_keep_the_others_from_their_places() {
    let mut pinned = pin(Link::default());
    pinned.stems.insert("Kick.wav".to_owned(), pinned_stem("another", Some(-50)));
    let stems = [stem("Bass.wav"), stem("Kick.wav")];
    check("", &stems, &[], Some(&pinned), as_they_are, |draft| assert_eq!(positions(draft), [0, -50]));
}
