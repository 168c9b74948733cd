//! What the rough mix shows, as findings: evidence that is asked of the client, never a change.

use loadin_record::finding::{Finding, Id, rounded};
use loadin_record::rough_mix::{RoughGap, RoughMix};

use crate::draft::Draft;

/// Adds the findings about the rough mix.
pub(super) fn notice(draft: &mut Draft<'_>) {
    let Some(rough) = &draft.evidence.rough_mix else { return };
    if let Some(reason) = &rough.cannot_judge {
        let text = format!("whether stems are missing cannot be judged by \"{}\": {reason}", rough.path);
        draft.findings.push(Finding::new(Id::RoughNotJudged, text).with("rough_mix", rough.path.as_str()));
    }
    if let Some(processed) = &rough.processed {
        let text = format!(
            "the rough mix \"{}\" is no plain sum of its stems: {processed}; what is missing and weaker than {:.0} dB would \
             not show",
            rough.path,
            rough.floor_db.unwrap_or(0.0)
        );
        let finding = Finding::new(Id::RoughProcessed, text).with("rough_mix", rough.path.as_str());
        draft.findings.push(finding.with("floor_db", rough.floor_db));
    }
    draft.findings.extend(rough.gaps.iter().map(|gap| missing(gap, rough)));
    for stem in &mut draft.stems {
        let path = stem.path().to_owned();
        for finding in of_stem(&path, rough) {
            stem.note(finding.with("rough_mix", rough.path.as_str()));
        }
    }
}

/// A stem's level in a mix is unlike that of all others when the nearest of them differs by more than this.
const UNLIKE_DB: f64 = 6.0;

/// What the mix shows of one stem.
fn of_stem(path: &str, rough: &RoughMix) -> Vec<Finding> {
    let mut found = Vec::new();
    let mix = &rough.path;
    let version = rough.versions.iter().find(|version| version.other == path);
    if let Some(version) = version {
        let text = format!("the rough mix \"{mix}\" has \"{}\" and not this version", version.heard);
        found.push(Finding::new(Id::NotInRough, text).with("heard", version.heard.as_str()));
    } else if rough.absent.iter().any(|absent| absent == path) {
        let text = format!("it is not in the rough mix \"{mix}\", as far as that can be told below 2.5 kHz");
        found.push(Finding::new(Id::NotInRough, text));
    }
    if let Some(why) = rough.left_out.get(path) {
        let text = format!("it was not compared with the rough mix \"{mix}\": {why}");
        found.push(Finding::new(Id::NotCompared, text));
    }
    if rough.inverted.iter().any(|inverted| inverted == path) {
        let text = format!(
            "it is upside down in the rough mix \"{mix}\" against the other stems; it stays as it is"
        );
        found.push(Finding::new(Id::PolarityInRough, text));
    }
    let level = rough.gains_db.get(path).filter(|_| version.is_none());
    let is_heard = |other: &&String| rough.versions.iter().all(|version| version.other != **other);
    let others = rough.gains_db.iter().filter(|(other, _)| *other != path && is_heard(other));
    let apart = level.and_then(|level| {
        let nearest = others.map(|(_, other)| level - other).min_by(|a, b| a.abs().total_cmp(&b.abs()))?;
        Some((*level, nearest))
    });
    if let Some((level, nearest)) = apart.filter(|(_, nearest)| nearest.abs() > UNLIKE_DB) {
        let text = format!(
            "its level in the rough mix \"{mix}\" ({level:+.1} dB as delivered) is unlike that of all others: the nearest \
             of them is {:.1} dB {}",
            nearest.abs(),
            if nearest > 0.0 { "lower" } else { "higher" }
        );
        found.push(Finding::new(Id::LevelInRough, text).with("gain_db", rounded(level, 1)));
    }
    found
}

