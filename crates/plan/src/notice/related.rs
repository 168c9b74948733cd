//! What related stems show of each other, as findings. They are reported with numbers and never corrected.

use loadin_record::evidence::Sibling;
use loadin_record::finding::{Finding, Id, rounded};
use loadin_session::copy_rank;
use loadin_session::estimate::{
    ComparedName, NameRelation, SiblingDoubt, SiblingFit, TimedStem, name_relation, rate_doubts,
    sibling_doubts, two_sides_of_a_skin,
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
        for doubt in sibling_doubts(&fit) {
            // The one that is named as a copy is the second.
            let turned =
                doubt == SiblingDoubt::NearDuplicate && copy_rank(&sibling.a) > copy_rank(&sibling.b);
            let pair = if turned { seen_from_the_other(sibling) } else { sibling.clone() };
            if let Some(stem) = draft.stems.iter_mut().find(|stem| stem.path() == pair.b) {
                stem.findings.push(finding(doubt, &pair));
            }
        }
    }
    rate_labels(draft);
}

/// The same pair with its second stem as the first.
fn seen_from_the_other(sibling: &Sibling) -> Sibling {
    Sibling { a: sibling.b.clone(), b: sibling.a.clone(), lag_frames: -sibling.lag_frames, ..sibling.clone() }
}

