//! Who follows the cuts of `trim-silence` without a say in them: references, and what comes late.

use super::*;
use crate::stages::align_starts;

#[test]
fn a_reference_follows_the_cut_and_has_no_say_in_it() {
    let stems = [
        stem("Kick.wav").sounding(48_000..96_000),
        stem("Rough Mix.wav").sounding(0..108_000),
        stem("Rough Mix 2.wav").sounding(0..108_480),
    ];
    check(SHORT, None, &stems, as_they_are, |decisions, draft| {
        assert_eq!(cut_of(&decisions[0]), Some(clean(24_000, 84_000, 84_000)));
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

/// The stems end with their files, before the tail that may be kept: the common end cuts the reference, and whoever cuts
/// last knows how much. 192 000 frames are theirs, 204 000 are kept of a reference that has them.
#[test]
fn a_reference_is_cut_at_the_end_of_the_stems_and_the_finding_has_all_of_it() {
    for (sounds_to, cut) in
        [(192_000, None), (192_480, Some(480)), (204_000, Some(12_000)), (240_000, Some(48_000))]
    {
        let rough = stem("Rough Mix.wav").frames(240_000).sounding(0..sounds_to);
        check(SHORT, None, &[stem("Kick.wav").sounding(0..192_000), rough], as_they_are, |_, draft| {
            let mut draft =
                Draft { stems: draft.stems.clone(), findings: vec![], link: draft.link.clone(), ..*draft };
            align_starts::decide(&[], &mut draft);
            assert!(draft.stems.iter().all(|stem| stem.frames == 192_000));
            let found: Vec<Value> = draft.stems[1]
                .findings
                .iter()
                .map(|finding| finding.evidence["frames_cut"].clone())
                .collect();
            assert_eq!(found, cut.map_or(vec![], |cut| vec![json!(cut)]), "{sounds_to}");
        });
    }
}

/// A stem that was placed before it is trimmed sounds where it stands, not where its file begins.
#[test]
fn what_was_padded_before_is_counted_in() {
    let stems = [stem("Kick.wav").sounding(0..96_000), stem("Vox.wav").sounding(0..192_000)];
    let placed = |draft: &mut Draft<'_>| {
        draft.stems[1].position = 480_000;
        align_starts::decide(&[], draft);
    };
    assert_eq!(cuts(SHORT, &stems, placed), [None, None], "it sounds up to its end at 672 000");
    let early = [stem("Kick.wav").silent(), stem("Vox.wav").sounding(0..96_000)];
    let cut = Some(clean(456_000, 132_000, 84_000));
    assert_eq!(cuts(SHORT, &early, placed), [cut, cut]);
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
        assert_eq!(decisions[1], left("it follows the cut of the delivery, and there was none"));
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
        assert_eq!(cut_of(&decisions[0]), Some(clean(24_000, 84_000, 84_000)));
        assert!(draft.stems[0].findings.is_empty());
    });
    check(SHORT, Some(&pinned), &[stem("Kick.wav").silent()], as_they_are, |decisions, draft| {
        assert_eq!(cut_of(&decisions[0]), Some(clean(48_000, 24_000, 120_000)));
        assert!(draft.stems[0].findings.is_empty());
    });
}
