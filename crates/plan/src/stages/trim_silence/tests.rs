//! The decisions of `trim-silence`, as data: where stems sound in, cuts out. No audio.

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::link::Link;
use serde_json::{Value, json};

use super::*;
use crate::shape::Fate;
use crate::testing::{Stem, ids, no_shape, pin, recipe, stem, through, with_given, written};

mod fades;
mod followers;
mod settings;

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
fn clean(head: u64, keep: u64, tail: u64) -> Cut {
    (head, keep, tail, (0, 0), true)
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

#[test]
fn dead_air_is_cut_around_the_sound_and_what_is_kept_around_it() {
    let sounding = |from: u64, to: u64| [stem("Kick.wav").sounding(from..to)];
    for (from, to, cut) in [
        (48_000, 96_000, Some(clean(24_000, 84_000, 84_000))),
        // One window more of dead air than what is kept, and just none.
        (24_480, 179_520, Some(clean(480, 191_040, 480))),
        (24_000, 180_000, None),
        (23_520, 180_480, None),
        (24_480, 180_000, Some(clean(480, 191_520, 0))),
        (24_000, 179_520, Some(clean(0, 191_520, 480))),
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
    assert_eq!(cuts(SHORT, &stems, as_they_are), [Some(clean(24_000, 108_000, 60_000)); 3]);
    // A later stem: the first sound of all is at 48 000 + 9 600 now, the last at 120 000.
    check(SHORT, None, &stems, at(&[0, 9_600, 4_800]), |decisions, draft| {
        let found: Vec<_> = decisions.iter().map(cut_of).collect();
        assert_eq!(
            found,
            [
                Some(clean(33_600, 98_400, 60_000)),
                Some(clean(24_000, 98_400, 69_600)),
                Some(clean(28_800, 98_400, 64_800))
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
        assert_eq!(cut_of(&decisions[0]), Some(clean(24_000, 96_000, 72_000)));
        assert_eq!(decisions[1], left(NO_DEAD_AIR));
        assert_eq!((draft.stems[0].position, draft.stems[1].position), (24_000, 60_000));
    });
}

#[test]
fn a_time_line_that_does_not_begin_at_nought_is_cut_from_its_own_start() {
    for origin in [-9_600, 9_600] {
        let stems = [stem("Kick.wav").sounding(48_000..96_000)];
        check(SHORT, None, &stems, at(&[origin]), |decisions, draft| {
            assert_eq!(cut_of(&decisions[0]), Some(clean(24_000, 84_000, 84_000)), "{origin}");
            assert_eq!((draft.link.trim_head_frames, draft.link.trim_tail_frames), (24_000, 84_000));
            assert_eq!((draft.stems[0].position, draft.stems[0].shift_frames), (origin + 24_000, 24_000));
        });
    }
}

#[test]
fn what_was_cut_before_is_counted_in() {
    check(
        SHORT,
        None,
        &[stem("Kick.wav").sounding(48_000..96_000)],
        |draft| draft.stems[0].shift_frames = 7,
        |decisions, draft| {
            assert_eq!(cut_of(&decisions[0]).map(|cut| cut.0), Some(23_993));
            assert_eq!(draft.stems[0].shift_frames, 24_000);
        },
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
                assert_eq!(cut_of(decision), Some(clean(head, 192_000 - head - tail, tail)), "{link}");
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
        assert_eq!(found, [Some(clean(24_000, 84_000, 84_000)); 2]);
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
    assert_eq!(decided, [None, Some(clean(24_000, 84_000, 84_000))]);
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
        assert_eq!(decided, [Some(clean(head, 480_000 - head - tail, tail))]);
    }
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
