//! `gain-stage` where some files come after a preparation: they have the gain that the others have.

use super::*;

#[test]
fn what_comes_late_has_the_gain_that_the_others_have() {
    let pin = pin(Link {
        gains: vec![
            link_gain("delivery", 3.0, -9.0),
            link_gain("group drums", 2.0, -8.0),
            link_gain("stem Kick.wav", 1.0, -7.0),
        ],
        ..Link::default()
    });
    for (link, peak_db, expected, loudest_db) in [
        ("delivery", -12.0, 3.0, -9.0),
        // A bound that was not there before does not stop it.
        ("delivery", -90.0, 3.0, -9.0),
        ("group", -12.0, 2.0, -8.0),
        // A stem that is a link of its own has its own gain.
        ("stem", -12.0, 6.0, -12.0),
    ] {
        check(
            &settings(&format!("link = \"{link}\"")),
            Some(&pin),
            &[mono("Hat.wav", peak_db), stem("Kick.wav").silent()],
            |decisions, draft| {
                assert_eq!(gain(&decisions[0]), Some(expected), "{link}");
                let found = &draft.link.gains[0];
                assert_eq!((found.gain_db, found.loudest_db), (expected, loudest_db), "{link}");
                assert!(draft.stems[0].findings.is_empty());
            },
        );
    }
}

#[test]
fn a_late_stem_that_passes_the_target_is_a_finding() {
    let pin = pin(Link { gains: vec![link_gain("delivery", 3.0, -9.0)], ..Link::default() });
    for (peak_db, over) in
        [(-9.5, None), (-9.0, None), (-8.995, None), (-8.98, Some(0.02)), (-6.5, Some(2.5))]
    {
        check(&settings(""), Some(&pin), &[mono("Hat.wav", peak_db)], |_, draft| {
            let findings = &draft.stems[0].findings;
            assert_eq!(ids(findings), over.map_or(vec![], |_| vec!["late-over-target"]), "{peak_db}");
            if let Some(over) = over {
                assert_eq!(
                    findings[0].text,
                    format!(
                        "it came late and peaks {over:.2} dB above the target at the gain that the others have; --relink gives all stems a new gain"
                    )
                );
                assert_eq!(
                    serde_json::to_value(&findings[0].evidence).unwrap(),
                    serde_json::json!({ "over_db": over })
                );
            }
        });
    }
}

#[test]
fn a_hundredth_of_a_decibel_above_the_target_is_not_above_it() {
    let pin = pin(Link { gains: vec![link_gain("delivery", 0.0, -9.0)], ..Link::default() });
    // A peak of full scale is 0 dBFS to the last bit.
    for (target_db, findings) in [(-0.01, 0), (-0.010_001, 1)] {
        let own = Settings { target: Peak { db: target_db, kind: PeakKind::Sample }, ..Settings::default() };
        check(&own, Some(&pin), &[stem("Hat.wav").channels(&[1.0])], |_, draft| {
            assert_eq!(draft.stems[0].findings.len(), findings, "{target_db}");
        });
    }
}

#[test]
fn a_peak_above_the_target_is_no_finding_where_nothing_came_late() {
    check(&settings("never-lower = true"), None, &[mono("Hat.wav", -1.0)], |decisions, draft| {
        assert_eq!(gains(decisions), [None]);
        assert!(draft.stems[0].findings.is_empty());
    });
}