fn missing(gap: &RoughGap, rough: &RoughMix) -> Finding {
    let text = format!(
        "something between {} and {}, mostly {:.0} to {:.0} Hz, is in the rough mix and in no stem ({:.0} dB relative to \
         the mix): a stem may be missing, or it is {}an effect",
        clock(gap.from_seconds),
        clock(gap.to_seconds),
        gap.low_hz,
        gap.high_hz,
        gap.level_db,
        unplaced(rough)
    );
    Finding::new(Id::MissingStem, text)
        .with("rough_mix", rough.path.as_str())
        .with("from_seconds", rounded(gap.from_seconds, 1))
        .with("to_seconds", rounded(gap.to_seconds, 1))
        .with("low_hz", gap.low_hz)
        .with("high_hz", gap.high_hz)
        .with("level_db", rounded(gap.level_db, 1))
        .with("confidence", rounded(gap.confidence, 2))
}

/// The stems that it may be, since nobody knows where they start.
fn unplaced(rough: &RoughMix) -> String {
    rough.left_out.keys().map(|path| format!("\"{path}\", which was not compared, or ")).collect()
}

fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

#[cfg(test)]
mod tests {
    use loadin_record::evidence::Evidence;
    use loadin_record::rough_mix::MixedVersion;

    use super::*;
    use crate::testing::{recipe, stem, with_given};

    fn rough() -> RoughMix {
        RoughMix {
            path: "Rough Mix.wav".to_owned(),
            delay_frames: Some(0.0),
            rate_hz: 48_000,
            ..RoughMix::default()
        }
    }

    /// What is noticed about the stems "Bass.wav" and "Kick.wav", and about the delivery.
    fn found(rough: Option<RoughMix>) -> (Vec<Vec<Finding>>, Vec<Finding>) {
        let evidence = Evidence { rough_mix: rough, ..Evidence::default() };
        with_given(&recipe(""), ["Bass.wav", "Kick.wav"].map(stem), &evidence, None, |draft| {
            notice(draft);
            (draft.stems.iter().map(|stem| stem.findings.clone()).collect(), draft.findings.clone())
        })
    }

    #[test]
    fn a_rough_mix_that_shows_nothing_is_no_finding() {
        let nothing = (vec![vec![], vec![]], vec![]);
        assert_eq!(found(None), nothing);
        assert_eq!(found(Some(rough())), nothing);
    }

    #[test]
    fn what_it_cannot_show_is_said_with_the_reason() {
        let reason = Some("it is too short".to_owned());
        let text = "whether stems are missing cannot be judged by \"Rough Mix.wav\": it is too short";
        let wanted = Finding::new(Id::RoughNotJudged, text).with("rough_mix", "Rough Mix.wav");
        assert_eq!(found(Some(RoughMix { cannot_judge: reason, ..rough() })).1, [wanted]);
    }

    #[test]
    fn what_is_in_no_stem_is_said_with_its_place_its_band_and_its_level() {
        let gap = |from_seconds: f64, to_seconds: f64| RoughGap {
            from_seconds,
            to_seconds,
            low_hz: 200.0,
            high_hz: 400.4,
            level_db: -12.34,
            confidence: 0.99,
        };
        let gaps = vec![gap(59.6, 125.06), gap(-1.0, 4.4)];
        let (_, findings) = found(Some(RoughMix { gaps, ..rough() }));
        let text = |from: &str, to: &str| {
            format!(
                "something between {from} and {to}, mostly 200 to 400 Hz, is in the rough mix and in no stem (-12 dB \
                 relative to the mix): a stem may be missing, or it is an effect"
            )
        };
        let wanted = Finding::new(Id::MissingStem, text("1:00", "2:05"))
            .with("rough_mix", "Rough Mix.wav")
            .with("from_seconds", 59.6)
            .with("to_seconds", 125.1)
            .with("low_hz", 200.0)
            .with("high_hz", 400.4)
            .with("level_db", -12.3)
            .with("confidence", 0.99);
        assert_eq!(findings[0], wanted);
        assert_eq!((findings.len(), &findings[1].text), (2, &text("0:00", "0:04")));
    }

    /// What is said of "Bass.wav" and "Kick.wav", as ids and texts.
    fn said(rough: RoughMix) -> Vec<(String, String)> {
        let found = found(Some(rough)).0.into_iter().flatten();
        found.map(|finding| (finding.id.as_str().to_owned(), finding.text)).collect()
    }

