//! What related stems show of each other, as findings. They are reported with numbers and never corrected.

use loadin_record::evidence::Sibling;
use loadin_record::finding::{Finding, Id, rounded};
use loadin_session::estimate::{
    ComparedName, NameRelation, SiblingDoubt, SiblingFit, TimedStem, name_relation, rate_doubts,
    sibling_doubts,
};

use crate::draft::Draft;

/// Adds the findings about pairs, each to the second stem of its pair.
pub(super) fn notice(draft: &mut Draft<'_>) {
    for sibling in &draft.evidence.siblings {
        let content = |path: &str| {
            let stem = draft.stems.iter().find(|stem| stem.path() == path)?;
            Some(stem.sources[0].measures.as_ref().ok()?.content.clone())
        };
        let fit = SiblingFit {
            relation: name_relation(&ComparedName::of(&sibling.a), &ComparedName::of(&sibling.b))
                .unwrap_or(NameRelation::Family),
            lag_frames: sibling.lag_frames,
            correlation: sibling.correlation,
            same_content: content(&sibling.a) == content(&sibling.b),
        };
        let findings: Vec<Finding> =
            sibling_doubts(&fit).into_iter().map(|doubt| finding(doubt, sibling)).collect();
        if let Some(stem) = draft.stems.iter_mut().find(|stem| stem.path() == sibling.b) {
            stem.findings.extend(findings);
        }
    }
    rate_labels(draft);
}

fn finding(doubt: SiblingDoubt, sibling: &Sibling) -> Finding {
    let other = &sibling.a;
    let frames = sibling.lag_frames.unsigned_abs();
    let ms = 1000.0 * frames as f64 / f64::from(sibling.rate_hz.max(1));
    let direction = if sibling.lag_frames < 0 { "earlier" } else { "later" };
    let (id, text) = match doubt {
        SiblingDoubt::Offset => (
            Id::SiblingOffset,
            format!(
                "the same source as \"{other}\", all along {frames} frames ({ms:.2} ms) {direction}: together they \
                 sound hollow; it stays where it is"
            ),
        ),
        SiblingDoubt::Polarity => (
            Id::SiblingPolarity,
            format!(
                "its polarity is opposite to that of \"{other}\", as is usual for microphones on two sides of a skin; \
                 it stays as it is"
            ),
        ),
        SiblingDoubt::NearDuplicate => (
            Id::NearDuplicate,
            format!("nearly the same audio as \"{other}\": what differs is more than 30 dB below it"),
        ),
    };
    Finding::new(id, text)
        .with("beside", other.as_str())
        .with("lag_frames", sibling.lag_frames)
        .with("rate_hz", sibling.rate_hz)
        .with("correlation", rounded(sibling.correlation, 4))
}

fn rate_labels(draft: &mut Draft<'_>) {
    let stems: Vec<(usize, TimedStem)> = draft
        .stems
        .iter()
        .enumerate()
        .filter_map(|(index, stem)| {
            let rate_hz = stem.sources[0].format.as_ref()?.rate_hz;
            let frames = stem.sources[0].measures.as_ref().ok()?.source_frames;
            (!stem.reference).then_some((index, TimedStem { frames, rate_hz }))
        })
        .collect();
    let timed: Vec<TimedStem> = stems.iter().map(|(_, timed)| *timed).collect();
    for doubt in rate_doubts(&timed) {
        let (index, timed) = stems[doubt.stem];
        let (pitch, speed) = if doubt.semitones < 0.0 { ("low", "slowly") } else { ("high", "fast") };
        let text = format!(
            "it is {:.4} times as long as the others, which is the ratio of two clocks: labelled {} Hz but likely \
             recorded at {} Hz, it would play {:.2} semitones too {pitch} and too {speed}; ask how it was exported",
            doubt.ratio,
            timed.rate_hz,
            doubt.likely_hz,
            doubt.semitones.abs()
        );
        draft.stems[index].note(
            Finding::new(Id::RateLabelDoubt, text)
                .with("length_ratio", rounded(doubt.ratio, 6))
                .with("label_hz", timed.rate_hz)
                .with("likely_hz", doubt.likely_hz)
                .with("semitones", rounded(doubt.semitones, 3)),
        );
    }
}
