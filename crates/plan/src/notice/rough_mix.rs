//! What the rough mix shows, as findings: evidence that is asked of the client, never a change.

use loadin_record::evidence::{RoughGap, RoughMix};
use loadin_record::finding::{Finding, Id, rounded};

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
