//! Two mono files named left and right: reported, and joined to one stereo stem where the recipe says so.

use loadin_record::finding::{Finding, Id};
use loadin_session::{PairInput, Side, SidePair, pair_refusal, side_pairs};

use crate::draft::{Draft, DraftStem};
use crate::recipe::Recipe;
use crate::stages::align_starts::SAME_PLACE_FRAMES;
use crate::stages::channel_fix::{self, Pairs};

/// Reports the pairs of the draft, and joins those that the recipe wants joined.
pub(crate) fn join(recipe: &Recipe, draft: &mut Draft<'_>) {
    let inputs: Vec<PairInput> = draft.stems.iter().map(input).collect();
    let mut gone = Vec::new();
    let said = said_pairs(draft);
    let is_said = |index: usize| said.iter().any(|pair| pair.left == index || pair.right == index);
    let named = side_pairs(&inputs).into_iter().filter(|pair| !is_said(pair.left) && !is_said(pair.right));
    for pair in named.chain(said.iter().cloned()) {
        let (left, right) = (pair.left, pair.right);
        let partner = draft.stems[right].path().to_owned();
        if let Some(why) = pair.refused.or_else(|| heard_apart(draft, left, right)) {
            let text = format!(
                "named like the left half of a pair with \"{partner}\", but {why}; they stay two stems"
            );
            draft.stems[left].note(Finding::new(Id::PairRefused, text).with("right", partner));
        } else {
            let wanted = (is_said(left) || wants_join(recipe, draft.stems[left].path()))
                && may_join(draft, left, right);
            let finding = side_pair(&draft.stems[left], &draft.stems[right], wanted);
            draft.stems[left].note(finding);
            if wanted {
                absorb(draft, left, right);
                gone.push(right);
            }
        }
    }
    gone.sort_unstable();
    for index in gone.into_iter().rev() {
        draft.stems.remove(index);
    }
}

/// Pairs that the answers name: the stem whose table names the other one is the left side, unless a side is said.
fn said_pairs(draft: &Draft<'_>) -> Vec<SidePair> {
    let find = |path: &str| draft.stems.iter().position(|stem| stem.path() == path);
    let mut pairs: Vec<SidePair> = Vec::new();
    for (index, stem) in draft.stems.iter().enumerate() {
        let Some(other) = stem.said.pair_with.as_deref().and_then(find) else { continue };
        if pairs.iter().any(|pair| pair.left == index || pair.right == index) {
            continue;
        }
        let side = |index: usize| draft.stems[index].role.details.side;
        let turned = side(index) == Some(Side::Right) || side(other) == Some(Side::Left);
        let (left, right) = if turned { (other, index) } else { (index, other) };
        pairs.push(SidePair { left, right, refused: cannot_be_one(&draft.stems[left], &draft.stems[right]) });
    }
    pairs
}

/// Why two files cannot become one stereo stem, whatever is said of them.
fn cannot_be_one(left: &DraftStem<'_>, right: &DraftStem<'_>) -> Option<String> {
    let mono = |stem: &DraftStem<'_>| stem.channels.len() == 1;
    (!mono(left) || !mono(right))
        .then(|| "not both of them have one channel that can be read".to_owned())
        .or_else(|| pair_refusal(&input(left), &input(right)))
}

/// What a pair is, and which side is the shorter one.
fn side_pair(left: &DraftStem<'_>, right: &DraftStem<'_>, joined: bool) -> Finding {
    let pair = format!("looks like the left half of a stereo pair with \"{}\"", right.path());
    let short = left.frames.abs_diff(right.frames);
    let text = if short > 0 {
        let shorter = if left.frames < right.frames { "this one" } else { "that one" };
        let done = if joined { "; silence stands behind it in the joined stem" } else { "" };
        let seconds = short as f64 / f64::from(left.rate_hz.max(1));
        format!("{pair}, and {shorter} ends {seconds:.3} s ({short} frames) earlier{done}")
    } else {
        pair
    };
    let finding = Finding::new(Id::SidePair, text).with("right", right.path());
    if short > 0 { finding.with("shorter_by_frames", short) } else { finding }
}

/// Sides without stamps that the rough mix has at two places are two stems.
fn heard_apart(draft: &Draft<'_>, left: usize, right: usize) -> Option<String> {
    let heard =
        |index: usize| draft.evidence.places.iter().find(|place| place.path == draft.stems[index].path());
    let (left, right) = (heard(left)?, heard(right)?);
    let apart = left.start_frames.abs_diff(right.start_frames);
    (apart > SAME_PLACE_FRAMES).then(|| {
        let seconds = apart as f64 / f64::from(left.rate_hz.max(1));
        format!("the rough mix \"{}\" has them {seconds:.3} s apart", left.by)
    })
}

