//! What `align-starts` decides once every stem has its place: one start and one length.

use loadin_record::evidence::Evidence;
use loadin_record::link::Link;
use serde_json::{Value, json};

use super::*;
use crate::draft::PlacedBy;
use crate::shape::Fate;
use crate::testing::{Stem, ids, pin, recipe, stem, with_given};

const COMMON: &str = "one start and one length for all stems";
const HAS_BOTH: &str = "it has the common start and length";

/// Decides for all stems: `prepare` changes the draft before, `look` sees it after.
fn check<R>(
    stems: &[Stem],
    pin: Option<&Pin>,
    prepare: impl FnOnce(&mut Draft<'_>),
    look: impl FnOnce(&[Decision], &Draft<'_>) -> R,
) -> R {
    with_given(&recipe(""), stems.to_vec(), &Evidence::default(), pin, |draft| {
        prepare(draft);
        let decisions = decide(&vec![Settings::default(); draft.stems.len()], draft);
        look(&decisions, draft)
    })
}

/// Puts the stems of a draft where they stand.
fn at(positions: &[i64]) -> impl Fn(&mut Draft<'_>) {
    move |draft| draft.stems.iter_mut().zip(positions).for_each(|(stem, &position)| stem.position = position)
}

fn placed(pad: u64, drop: u64, from: u64, length: u64, why: &str) -> Decision {
    Decision::Place {
        pad_head_frames: pad,
        drop_head_frames: drop,
        from_frames: from,
        length_frames: length,
        why: why.to_owned(),
    }
}

#[test]
fn all_stems_get_one_start_and_the_length_of_the_last_to_end() {
    let stems = [stem("Bass.wav").frames(1_000), stem("Kick.wav").frames(400), stem("Snare.wav").frames(700)];
    for (positions, expected, origin, length) in [
        (
            [0, 0, 0],
            [left(HAS_BOTH), placed(0, 0, 400, 1_000, COMMON), placed(0, 0, 700, 1_000, COMMON)],
            0,
            1_000,
        ),
        (
            [0, 100, 500],
            [
                placed(0, 0, 1_000, 1_200, COMMON),
                placed(100, 0, 400, 1_200, COMMON),
                placed(500, 0, 700, 1_200, COMMON),
            ],
            0,
            1_200,
        ),
        // A start that is the same frame for all is one start, wherever it is.
        (
            [300, 300, 300],
            [left(HAS_BOTH), placed(0, 0, 400, 1_000, COMMON), placed(0, 0, 700, 1_000, COMMON)],
            300,
            1_000,
        ),
        (
            [0, -200, 100],
            [
                placed(200, 0, 1_000, 1_200, COMMON),
                placed(0, 0, 400, 1_200, COMMON),
                placed(300, 0, 700, 1_200, COMMON),
            ],
            -200,
            1_200,
        ),
    ] {
        check(&stems, None, at(&positions), |decisions, draft| {
            assert_eq!(decisions, expected, "{positions:?}");
            assert_eq!(draft.link.length_frames, length);
            // No start before midnight can be written down.
            assert_eq!(draft.link.timestamp_frames, Some(origin.max(0) as u64));
            for (stem, position) in draft.stems.iter().zip(positions) {
                assert_eq!((stem.position, stem.frames), (origin, length));
                assert_eq!(stem.shift_frames, origin - position);
                assert!(stem.untouched && stem.grid_bits == Some(24) && stem.findings.is_empty());
            }
        });
    }
}

#[test]
fn a_shift_from_before_is_kept() {
    let stems = [stem("Bass.wav"), stem("Kick.wav")];
    let prepare = |draft: &mut Draft<'_>| {
        draft.stems[1].position = 100;
        draft.stems[1].shift_frames = 1_000;
    };
    check(&stems, None, prepare, |_, draft| assert_eq!(draft.stems[1].shift_frames, 900));
}

#[test]
fn the_common_stamp_is_that_of_the_common_start_at_the_rate_of_the_stems() {
    let stems = [stem("Bass.wav").stamp(96_000), stem("Kick.wav").stamp(96_000)];
    for (rate_hz, stamp) in [(48_000, 96_480), (96_000, 192_480)] {
        let prepare = |draft: &mut Draft<'_>| {
            for stem in &mut draft.stems {
                (stem.rate_hz, stem.position) = (rate_hz, 480);
            }
        };
        check(&stems, None, prepare, |_, draft| {
            assert_eq!(draft.link.timestamp_frames, Some(stamp), "{rate_hz}");
        });
    }
}