fn finding(doubt: SiblingDoubt, sibling: &Sibling) -> Finding {
    let other = &sibling.a;
    let frames = sibling.lag_frames.unsigned_abs();
    let ms = 1000.0 * frames as f64 / f64::from(sibling.rate_hz.max(1));
    let direction = if sibling.lag_frames < 0 { "earlier" } else { "later" };
    let skin = two_sides_of_a_skin(other, &sibling.b);
    let (id, text) = match doubt {
        SiblingDoubt::Offset => (
            Id::SiblingOffset,
            format!(
                "the same source as \"{other}\", all along {ms:.2} ms {direction}: together they \
                 sound hollow; it stays where it is"
            ),
        ),
        SiblingDoubt::Polarity => {
            let reason = if skin {
                "as is usual for microphones on two sides of a skin"
            } else {
                "and together they lose what they share: ask which of the two is the right way round"
            };
            let text =
                format!("its polarity is opposite to that of \"{other}\", {reason}; it stays as it is");
            (Id::SiblingPolarity, text)
        }
        SiblingDoubt::NearDuplicate => (
            Id::NearDuplicate,
            format!("nearly the same audio as \"{other}\": what differs is more than 30 dB below it"),
        ),
    };
    let finding = Finding::new(id, text)
        .with("beside", other.as_str())
        .with("lag_frames", sibling.lag_frames)
        .with("rate_hz", sibling.rate_hz)
        .with("correlation", rounded(sibling.correlation, 4));
    if doubt == SiblingDoubt::Polarity { finding.with("usual", skin) } else { finding }
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

#[cfg(test)]
mod tests {
    use loadin_record::evidence::{Evidence, Polarity};

    use super::*;
    use crate::testing::{Stem, ids, recipe, stem, with_given};

    fn sibling(a: &str, b: &str, lag_frames: i64, correlation: f64) -> Sibling {
        let polarity = if correlation < 0.0 { Polarity::Inverted } else { Polarity::Same };
        Sibling { a: a.to_owned(), b: b.to_owned(), lag_frames, rate_hz: 48_000, correlation, polarity }
    }

    /// What is noticed about every stem.
    fn found(stems: impl IntoIterator<Item = Stem>, siblings: Vec<Sibling>) -> Vec<Vec<Finding>> {
        let evidence = Evidence { siblings, ..Evidence::default() };
        with_given(&recipe(""), stems, &evidence, None, |draft| {
            notice(draft);
            draft.stems.iter().map(|stem| stem.findings.clone()).collect()
        })
    }

    /// A pair of one performance stored twice.
    fn pair(lag_frames: i64, correlation: f64) -> Vec<Finding> {
        let (a, b) = ("Bass Amp.wav", "Bass DI.wav");
        let mut found = found([stem(a), stem(b)], vec![sibling(a, b, lag_frames, correlation)]);
        assert_eq!(found[0], [], "the first of a pair is left alone");
        found.remove(1)
    }

    fn wanted(id: Id, text: &str, lag_frames: i64, correlation: f64) -> Finding {
        Finding::new(id, text)
            .with("beside", "Bass Amp.wav")
            .with("lag_frames", lag_frames)
            .with("rate_hz", 48_000)
            .with("correlation", correlation)
    }

    /// 96 frames at 48 kHz are 2 ms.
    #[test]
    fn the_three_doubts_about_siblings_are_said_with_their_numbers() {
        let offset = |direction: &str| {
            format!(
                "the same source as \"Bass Amp.wav\", all along 2.00 ms {direction}: together they sound \
                 hollow; it stays where it is"
            )
        };
        assert_eq!(pair(96, 0.95), [wanted(Id::SiblingOffset, &offset("later"), 96, 0.95)]);
        assert_eq!(pair(-96, 0.95), [wanted(Id::SiblingOffset, &offset("earlier"), -96, 0.95)]);
        let polarity = "its polarity is opposite to that of \"Bass Amp.wav\", and together they lose what they share: \
                        ask which of the two is the right way round; it stays as it is";
        assert_eq!(pair(0, -0.7), [wanted(Id::SiblingPolarity, polarity, 0, -0.7).with("usual", false)]);
        let near = "nearly the same audio as \"Bass Amp.wav\": what differs is more than 30 dB below it";
        assert_eq!(pair(0, 0.999_96), [wanted(Id::NearDuplicate, near, 0, 1.0)]);
        assert_eq!(ids(&pair(96, -0.95)), ["sibling-offset", "sibling-polarity"]);
        assert_eq!(pair(0, 0.7), []);
    }

    /// What two versions of one performance are doubted for, two microphones are not.
    #[test]
    fn names_say_how_two_stems_are_related() {
        let lag = |a: &str, b: &str| ids(&found([stem(a), stem(b)], vec![sibling(a, b, 140, 0.7)])[1]);
        assert_eq!(lag("Bass Amp.wav", "Bass DI.wav"), ["sibling-offset"]);
        assert_eq!(lag("Kick In.wav", "Kick Out.wav"), [""; 0]);
        assert_eq!(lag("Bass.wav", "Vox.wav"), [""; 0], "no relation by name counts as the loosest");
    }

    /// Only a skin has two sides that move against each other; two overheads in opposite polarity are a fault.
    #[test]
    fn the_reason_for_an_opposite_polarity_fits_the_pair() {
        let text =
            |a: &str, b: &str| found([stem(a), stem(b)], vec![sibling(a, b, 0, -0.7)])[1][0].text.clone();
        for (a, b) in [("Kick In.wav", "Kick Out.wav"), ("Snare Bottom.wav", "Snare Top.wav")] {
            assert!(text(a, b).contains("two sides of a skin"), "{a}");
        }
        for (a, b) in [("OH L.wav", "OH R.wav"), ("Bass Amp.wav", "Bass DI.wav"), ("Gtr 1.wav", "Gtr 2.wav")]
        {
            let text = text(a, b);
            assert!(!text.contains("skin") && text.contains("ask which"), "{text}");
        }
    }

    #[test]
    fn exact_copies_and_stems_that_are_not_there_are_no_doubt() {
        let (a, b) = ("Bass Amp.wav", "Bass DI.wav");
        let same = |path: &str| stem(path).with(|measures| "one".clone_into(&mut measures.content));
        assert_eq!(found([same(a), same(b)], vec![sibling(a, b, 96, 0.99)]), [vec![], vec![]]);
        assert_eq!(found([stem(a)], vec![sibling(a, b, 96, 0.99)]), [vec![]]);
        let alone = found([stem(b)], vec![sibling(a, b, 96, 0.99)]);
        assert_eq!(ids(&alone[0]), ["sibling-offset"]);
    }

    /// Ten seconds or more, as the doubt needs them; 480 000 frames are 10 s at 48 kHz and 10.884 s at 44.1 kHz.
    fn song(path: &str, rate_hz: u32, frames: u64) -> Stem {
        stem(path).rate(rate_hz).frames(frames)
    }

    /// 48 / 44.1 is 1.088435 and 1.467 semitones; half the rate is an octave (arithmetic).
    #[test]
    fn a_length_in_the_ratio_of_two_clocks_is_a_doubt_about_the_label() {
        let with = |odd: Stem| {
            let stems = ["a.wav", "b.wav", "c.wav"].map(|path| song(path, 48_000, 480_000));
            found(stems.into_iter().chain([odd]), vec![]).pop().unwrap()
        };
        let low = "it is 1.0884 times as long as the others, which is the ratio of two clocks: labelled 44100 Hz but \
                   likely recorded at 48000 Hz, it would play 1.47 semitones too low and too slowly; ask how it was \
                   exported";
        let wanted = Finding::new(Id::RateLabelDoubt, low)
            .with("length_ratio", 1.088_435)
            .with("label_hz", 44_100)
            .with("likely_hz", 48_000)
            .with("semitones", -1.467);
        assert_eq!(with(song("x.wav", 44_100, 480_000)), [wanted]);
        let high = "it is 0.5000 times as long as the others, which is the ratio of two clocks: labelled 96000 Hz but \
                    likely recorded at 48000 Hz, it would play 12.00 semitones too high and too fast; ask how it was \
                    exported";
        assert_eq!(with(song("x.wav", 96_000, 480_000))[0].text, high);
        assert_eq!(with(song("x.wav", 44_100, 441_000)), []);
        assert_eq!(with(song("x.wav", 44_100, 480_000).unreadable("it is torn")), []);
    }

    #[test]
    fn references_have_no_say_in_the_length_and_no_doubt() {
        let stems = ["a.wav", "b.wav"].map(|path| song(path, 48_000, 480_000));
        let reference = |path: &str, rate_hz: u32| song(path, rate_hz, 480_000);
        let odd = song("x.wav", 44_100, 480_000);
        let all = stems.clone().into_iter().chain([reference("Rough Mix.wav", 48_000), odd]);
        assert!(found(all, vec![]).iter().all(Vec::is_empty), "two stems are too few");
        let third = song("c.wav", 48_000, 480_000);
        let all = stems.into_iter().chain([third, reference("Rough Mix.wav", 44_100)]);
        assert!(found(all, vec![]).iter().all(Vec::is_empty));
    }
}