    #[test]
    fn what_is_unlike_all_others_in_it_is_said() {
        let gains = |bass: f64, kick: f64, others: &[(&str, f64)]| {
            let all = [("Bass.wav", bass), ("Kick.wav", kick)];
            all.iter().chain(others).map(|(path, gain)| ((*path).to_owned(), *gain)).collect()
        };
        let of = |gains_db| said(RoughMix { gains_db, ..rough() });
        assert_eq!(of(gains(-3.0, 3.0, &[("Vox.wav", 3.0)])), []);
        assert_eq!(of(gains(-9.0, -12.0, &[("Vox.wav", -15.0)])), [], "each has one beside it");
        let text = "its level in the rough mix \"Rough Mix.wav\" (-9.0 dB as delivered) is unlike that of all others: the \
                    nearest of them is 12.0 dB higher";
        assert_eq!(
            of(gains(-9.0, 3.0, &[("Vox.wav", 3.5)])),
            [("level-in-rough-mix".to_owned(), text.to_owned())]
        );
        let inverted = vec!["Kick.wav".to_owned()];
        let text =
            "it is upside down in the rough mix \"Rough Mix.wav\" against the other stems; it stays as it is";
        let found = said(RoughMix { inverted, ..rough() });
        assert_eq!(found, [("polarity-in-rough-mix".to_owned(), text.to_owned())]);
    }

    #[test]
    fn of_two_versions_the_one_that_it_does_not_have_is_told_so() {
        let versions = vec![MixedVersion { heard: "Bass.wav".to_owned(), other: "Kick.wav".to_owned() }];
        let gains_db = [("Bass.wav".to_owned(), 0.0), ("Kick.wav".to_owned(), -40.0)].into();
        let found = said(RoughMix { versions, gains_db, ..rough() });
        let ids: Vec<&str> = found.iter().map(|(id, _)| id.as_str()).collect();
        assert_eq!(ids, ["not-in-rough-mix"]);
        assert_eq!(found[0].1, "the rough mix \"Rough Mix.wav\" has \"Bass.wav\" and not this version");
    }

    #[test]
    fn what_was_not_compared_is_named_and_may_be_what_is_missing() {
        let left_out = [("Kick.wav".to_owned(), "nobody knows".to_owned())].into();
        let gap = RoughGap {
            from_seconds: 1.0,
            to_seconds: 2.0,
            low_hz: 40.0,
            high_hz: 100.0,
            level_db: -3.0,
            confidence: 0.9,
        };
        let (stems, delivery) = found(Some(RoughMix { left_out, gaps: vec![gap], ..rough() }));
        assert_eq!(
            stems[1][0].text,
            "it was not compared with the rough mix \"Rough Mix.wav\": nobody knows"
        );
        assert!(
            delivery[0].text.ends_with(
                "a stem may be missing, or it is \"Kick.wav\", which was not compared, or an effect"
            ),
            "{}",
            delivery[0].text
        );
    }

    #[test]
    fn a_processed_mix_says_what_it_cannot_show() {
        let processed = Some("it was limited".to_owned());
        let (_, delivery) = found(Some(RoughMix { processed, floor_db: Some(-21.6), ..rough() }));
        assert_eq!(
            delivery[0].text,
            "the rough mix \"Rough Mix.wav\" is no plain sum of its stems: it was limited; what is missing and weaker than \
             -22 dB would not show"
        );
    }

    #[test]
    fn a_stem_that_is_not_in_it_is_told_so() {
        let absent = vec!["Kick.wav".to_owned(), "Gone.wav".to_owned()];
        let text = "it is not in the rough mix \"Rough Mix.wav\", as far as that can be told below 2.5 kHz";
        let wanted = Finding::new(Id::NotInRough, text).with("rough_mix", "Rough Mix.wav");
        assert_eq!(found(Some(RoughMix { absent, ..rough() })), (vec![vec![], vec![wanted]], vec![]));
    }
}