#[test]
fn where_nobody_is_rendered_there_is_no_length_and_the_stamp_has_the_rate_of_most() {
    let stems = [stem("Bass.wav").stamp(96_000)];
    let prepare = |draft: &mut Draft<'_>| {
        draft.stems[0].fate = Fate::Fail { why: "it is torn".to_owned() };
        draft.majority_hz = 96_000;
    };
    check(&stems, None, prepare, |decisions, draft| {
        assert_eq!(decisions, [left(NOT_RENDERED)]);
        assert_eq!((draft.link.length_frames, draft.link.timestamp_frames), (0, Some(192_000)));
        assert_eq!((draft.stems[0].frames, draft.stems[0].position), (192_000, 0));
    });
}

#[test]
fn a_stem_that_is_set_aside_has_no_say() {
    let stems = [stem("Bass.wav").frames(1_000), stem("Kick.wav").frames(400)];
    let prepare = |draft: &mut Draft<'_>| {
        draft.stems[0].position = -50;
        draft.stems[0].fate = Fate::SetAside { why: "another take".to_owned() };
    };
    check(&stems, None, prepare, |decisions, draft| {
        assert_eq!(decisions, [left(NOT_RENDERED), left(HAS_BOTH)]);
        assert_eq!((draft.stems[0].frames, draft.stems[0].position), (1_000, -50));
    });
}

#[test]
fn a_reference_gets_the_start_and_length_of_the_stems_and_has_no_say() {
    let stems = [stem("Kick.wav").frames(400), stem("Rough Mix.wav").frames(1_000)];
    for (position, pad, drop) in [(0, 0, 0), (-30, 0, 30), (30, 30, 0)] {
        check(&stems, None, at(&[0, position]), |decisions, draft| {
            assert_eq!(decisions, [left(HAS_BOTH), placed(pad, drop, 1_000, 400, COMMON)]);
            let rough = &draft.stems[1];
            assert_eq!((rough.position, rough.frames, rough.shift_frames), (0, 400, -position));
        });
    }
    // A reference that is as long but stands elsewhere is moved all the same.
    let as_long = [stem("Kick.wav"), stem("Rough Mix.wav")];
    check(&as_long, None, at(&[0, 30]), |decisions, _| {
        assert_eq!(decisions[1], placed(30, 0, 192_000, 192_000, COMMON));
    });
    // Where there is nothing else, references decide.
    let alone = [stem("Reference.wav").frames(400), stem("Rough Mix.wav").frames(1_000)];
    check(&alone, None, at(&[0, -100]), |decisions, _| {
        assert_eq!(decisions, [placed(100, 0, 400, 1_000, COMMON), left(HAS_BOTH)]);
    });
}

