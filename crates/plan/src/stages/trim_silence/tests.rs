//! The decisions of `trim-silence`, as data: where stems sound in, cuts out. No audio.

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::link::Link;
use serde_json::{Value, json};

use super::*;
use crate::shape::Fate;
use crate::testing::{Stem, ids, no_shape, pin, recipe, stem, through, with_given, written};

/// Half a second is kept before the sound and a quarter behind it; at 48 kHz 24 000 and 12 000 frames.
const SHORT: &str = "head = \"500 ms\"\ntail = \"250 ms\"\n";

fn settings(text: &str) -> Settings {
    toml::from_str(text).unwrap()
}

fn left(why: &str) -> Decision {
    Decision::Leave { why: why.to_owned() }
}

const NO_SOUND: &str = "there is no sound to keep";
const NO_DEAD_AIR: &str = "no dead air beyond what is kept around the sound of the delivery";

/// A cut as a row of a table: head, keep and tail, the fades, and whether it is digital silence.
type Cut = (u64, u64, u64, (u64, u64), bool);

fn cut_of(decision: &Decision) -> Option<Cut> {
    match decision {
        Decision::Leave { .. } => None,
        Decision::Cut {
            head_frames,
            keep_frames,
            tail_frames,
            fade_in_frames,
            fade_out_frames,
            digital_silence,
            ..
        } => Some((
            *head_frames,
            *keep_frames,
            *tail_frames,
            (*fade_in_frames, *fade_out_frames),
            *digital_silence,
        )),
    }
}

/// A silent cut.
fn clean(head: u64, keep: u64, tail: u64) -> Option<Cut> {
    Some((head, keep, tail, (0, 0), true))
}

