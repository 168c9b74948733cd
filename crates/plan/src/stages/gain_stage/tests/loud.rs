//! `gain-stage` where a bound stops the gain, and where one stem alone decides it.

use loadin_record::survey::BeyondFacts;

use super::*;
use crate::testing::{Beside, planned};

#[test]
fn a_gain_that_the_bound_stops_is_a_finding_of_every_stem_of_the_link() {
    let stems = [mono("Hat.wav", -50.123), mono("Kick.wav", -30.456)];
    for (bound, limited) in [("25 dB", false), ("24 dB", true)] {
        check(&settings(&format!("max-boost = \"{bound}\"")), None, &stems, |decisions, draft| {
            assert_eq!(gain(&decisions[0]), Some(if limited { 24.0 } else { 24.456 }));
            for stem in &draft.stems {
                assert_eq!(ids(&stem.findings), if limited { vec!["gain-limited"] } else { vec![] });
                for finding in &stem.findings {
                    assert_eq!(
                        finding.text,
                        "the gain stops at 24 dB, the recipe's bound; the peak stays below the target"
                    );
                    assert_eq!(
                        serde_json::to_value(&finding.evidence).unwrap(),
                        serde_json::json!({ "peak_db": -30.46 })
                    );
                }
            }
        });
    }
}

#[test]
fn a_cut_that_the_bound_stops_is_a_finding_too() {
    let stems = [mono("Hat.wav", 30.0), mono("Kick.wav", 60.0)];
    for (bound, gain_db) in [("66 dB", -66.0), ("40 dB", -40.0)] {
        check(&settings(&format!("max-cut = \"{bound}\"")), None, &stems, |decisions, draft| {
            assert_eq!(gains(decisions), [Some(gain_db); 2]);
            let limited = draft.stems[0].findings.first().map(|finding| finding.text.as_str());
            let text = "the gain stops at -40 dB, the recipe's bound; the peak stays above the target";
            assert_eq!(limited, (gain_db == -40.0).then_some(text));
        });
    }
}

/// Without the loudest, the others would be lowered by nothing where the next one is below the target (arithmetic).
#[test]
fn a_stem_that_alone_lowers_all_others_is_named() {
    for (loudest_db, next_db, lowered_db) in [
        (0.0, -9.0, Some(6.0)),
        (0.0, -4.0, Some(4.0)),
        (0.0, -3.0, None),
        (-3.0, -9.0, None),
        (-2.99, -9.0, Some(3.01)),
        // What raises the others less than it could does not lower them.
        (-7.0, -40.0, None),
    ] {
        let stems = [mono("Hat.wav", next_db), mono("Kick.wav", loudest_db), stem("Snare.wav").silent()];
        check(&settings(""), None, &stems, |_, draft| {
            assert!(draft.stems[0].findings.is_empty() && draft.stems[2].findings.is_empty());
            let findings = &draft.stems[1].findings;
            assert_eq!(ids(findings), lowered_db.map_or(vec![], |_| vec!["gain-by-one"]), "{loudest_db}");
            if let Some(lowered_db) = lowered_db {
                assert_eq!(findings[0].evidence["lowered_db"], lowered_db);
                let start = format!("it alone lowers all others of the delivery by {lowered_db:.2} dB");
                assert!(findings[0].text.starts_with(&start), "{}", findings[0].text);
            }
        });
    }
}

#[test]
fn a_stem_without_others_lowers_nobody() {
    for (link, stems) in [
        ("stem", vec![mono("Hat.wav", -30.0), mono("Kick.wav", 0.0)]),
        ("delivery", vec![mono("Kick.wav", 0.0)]),
        ("delivery", vec![mono("Kick.wav", 0.0), stem("Snare.wav").silent()]),
        ("delivery", vec![mono("Kick.wav", 0.0), mono("Rough Mix.wav", -30.0)]),
    ] {
        check(&settings(&format!("link = \"{link}\"")), None, &stems, |_, draft| {
            assert!(draft.stems.iter().all(|stem| stem.findings.is_empty()), "{link}");
        });
    }
}

/// One flipped bit of a float costs its own stem and nobody's level.
#[test]
fn a_sample_that_no_export_makes_costs_its_own_stem() {
    let flipped = |value: f64| {
        stem("Pad.wav")
            .channels(&[value.abs()])
            .with_format(|format| (format.float, format.bits) = (true, 32))
            .with(|measures| {
                let beyond = BeyondFacts { samples: 1, first_frame: 4711, channel: 0, value };
                measures.beyond = Some(beyond).filter(|_| value.abs() > loadin_audio::BEYOND);
            })
    };
    let recipe = recipe("[[stage]]\nstage = \"gain-stage\"\n");
    for (value, gain_db, fails) in [(1.3e37, 6.0, true), (-1001.0, 6.0, true), (1000.0, -40.0, false)] {
        let stems = [mono("Kick.wav", -12.0), flipped(value)];
        let plan = planned(&recipe, stems, &Beside::default()).plan;
        assert_eq!(plan.link.gains[0].gain_db, gain_db, "{value}");
        let pad = plan.stems.iter().find(|stem| stem.path() == "Pad.wav").unwrap();
        assert_eq!(ids(&pad.findings).contains(&"damaged"), fails, "{value}: {:?}", pad.findings);
        if fails {
            let Fate::Fail { why } = &pad.fate else { panic!("{:?}", pad.fate) };
            let found = format!("sample 4711 of channel 1 is {value:e} (");
            assert!(why.starts_with(&found) && why.contains("ask for the file again"), "{why}");
        } else {
            assert_eq!(ids(&pad.findings), ["gain-by-one", "gain-limited", "over-full-scale"]);
        }
    }
}