#[test]
fn a_stem_that_its_stamp_has_moved_says_so() {
    let stems = [stem("Bass.wav"), stem("Kick.wav"), stem("Rough Mix.wav")];
    let by_stamp = "placed by its time stamp";
    let by_mix = "placed where the rough mix has it";
    for (by_stamps, by_rough_mix, position, why) in [
        (true, false, 72_000, by_stamp),
        (true, false, 1, by_stamp),
        (false, false, 72_000, COMMON),
        (true, true, 72_000, by_mix),
        (false, true, 72_000, by_mix),
    ] {
        let prepare = |draft: &mut Draft<'_>| {
            draft.link.by_stamps = by_stamps;
            let placed_by = if by_rough_mix { PlacedBy::RoughMix } else { PlacedBy::File };
            (draft.stems[1].position, draft.stems[1].placed_by) = (position, placed_by);
            draft.stems[2].position = -24_000;
        };
        check(&stems, None, prepare, |decisions, draft| {
            let (pad, length) = (position as u64, 192_000 + position as u64);
            // What stands at the start, or before it, is not moved by its stamp.
            assert_eq!(decisions[0], placed(0, 0, 192_000, length, COMMON));
            assert_eq!(decisions[1], placed(pad, 0, 192_000, length, why), "{by_stamps}, {by_rough_mix}");
            assert_eq!(decisions[2], placed(0, 24_000, 192_000, length, COMMON));
            assert!(draft.stems[0].findings.is_empty() && draft.stems[2].findings.is_empty());
            let findings = &draft.stems[1].findings;
            assert_eq!(ids(findings), if why == by_stamp { vec!["moved"] } else { vec![] });
            for finding in findings {
                let seconds = if position == 1 { "0.000" } else { "1.500" };
                let text = format!("its time stamp puts it +{seconds} s later than the common start");
                assert_eq!(finding.text, text);
                let evidence = json!({ "frames": position, "rate_hz": 48_000 });
                assert_eq!(Value::from(finding.evidence.clone()), evidence);
            }
        });
    }
}

#[test]
fn what_comes_late_gets_the_start_and_length_that_the_others_have_and_never_loses_anything_unsaid() {
    for (position, from, length, pad, drop, before, after) in [
        (0, 0, 192_000, 0, 0, 0, 0),
        (0, 0, 192_001, 0, 0, 0, 0),
        (0, 0, 191_999, 0, 0, 0, 1),
        (0, 1, 191_999, 0, 1, 1, 0),
        (24_000, 24_000, 192_000, 0, 0, 0, 0),
        (72_000, 48_000, 144_000, 24_000, 0, 0, 72_000),
        (0, 48_000, 96_000, 0, 48_000, 48_000, 48_000),
    ] {
        let pinned = pin(Link { timestamp_frames: Some(from), length_frames: length, ..Link::default() });
        let stems = [stem("Hat.wav"), stem("Kick.wav"), stem("Rough Mix.wav")];
        let prepare = |draft: &mut Draft<'_>| {
            at(&[0, position, position])(draft);
            draft.stems[0].fate = Fate::SetAside { why: "another take".to_owned() };
        };
        check(&stems, Some(&pinned), prepare, |decisions, draft| {
            let expected = if (pad, drop, length) == (0, 0, 192_000) {
                left(HAS_BOTH)
            } else {
                placed(pad, drop, 192_000, length, COMMON)
            };
            assert_eq!(decisions, [left(NOT_RENDERED), expected.clone(), expected], "{position}, {from}");
            assert_eq!((draft.link.length_frames, draft.link.timestamp_frames), (length, Some(from)));
            assert!(draft.stems[0].findings.is_empty());
            let rough: Vec<_> =
                draft.stems[2].findings.iter().map(|f| (f.id, f.evidence["frames_cut"].clone())).collect();
            assert_eq!(rough, if after > 0 { vec![(Id::ReferenceCut, json!(after))] } else { vec![] });
            let findings = &draft.stems[1].findings;
            assert_eq!(ids(findings), if before + after > 0 { vec!["late-cut"] } else { vec![] });
            for finding in findings {
                let evidence = json!({ "before_frames": before, "after_frames": after });
                assert_eq!(Value::from(finding.evidence.clone()), evidence, "{position}, {from}");
            }
        });
    }
}

#[test]
fn nothing_is_said_to_be_late_where_nothing_came_late() {
    // A reference alone can pass start and end; a stem never does.
    let stems = [stem("Kick.wav").frames(400), stem("Rough Mix.wav").frames(1_000)];
    check(&stems, None, at(&[0, -100]), |_, draft| {
        let found: Vec<_> = draft.stems.iter().map(|stem| ids(&stem.findings)).collect();
        assert_eq!(found, [vec![], vec!["reference-cut"]]);
    });
}