fn wants_join(recipe: &Recipe, path: &str) -> bool {
    recipe.settings::<channel_fix::Settings>(path).is_some_and(|settings| settings.pairs == Pairs::Join)
}

/// What was prepared as two stems stays two, and a late half joins nobody who is at work already.
fn may_join(draft: &Draft<'_>, left: usize, right: usize) -> bool {
    let Some(pin) = draft.pin else { return true };
    let (left, right) = (draft.stems[left].path(), draft.stems[right].path());
    pin.are_joined(left, right) || (pin.stem(left).is_none() && pin.stem(right).is_none())
}

fn input(stem: &DraftStem<'_>) -> PairInput {
    let survey = stem.sources[0];
    let format = survey.format.as_ref();
    PairInput {
        name: survey.path.clone(),
        rate_hz: format.map_or(0, |f| f.rate_hz),
        frames: survey.measures.as_ref().map_or(0, |m| m.source_frames),
        timestamp_frames: format.and_then(|f| f.timestamp_frames),
        channels: format.map_or(0, |f| f.channels),
        lossy: format.is_some_and(|f| f.lossy),
    }
}

/// Makes `right` the second source of `left`; the shorter one is followed by silence.
fn absorb(draft: &mut Draft<'_>, left: usize, right: usize) {
    let other = draft.stems[right].clone();
    let stem = &mut draft.stems[left];
    stem.sources.push(other.sources[0]);
    stem.frames = stem.frames.max(other.frames);
    // Both sides together are none of them.
    stem.role.details.side = None;
    stem.grid_bits = stem.grid_bits.zip(other.grid_bits).map(|(a, b)| a.max(b));
    stem.findings.extend(other.findings);
    stem.channels.extend(other.channels.into_iter().map(|mut channel| {
        channel.source = 1;
        channel
    }));
}

#[cfg(test)]
mod tests {
    use loadin_record::evidence::{Evidence, StemPlace};

    use super::*;
    use crate::draft::DraftChannel;
    use crate::testing::{self, Stem, ids, stem, with_draft, with_given};

    const REPORT: &str = "";
    const JOIN: &str = "[[stage]]\nstage = \"channel-fix\"\npairs = \"join\"\n";

    /// Sources and findings of every stem after pairs were looked for.
    fn found(recipe: &str, stems: impl IntoIterator<Item = Stem>) -> Vec<(Vec<String>, Vec<Finding>)> {
        let recipe = testing::recipe(recipe);
        with_draft(&recipe, stems, |draft| {
            join(&recipe, draft);
            let paths = |stem: &DraftStem<'_>| stem.sources.iter().map(|s| s.path.clone()).collect();
            draft.stems.iter().map(|stem| (paths(stem), stem.findings.clone())).collect()
        })
    }

    fn side_pair(partner: &str) -> Finding {
        Finding::new(Id::SidePair, format!("looks like the left half of a stereo pair with \"{partner}\""))
            .with("right", partner)
    }

    #[test]
    fn a_pair_is_reported_at_its_left_half_and_joined_where_the_recipe_says_so() {
        let stems = || ["Bass.wav", "Pad L.wav", "Pad R.wav", "Vox.wav"].map(stem);
        for recipe in [REPORT, "[[stage]]\nstage = \"channel-fix\"\n"] {
            let apart = found(recipe, stems());
            assert_eq!(apart.len(), 4, "{recipe}");
            assert_eq!(apart[1], (vec!["Pad L.wav".to_owned()], vec![side_pair("Pad R.wav")]), "{recipe}");
            assert_eq!(apart[2].1, [], "{recipe}");
        }
        let joined = found(JOIN, stems());
        let sources: Vec<Vec<String>> = joined.iter().map(|(paths, _)| paths.clone()).collect();
        assert_eq!(sources, [vec!["Bass.wav"], vec!["Pad L.wav", "Pad R.wav"], vec!["Vox.wav"]]);
        assert_eq!(joined[1].1, [side_pair("Pad R.wav")]);
    }

    #[test]
    fn several_pairs_are_joined_at_once_and_only_those_that_are_chosen() {
        let paths = ["Gtr L.wav", "Gtr R.wav", "Keys Left.wav", "Keys Right.wav", "Pad L.wav", "Pad R.wav"];
        let sources = |recipe: &str| -> Vec<usize> {
            found(recipe, paths.map(stem)).into_iter().map(|(paths, _)| paths.len()).collect()
        };
        assert_eq!(sources(JOIN), [2, 2, 2]);
        let chosen =
            "[[stage]]\nstage = \"channel-fix\"\n[[stage.for]]\nstems = \"keys*\"\npairs = \"join\"\n";
        assert_eq!(sources(chosen), [1, 1, 2, 1, 1]);
    }