/// Decides for all stems by the same settings: `prepare` changes the draft before, `look` sees it after.
fn check<R>(
    text: &str,
    pin: Option<&Pin>,
    stems: &[Stem],
    prepare: impl FnOnce(&mut Draft<'_>),
    look: impl FnOnce(&[Decision], &Draft<'_>) -> R,
) -> R {
    with_given(&recipe(""), stems.to_vec(), &Evidence::default(), pin, |draft| {
        prepare(draft);
        let decisions = decide(&vec![settings(text); draft.stems.len()], draft);
        look(&decisions, draft)
    })
}

/// The same, for the cuts alone.
fn cuts(text: &str, stems: &[Stem], prepare: impl FnOnce(&mut Draft<'_>)) -> Vec<Option<Cut>> {
    check(text, None, stems, prepare, |decisions, _| decisions.iter().map(cut_of).collect())
}

fn as_they_are(_: &mut Draft<'_>) {}

/// Puts the stems of a draft where they stand.
fn at(positions: &[i64]) -> impl Fn(&mut Draft<'_>) {
    move |draft| draft.stems.iter_mut().zip(positions).for_each(|(stem, &position)| stem.position = position)
}

/// The stem with a hiss of this amplitude in these frames.
fn hiss(stem: Stem, frames: std::ops::Range<u64>, peak: f32) -> Stem {
    stem.with(|measures| {
        let window = measures.envelope.window_frames;
        for channel in &mut measures.envelope.channels {
            for index in (frames.start / window) as usize..(frames.end / window) as usize {
                (channel.min[index], channel.max[index]) = (-peak, peak);
            }
        }
    })
}

/// No public norm exists: common practice, no source.
#[test]
fn the_defaults_keep_a_bar_or_a_second_before_and_three_seconds_behind() {
    let own = settings("");
    assert_eq!(own, Settings::default());
    assert_eq!(own.threshold, Level(-90.0));
    assert_eq!(own.head, Keep::First(vec![Span::Bars(1.0), Span::Seconds(1.0)]));
    assert_eq!(own.tail, Keep::One(Span::Seconds(3.0)));
    assert_eq!((own.link, own.whole_bars, own.fade), (LinkScope::Delivery, false, Span::Seconds(0.005)));
}

#[test]
fn every_setting_is_read_and_no_other() {
    let own = settings(
        "threshold = \"-60 dBFS\"\nhead = [\"2 bars\", \"500 ms\"]\ntail = \"2 s\"\nlink = \"group\"\nwhole-bars = true\nfade = \"10 ms\"",
    );
    let expected = Settings {
        threshold: Level(-60.0),
        head: Keep::First(vec![Span::Bars(2.0), Span::Seconds(0.5)]),
        tail: Keep::One(Span::Seconds(2.0)),
        link: LinkScope::Group,
        whole_bars: true,
        fade: Span::Seconds(0.01),
    };
    assert_eq!(own, expected);
    for wrong in ["gate = \"1 s\"", "threshold = \"-60 dB\"", "whole-bars = 1", "fade = [\"1 s\"]"] {
        assert!(toml::from_str::<Settings>(wrong).is_err(), "{wrong}");
    }
}

#[test]
fn what_is_kept_is_one_span_or_a_list_that_ends_in_seconds() {
    for (text, keep) in [
        ("\"1 s\"", Keep::One(Span::Seconds(1.0))),
        ("\"2 bars\"", Keep::One(Span::Bars(2.0))),
        ("[\"1 s\"]", Keep::First(vec![Span::Seconds(1.0)])),
        ("[\"1 bar\", \"100 ms\"]", Keep::First(vec![Span::Bars(1.0), Span::Seconds(0.1)])),
    ] {
        assert_eq!(settings(&format!("tail = {text}")).tail, keep);
    }
    let last = "the last span of a list must be in ms, s or min, since a tempo is not always known";
    let span = "expected a time span such as \"1 s\", or a list of them such as [\"1 bar\", \"1 s\"]";
    for (text, why) in [
        ("[]", last),
        ("[\"1 s\", \"1 bar\"]", last),
        ("3", span),
        ("true", span),
        ("\"3 dB\"", "found \"3 dB\", allowed is a time from 0 to one day"),
        ("[\"1 s\", \"3 dB\"]", "found \"3 dB\", allowed is a time from 0 to one day"),
    ] {
        let error = toml::from_str::<Settings>(&format!("head = {text}")).unwrap_err().to_string();
        assert!(error.contains(why), "{text}: {error}");
    }
}

/// A bar of 4/4 at 120 BPM lasts 2 s (arithmetic).
#[test]
fn the_first_span_that_can_be_used_is_kept() {
    for (text, bar_seconds, frames) in [
        ("\"1 s\"", Some(2.0), 48_000),
        ("\"1 bar\"", Some(2.0), 96_000),
        ("[\"1 bar\", \"500 ms\"]", Some(2.0), 96_000),
        ("[\"1 bar\", \"500 ms\"]", None, 24_000),
        ("[\"250 ms\", \"500 ms\"]", None, 12_000),
        // A single span in bars has nothing to fall back on but a second.
        ("\"4 bars\"", None, 48_000),
    ] {
        assert_eq!(settings(&format!("head = {text}")).head.frames(48_000, bar_seconds), frames, "{text}");
    }
    assert_eq!(settings("head = \"4 bars\"").head.frames(44_100, None), 44_100);
}

#[test]
fn dead_air_is_cut_around_the_sound_and_what_is_kept_around_it() {
    let sounding = |from: u64, to: u64| [stem("Kick.wav").sounding(from..to)];
    for (from, to, cut) in [
        (48_000, 96_000, clean(24_000, 84_000, 84_000)),
        // One window more of dead air than what is kept, and just none.
        (24_480, 179_520, clean(480, 191_040, 480)),
        (24_000, 180_000, None),
        (23_520, 180_480, None),
        (24_480, 180_000, clean(480, 191_520, 0)),
        (24_000, 179_520, clean(0, 191_520, 480)),
        (0, 192_000, None),
    ] {
        check(SHORT, None, &sounding(from, to), as_they_are, |decisions, draft| {
            assert_eq!(cut_of(&decisions[0]), cut, "{from}..{to}");
            let (head, keep, tail, ..) = cut.unwrap_or((0, 192_000, 0, (0, 0), true));
            let stem = &draft.stems[0];
            assert_eq!((stem.position, stem.shift_frames, stem.frames), (head as i64, head as i64, keep));
            assert_eq!((draft.link.trim_head_frames, draft.link.trim_tail_frames), (head, tail));
            assert!(stem.untouched && stem.grid_bits == Some(24) && stem.findings.is_empty());
            match &decisions[0] {
                Decision::Leave { why } => assert_eq!(why, NO_DEAD_AIR),
                Decision::Cut { why, .. } => {
                    assert_eq!(why, "dead air around the sound of the delivery, quieter than -90 dBFS");
                }
            }
        });
    }
}

#[test]
fn stems_are_cut_at_one_place_and_keep_theirs() {
    let stems = [
        stem("Bass.wav").sounding(96_000..120_000),
        stem("Kick.wav").sounding(48_000..72_000),
        stem("Snare.wav").silent(),
    ];
    assert_eq!(cuts(SHORT, &stems, as_they_are), [clean(24_000, 108_000, 60_000); 3]);
    // A later stem: the first sound of all is at 48 000 + 9 600 now, the last at 120 000.
    check(SHORT, None, &stems, at(&[0, 9_600, 4_800]), |decisions, draft| {
        let found: Vec<_> = decisions.iter().map(cut_of).collect();
        assert_eq!(
            found,
            [
                clean(33_600, 98_400, 60_000),
                clean(24_000, 98_400, 69_600),
                clean(28_800, 98_400, 64_800)
            ]
        );
        assert!(draft.stems.iter().all(|stem| (stem.position, stem.frames) == (33_600, 98_400)));
        let shifts: Vec<i64> = draft.stems.iter().map(|stem| stem.shift_frames).collect();
        assert_eq!(shifts, [33_600, 24_000, 28_800]);
        assert_eq!((draft.link.trim_head_frames, draft.link.trim_tail_frames), (33_600, 69_600));
    });
    // A stem that comes in after the cut, or stops before it, loses nothing there.
    let apart = [stem("Bass.wav").sounding(48_000..96_000), stem("Kick.wav").frames(48_000)];
    check(SHORT, None, &apart, at(&[0, 60_000]), |decisions, draft| {
        assert_eq!(cut_of(&decisions[0]), clean(24_000, 96_000, 72_000));
        assert_eq!(decisions[1], left(NO_DEAD_AIR));
        assert_eq!((draft.stems[0].position, draft.stems[1].position), (24_000, 60_000));
    });
}

#[test]
fn a_time_line_that_does_not_begin_at_nought_is_cut_from_its_own_start() {
    for origin in [-9_600, 9_600] {
        let stems = [stem("Kick.wav").sounding(48_000..96_000)];
        check(SHORT, None, &stems, at(&[origin]), |decisions, draft| {
            assert_eq!(cut_of(&decisions[0]), clean(24_000, 84_000, 84_000), "{origin}");
            assert_eq!((draft.link.trim_head_frames, draft.link.trim_tail_frames), (24_000, 84_000));
            assert_eq!((draft.stems[0].position, draft.stems[0].shift_frames), (origin + 24_000, 24_000));
        });
    }
}

#[test]
fn a_shift_from_before_is_added_to() {
    check(
        SHORT,
        None,
        &[stem("Kick.wav").sounding(48_000..96_000)],
        |draft| draft.stems[0].shift_frames = 7,
        |_, draft| assert_eq!(draft.stems[0].shift_frames, 24_007),
    );
}

#[test]
fn each_link_is_cut_for_itself() {
    let stems = [
        stem("Hat.wav").sounding(72_000..96_000),
        stem("Lead Vox.wav").sounding(48_000..72_000),
        stem("Snare.wav").sounding(96_000..120_000),
    ];
    for (link, heads, tails, scope) in [
        ("stem", [48_000, 24_000, 72_000], [84_000, 108_000, 60_000], "stem Hat.wav"),
        ("group", [48_000, 24_000, 48_000], [60_000, 108_000, 60_000], "group drums"),
        ("delivery", [24_000; 3], [60_000; 3], "delivery"),
    ] {
        check(&format!("{SHORT}link = \"{link}\""), None, &stems, as_they_are, |decisions, draft| {
            for (index, decision) in decisions.iter().enumerate() {
                let (head, tail) = (heads[index], tails[index]);
                assert_eq!(cut_of(decision), clean(head, 192_000 - head - tail, tail), "{link}");
            }
            let Decision::Cut { why, .. } = &decisions[0] else { panic!("{decisions:?}") };
            assert_eq!(*why, format!("dead air around the sound of the {scope}, quieter than -90 dBFS"));
            // What the delivery shares is said only where it is cut as one.
            let shared = (draft.link.trim_head_frames, draft.link.trim_tail_frames);
            assert_eq!(shared, if link == "delivery" { (24_000, 60_000) } else { (0, 0) });
        });
    }
}

#[test]
fn a_link_goes_by_the_settings_of_its_first_stem() {
    let stems = [stem("Hat.wav").sounding(48_000..96_000), stem("Kick.wav").sounding(48_000..96_000)];
    with_given(&recipe(""), stems, &Evidence::default(), None, |draft| {
        let own = [settings(SHORT), settings("head = \"1 s\"\ntail = \"1 s\"")];
        let found: Vec<_> = decide(&own, draft).iter().map(cut_of).collect();
        assert_eq!(found, [clean(24_000, 84_000, 84_000); 2]);
    });
}

#[test]
fn silence_and_a_stem_that_is_set_aside_are_left() {
    let stems = [stem("Hat.wav").silent(), stem("Kick.wav").sounding(48_000..96_000)];
    check(
        SHORT,
        None,
        &stems,
        |draft| draft.stems[1].fate = Fate::SetAside { why: "it is another take".to_owned() },
        |decisions, draft| {
            assert_eq!(decisions, [left(NO_SOUND), left(NOT_RENDERED)]);
            assert_eq!(draft.link, Link { majority_hz: 48_000, ..Link::default() });
            assert!(draft.stems.iter().all(|stem| (stem.position, stem.frames) == (0, 192_000)));
        },
    );
    // One silent link does not keep the next one from its cut.
    let decided = cuts(
        &format!("{SHORT}link = \"stem\""),
        &[stem("Hat.wav").silent(), stem("Kick.wav").sounding(48_000..96_000)],
        as_they_are,
    );
    assert_eq!(decided, [None, clean(24_000, 84_000, 84_000)]);
}

#[test]
fn sound_is_what_passes_the_threshold() {
    let peak = Level(-60.0).amplitude() as f32;
    let stems = [hiss(stem("Kick.wav").sounding(48_000..96_000), 24_000..48_000, peak)];
    for (threshold, head) in [("-59.9 dBFS", 24_000), ("-60.1 dBFS", 0)] {
        let decided = cuts(&format!("{SHORT}threshold = \"{threshold}\""), &stems, as_they_are);
        assert_eq!(decided[0].unwrap().0, head, "{threshold}");
    }
}

#[test]
fn a_cut_that_is_not_silent_is_faded_and_that_is_arithmetic() {
    let quiet = Level(-100.0).amplitude() as f32;
    let base = || stem("Kick.wav").sounding(48_000..96_000);
    for (name, stem, fades, silence) in [
        ("clean", base(), (0, 0), true),
        ("before", hiss(base(), 0..48_000, quiet), (240, 0), false),
        ("behind", hiss(base(), 96_000..192_000, quiet), (0, 240), false),
        ("both", hiss(hiss(base(), 0..48_000, quiet), 96_000..192_000, quiet), (240, 240), false),
        // What is dropped is not silent, but the place of the cut is.
        ("dropped", hiss(hiss(base(), 0..960, quiet), 191_040..192_000, quiet), (0, 0), false),
        ("dropped first", hiss(base(), 0..960, quiet), (0, 0), false),
        ("dropped last", hiss(base(), 191_040..192_000, quiet), (0, 0), false),
        // The place of the cut is not silent, but what is dropped is.
        ("kept", hiss(hiss(base(), 24_000..24_480, quiet), 107_520..108_000, quiet), (240, 240), true),
        ("next to it", hiss(hiss(base(), 24_480..24_960, quiet), 107_040..107_520, quiet), (0, 0), true),
    ] {
        check(SHORT, None, &[stem], as_they_are, |decisions, draft| {
            assert_eq!(cut_of(&decisions[0]), Some((24_000, 84_000, 84_000, fades, silence)), "{name}");
            let untouched = fades == (0, 0);
            assert_eq!((draft.stems[0].untouched, draft.stems[0].grid_bits.is_some()), (untouched, untouched));
        });
    }
}

#[test]
fn nothing_is_faded_where_nothing_is_cut() {
    let quiet = Level(-100.0).amplitude() as f32;
    let first = hiss(hiss(stem("Kick.wav").sounding(24_000..96_000), 0..24_000, quiet), 96_000..192_000, quiet);
    assert_eq!(cuts(SHORT, &[first], as_they_are), [Some((0, 108_000, 84_000, (0, 240), false))]);
    let last = hiss(hiss(stem("Kick.wav").sounding(48_000..180_000), 0..48_000, quiet), 180_000..192_000, quiet);
    assert_eq!(cuts(SHORT, &[last], as_they_are), [Some((24_000, 168_000, 0, (240, 0), false))]);
}

#[test]
fn a_fade_has_the_length_of_the_setting_but_never_more_than_half_of_what_is_kept() {
    let quiet = Level(-100.0).amplitude() as f32;
    let stems = [hiss(hiss(stem("Kick.wav").sounding(48_000..48_480), 0..48_000, quiet), 48_480..192_000, quiet)];
    for (fade, keep, frames) in [
        ("10 ms", "500 ms", 480),
        ("0 ms", "500 ms", 0),
        ("5 ms", "0 ms", 240),
        ("6 ms", "0 ms", 240),
        ("4 ms", "0 ms", 192),
        // Nobody fades in bars.
        ("1 bar", "500 ms", 0),
    ] {
        let text = format!("head = \"{keep}\"\ntail = \"{keep}\"\nfade = \"{fade}\"");
        let decided = cuts(&text, &stems, |draft| draft.bar_seconds = Some(2.0));
        assert_eq!(decided[0].unwrap().3, (frames, frames), "{fade}, {keep}");
    }
}

/// A bar of 4/4 at 120 BPM lasts 2 s, at 140 BPM 12/7 s: 82 285.7 frames at 48 kHz (arithmetic).
#[test]
fn the_head_is_cut_to_whole_bars_where_they_are_known() {
    let stems = [stem("Kick.wav").frames(480_000).sounding(240_000..288_000)];
    for (whole, bar_seconds, head) in [
        (false, Some(2.0), 216_000),
        (true, None, 216_000),
        (true, Some(0.0), 216_000),
        (true, Some(2.0), 192_000),
        (true, Some(2.25), 216_000),
        (true, Some(2.251), 108_048),
        (true, Some(12.0 / 7.0), 164_571),
        (true, Some(5.0), 0),
    ] {
        for origin in [0, 4_800, -4_800] {
            let decided = cuts(&format!("{SHORT}whole-bars = {whole}"), &stems, |draft| {
                draft.bar_seconds = bar_seconds;
                at(&[origin])(draft);
            });
            assert_eq!(decided[0].unwrap().0, head, "{whole}, {bar_seconds:?}, {origin}");
        }
    }
}

#[test]
fn a_bar_is_kept_where_the_tempo_is_known_and_else_seconds() {
    let stems = [stem("Kick.wav").frames(480_000).sounding(240_000..288_000)];
    for (bar_seconds, head, tail) in [(Some(1.5), 168_000, 120_000), (None, 192_000, 144_000)] {
        let text = "head = [\"1 bar\", \"1 s\"]\ntail = [\"1 bar\", \"1 s\"]";
        let decided = cuts(text, &stems, |draft| draft.bar_seconds = bar_seconds);
        assert_eq!(decided, [clean(head, 480_000 - head - tail, tail)]);
    }
}

#[test]
fn a_reference_follows_the_cut_and_has_no_say_in_it() {
    let stems = [
        stem("Kick.wav").sounding(48_000..96_000),
        stem("Rough Mix.wav").sounding(0..108_000),
        stem("Rough Mix 2.wav").sounding(0..108_480),
    ];
    check(SHORT, None, &stems, as_they_are, |decisions, draft| {
        assert_eq!(cut_of(&decisions[0]), clean(24_000, 84_000, 84_000));
        let found: Vec<_> = draft.stems.iter().map(|stem| (stem.path(), ids(&stem.findings))).collect();
        // Sound up to the cut is no matter, and one window behind it is.
        let expected =
            [("Kick.wav", vec![]), ("Rough Mix 2.wav", vec!["reference-cut"]), ("Rough Mix.wav", vec![])];
        assert_eq!(found, expected);
        let finding = &draft.stems[1].findings[0];
        assert_eq!(
            finding.text,
            "the reference goes on after the stems have ended; what follows is only in the client's file"
        );
        assert_eq!(Value::from(finding.evidence.clone()), json!({ "frames_cut": 480 }));
        // It sounds where it is cut.
        assert_eq!(cut_of(&decisions[2]), Some((24_000, 84_000, 84_000, (240, 240), false)));
        assert!(draft.stems.iter().all(|stem| (stem.position, stem.frames) == (24_000, 84_000)));
    });
}

#[test]
fn a_reference_that_stands_outside_the_cut_keeps_nothing() {
    let stems = [stem("Kick.wav").sounding(48_000..96_000), stem("Rough Mix.wav").frames(9_600)];
    for (position, head, tail) in [(0, 9_600, 0), (150_000, 0, 9_600)] {
        check(SHORT, None, &stems, at(&[0, position]), |decisions, draft| {
            assert_eq!(cut_of(&decisions[1]), Some((head, 0, tail, (0, 0), false)), "{position}");
            assert_eq!(draft.stems[1].frames, 0);
            assert!(draft.stems[1].untouched);
            // What lies before the cut is not reported, what lies behind it is.
            assert_eq!(ids(&draft.stems[1].findings), if tail > 0 { vec!["reference-cut"] } else { vec![] });
        });
    }
}

#[test]
fn only_a_rendered_reference_follows_and_only_the_delivery() {
    let stems = [stem("Kick.wav").sounding(48_000..96_000), stem("Rough Mix.wav").sounding(0..48_000)];
    let aside = |draft: &mut Draft<'_>| draft.stems[1].fate = Fate::Fail { why: "it is torn".to_owned() };
    check(SHORT, None, &stems, aside, |decisions, _| assert_eq!(decisions[1], left(NOT_RENDERED)));
    let by_stem = format!("{SHORT}link = \"stem\"");
    check(&by_stem, None, &stems, as_they_are, |decisions, draft| {
        assert!(cut_of(&decisions[1]).is_none());
        assert_eq!((draft.stems[1].position, draft.stems[1].frames), (0, 192_000));
    });
}

#[test]
fn a_stem_that_is_no_reference_is_never_a_cut_reference() {
    let stems = [stem("Kick.wav").sounding(48_000..96_000)];
    let pinned = pin(Link { timestamp_frames: Some(48_000), length_frames: 24_000, ..Link::default() });
    check(SHORT, Some(&pinned), &stems, as_they_are, |_, draft| {
        assert_eq!(ids(&draft.stems[0].findings), ["late-cut"]);
    });
}

#[test]
fn what_comes_late_is_cut_where_the_others_were() {
    let stems = [stem("Kick.wav").sounding(48_000..96_000), stem("Rough Mix.wav").sounding(48_000..96_000)];
    for (from, length, position, cut, before, after) in [
        (24_000, 96_000, 0, (24_000, 96_000, 72_000), 0, 0),
        (48_000, 48_000, 0, (48_000, 48_000, 96_000), 0, 0),
        (48_480, 48_000, 0, (48_480, 48_000, 95_520), 480, 0),
        (47_520, 48_000, 0, (47_520, 48_000, 96_480), 0, 480),
        (52_800, 38_400, 4_800, (48_000, 38_400, 105_600), 0, 9_600),
        (52_800, 38_400, -4_800, (57_600, 38_400, 96_000), 9_600, 0),
    ] {
        let pinned = pin(Link { timestamp_frames: Some(from), length_frames: length, ..Link::default() });
        check(SHORT, Some(&pinned), &stems, at(&[position, position]), |decisions, draft| {
            let (head, keep, tail, ..) = cut_of(&decisions[0]).unwrap();
            assert_eq!((head, keep, tail), cut, "{from}");
            assert_eq!(cut_of(&decisions[1]).unwrap().0, head);
            let findings = &draft.stems[0].findings;
            if (before, after) == (0, 0) {
                assert!(findings.is_empty());
            } else {
                assert_eq!(ids(findings), ["late-cut"]);
                let expected = json!({ "before_frames": before, "after_frames": after });
                assert_eq!(Value::from(findings[0].evidence.clone()), expected, "{from}");
            }
            // A reference is cut as ever.
            assert!(!ids(&draft.stems[1].findings).contains(&"late-cut"));
            assert_eq!((draft.link.trim_head_frames, draft.link.trim_tail_frames), (head, tail));
        });
    }
}

#[test]
fn a_window_that_was_wider_than_the_late_stems_cuts_nothing_and_counts_nothing() {
    let stems = [stem("Kick.wav").sounding(48_000..96_000)];
    let pinned = pin(Link { timestamp_frames: Some(0), length_frames: 300_000, ..Link::default() });
    check(SHORT, Some(&pinned), &stems, at(&[4_800]), |decisions, draft| {
        assert_eq!(decisions, [left(NO_DEAD_AIR)]);
        assert_eq!((draft.link.trim_head_frames, draft.link.trim_tail_frames), (0, 0));
        assert_eq!(draft.stems[0].position, 4_800);
    });
}

#[test]
fn a_late_stem_that_is_a_link_of_its_own_is_cut_for_itself_and_silence_as_the_others() {
    let pinned = pin(Link { timestamp_frames: Some(48_000), length_frames: 24_000, ..Link::default() });
    let by_stem = format!("{SHORT}link = \"stem\"");
    let stems = [stem("Kick.wav").sounding(48_000..96_000)];
    check(&by_stem, Some(&pinned), &stems, as_they_are, |decisions, draft| {
        assert_eq!(cut_of(&decisions[0]), clean(24_000, 84_000, 84_000));
        assert!(draft.stems[0].findings.is_empty());
    });
    check(SHORT, Some(&pinned), &[stem("Kick.wav").silent()], as_they_are, |decisions, draft| {
        assert_eq!(cut_of(&decisions[0]), clean(48_000, 24_000, 120_000));
        assert!(draft.stems[0].findings.is_empty());
    });
}

fn example(head: u64, keep: u64, tail: u64, fades: (u64, u64)) -> Decision {
    Decision::Cut {
        head_frames: head,
        keep_frames: keep,
        tail_frames: tail,
        fade_in_frames: fades.0,
        fade_out_frames: fades.1,
        digital_silence: true,
        why: "it is quiet".to_owned(),
    }
}

#[test]
fn the_processor_cuts_alike_however_the_stream_is_cut_into_blocks() {
    let sound: Vec<f64> = (1..=20).map(f64::from).collect();
    no_shape(|shape| {
        assert!(processor(&left("so"), shape).is_none());
        for (head, keep) in [(0, 20), (5, 10), (0, 10), (10, 10), (19, 1), (20, 0), (3, 0)] {
            let decision = example(head, keep, 20 - head - keep, (0, 0));
            for block_frames in 1..=21 {
                let mut cut = processor(&decision, shape).unwrap();
                let found = through(&mut *cut, &sound, block_frames);
                assert_eq!(found, sound[head as usize..(head + keep) as usize], "{head}, {keep}, {block_frames}");
            }
        }
    });
}

/// A raised cosine at frame centres: sin² of the quarter wave (arithmetic).
#[test]
fn the_processor_fades_the_edges_of_what_it_keeps() {
    let rise = |frame: f64, frames: f64| ((frame + 0.5) / frames * std::f64::consts::FRAC_PI_2).sin().powi(2);
    let expected = [rise(0.0, 3.0), rise(1.0, 3.0), rise(2.0, 3.0), 1.0, 1.0, 1.0, rise(1.0, 2.0), rise(0.0, 2.0)];
    no_shape(|shape| {
        for block_frames in [1, 2, 3, 5, 12] {
            let mut cut = processor(&example(2, 8, 2, (3, 2)), shape).unwrap();
            let found = through(&mut *cut, &[1.0; 12], block_frames);
            assert_eq!(found.len(), 8);
            for (found, expected) in found.iter().zip(expected) {
                assert!((found - expected).abs() < 1e-12, "{found} {expected}");
            }
        }
    });
}

#[test]
fn the_change_says_what_was_cut_and_leaving_is_no_change() {
    no_shape(|shape| {
        assert_eq!(change(&left("so"), shape, &written(10)), None);
        let expected = Change::new("trim-silence", "frames", 1_111, 100, "frames", "it is quiet")
            .with("head_frames", 11)
            .with("tail_frames", 1_000)
            .with("fade_in_frames", 3)
            .with("fade_out_frames", 4)
            .with("digital_silence", true);
        assert_eq!(change(&example(11, 100, 1_000, (3, 4)), shape, &written(10)), Some(expected));
    });
}

#[test]
fn a_decision_is_read_as_it_is_written() {
    for (decision, word) in [(example(1, 2, 3, (4, 5)), "cut"), (left("so"), "leave")] {
        let text = serde_json::to_value(&decision).unwrap();
        assert_eq!(text["do"], word);
        assert_eq!(serde_json::from_value::<Decision>(text).unwrap(), decision);
    }
}
