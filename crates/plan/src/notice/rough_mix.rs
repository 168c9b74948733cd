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
    draft.findings.extend(rough.gaps.iter().map(|gap| missing(gap, rough)));
    for stem in draft.stems.iter_mut().filter(|stem| rough.absent.iter().any(|path| path == stem.path())) {
        let text = format!(
            "it is not in the rough mix \"{}\", as far as that can be told below 2.5 kHz",
            rough.path
        );
        stem.note(Finding::new(Id::NotInRough, text).with("rough_mix", rough.path.as_str()));
    }
}

fn missing(gap: &RoughGap, rough: &RoughMix) -> Finding {
    let text = format!(
        "something between {} and {}, mostly {:.0} to {:.0} Hz, is in the rough mix and in no stem ({:.0} dB relative to \
         the mix): a stem may be missing, or it is an effect",
        clock(gap.from_seconds),
        clock(gap.to_seconds),
        gap.low_hz,
        gap.high_hz,
        gap.level_db
    );
    Finding::new(Id::MissingStem, text)
        .with("rough_mix", rough.path.as_str())
        .with("from_seconds", rounded(gap.from_seconds, 1))
        .with("to_seconds", rounded(gap.to_seconds, 1))
        .with("low_hz", gap.low_hz)
        .with("high_hz", gap.high_hz)
        .with("level_db", rounded(gap.level_db, 1))
}

fn clock(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

#[cfg(test)]
mod tests {
    use loadin_record::evidence::Evidence;

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
            .with("level_db", -12.3);
        assert_eq!(findings[0], wanted);
        assert_eq!((findings.len(), &findings[1].text), (2, &text("0:00", "0:04")));
    }

    #[test]
    fn a_stem_that_is_not_in_it_is_told_so() {
        let absent = vec!["Kick.wav".to_owned(), "Gone.wav".to_owned()];
        let text = "it is not in the rough mix \"Rough Mix.wav\", as far as that can be told below 2.5 kHz";
        let wanted = Finding::new(Id::NotInRough, text).with("rough_mix", "Rough Mix.wav");
        assert_eq!(found(Some(RoughMix { absent, ..rough() })), (vec![vec![], vec![wanted]], vec![]));
    }
}