    #[test]
    fn a_pair_that_cannot_be_one_is_refused_with_the_reason() {
        let right = || stem("Pad R.wav");
        let rows = [
            (right().rate(44_100), "their rates are 48000 Hz and 44100 Hz"),
            (right().stamp(48_000), "only one of them has a time stamp"),
            (right().unreadable("it is torn"), "one of them has no frame that can be read"),
            (right().with_format(|format| format.lossy = true), "one of them was stored with a lossy codec"),
        ];
        for (right, why) in rows {
            let stems = [stem("Pad L.wav"), right];
            let text = format!(
                "named like the left half of a pair with \"Pad R.wav\", but {why}; they stay two stems"
            );
            let wanted = Finding::new(Id::PairRefused, text).with("right", "Pad R.wav");
            let found = found(JOIN, stems);
            assert_eq!((found.len(), &found[0].1), (2, &vec![wanted]), "{why}");
        }
        let stereo = [stem("Pad L.wav"), stem("Pad R.wav").channels(&[0.5, 0.5])];
        assert_eq!(found(JOIN, stereo)[0].1, [], "two channels are no half");
    }

    /// 480 frames are 10 ms at 48 kHz (arithmetic).
    #[test]
    fn a_side_that_ends_earlier_is_a_shorter_side() {
        let recipe = testing::recipe(JOIN);
        for (left, right, shorter) in [(192_000, 191_520, "that one"), (191_520, 192_000, "this one")] {
            let stems = || [stem("Pad L.wav").frames(left), stem("Pad R.wav").frames(right)];
            let text = format!(
                "looks like the left half of a stereo pair with \"Pad R.wav\", and {shorter} ends 0.010 s (480 frames) earlier"
            );
            let apart =
                Finding::new(Id::SidePair, &text).with("right", "Pad R.wav").with("shorter_by_frames", 480);
            assert_eq!(found(REPORT, stems())[0].1, [apart]);
            with_draft(&recipe, stems(), |draft| {
                join(&recipe, draft);
                assert_eq!((draft.stems.len(), draft.stems[0].frames), (1, 192_000));
                let text = format!("{text}; silence stands behind it in the joined stem");
                assert_eq!(draft.stems[0].findings[0].text, text);
            });
        }
    }

    #[test]
    fn sides_that_the_rough_mix_has_apart_are_two_stems() {
        let place = |path: &str, start_frames: i64| StemPlace {
            path: path.to_owned(),
            by: "Rough Mix.wav".to_owned(),
            start_frames,
            stated_frames: None,
            rate_hz: 48_000,
            second_best_frames: 0,
            peak_ratio: 9.0,
            uncertainty_frames: 0.1,
        };
        let recipe = testing::recipe(JOIN);
        for (right, stems) in [(48_002, 1), (96_000, 2)] {
            let places = vec![place("Pad L.wav", 48_000), place("Pad R.wav", right)];
            let evidence = Evidence { places, ..Evidence::default() };
            with_given(&recipe, ["Pad L.wav", "Pad R.wav"].map(stem), &evidence, None, |draft| {
                join(&recipe, draft);
                assert_eq!(draft.stems.len(), stems, "{right}");
            });
        }
    }

    /// One file of 16 bits and one of 24 lie on the grid of 24; a float lies on none.
    #[test]
    fn a_joined_stem_has_both_halves_channels_findings_and_the_finer_grid() {
        let bits = |path: &str, bits: u16, float: bool| {
            stem(path).with_format(|format| (format.bits, format.float) = (bits, float))
        };
        let recipe = testing::recipe(JOIN);
        let rows = [
            ((16, false), (24, false), Some(24)),
            ((24, false), (16, false), Some(24)),
            ((24, false), (32, true), None),
            ((32, true), (24, false), None),
        ];
        for ((left, left_float), (right, right_float), grid) in rows {
            let stems = [bits("Pad L.wav", left, left_float), bits("Pad R.wav", right, right_float)];
            with_draft(&recipe, stems, |draft| {
                draft.stems[0].note(Finding::new(Id::Lossy, "of the left"));
                draft.stems[1].note(Finding::new(Id::Silent, "of the right"));
                join(&recipe, draft);
                assert_eq!(draft.stems.len(), 1);
                let stem = &draft.stems[0];
                let of = |source: usize| DraftChannel { source, channel: 0, scale: 1.0, shift: 0.0 };
                assert_eq!(stem.channels, [of(0), of(1)]);
                assert_eq!(stem.grid_bits, grid, "{left} {right}");
                assert_eq!(ids(&stem.findings), ["lossy-source", "side-pair", "silent"]);
            });
        }
    }
}
