//! What `dc-removal` decides, as data.

use loadin_record::survey::Range;

use super::*;
use crate::draft::DraftStem;
use crate::shape::{Fate, OutputPlan, SourcePlan};
use crate::testing::{
    Stem, decide_by, join_first_two, offset, processed, recipe, resting_at, stem, with_draft,
};
use crate::values::PeakKind;

fn settings(text: &str) -> Settings {
    toml::from_str(text).unwrap()
}

/// The decisions by these settings, one text for all stems or one a stem. That the channels follow them, and that
/// nothing else of the draft changes, is checked on the way.
fn decided(texts: &[&str], draft: &mut Draft<'_>) -> Vec<Decision> {
    let (before, decisions) = decide_by(texts, draft, decide);
    for ((decision, before), stem) in decisions.iter().zip(before).zip(&draft.stems) {
        let wanted = match decision {
            Decision::Leave { .. } => before,
            Decision::Subtract { constants, .. } => {
                let mut channels = before.channels.clone();
                channels.iter_mut().zip(constants).for_each(|(channel, c)| channel.shift -= c);
                DraftStem { channels, grid_bits: None, untouched: false, ..before }
            }
        };
        assert_eq!(format!("{stem:?}"), format!("{wanted:?}"));
    }
    decisions
}

fn check(text: &str, stem: Stem) -> Decision {
    with_draft(&recipe(""), [stem], |draft| decided(&[text], draft).remove(0))
}

fn left(why: &str) -> Decision {
    Decision::Leave { why: why.to_owned() }
}

fn subtract(constants: &[f64], why: &str) -> Decision {
    Decision::Subtract { constants: constants.to_vec(), silence: false, why: why.to_owned() }
}

/// A stem with these steady offsets, one a channel.
fn offsets(path: &str, levels: &[f64]) -> Stem {
    offset(stem(path).channels(&vec![0.5; levels.len()]), levels)
}

/// The same with something else measured of one channel.
fn with_offset(stem: Stem, channel: usize, change: impl FnOnce(&mut OffsetFacts)) -> Stem {
    stem.with(|measures| change(&mut measures.channels[channel].offset))
}

const STEADY: &str = "a steady offset above -60 dBFS";
const NONE: &str = "no offset above -60 dBFS";
const DOUBTFUL: &str = "the offset is not proven to be steady: the rests are at several levels";

/// -60 dBFS: common practice, no source.
#[test]
fn without_settings_offsets_above_a_thousandth_of_full_scale_are_removed() {
    assert_eq!(settings(""), Settings::default());
    assert_eq!(settings("threshold = \"-60 dBFS\""), Settings { threshold: Level(-60.0) });
    assert_eq!(Settings::default().threshold, Level(-60.0));
}

#[test]
fn thresholds_that_cannot_be_are_refused_with_what_can() {
    for text in ["\"1 dBFS\"", "\"-201 dBFS\"", "\"-60 dB\"", "\"-60\""] {
        let message = toml::from_str::<Settings>(&format!("threshold = {text}")).unwrap_err().to_string();
        assert!(message.contains("such as \"-90 dBFS\""), "{message}");
    }
    assert_eq!(settings("threshold = \"0 dBFS\"").threshold, Level(0.0));
    assert_eq!(settings("threshold = \"-200 dBFS\"").threshold, Level(-200.0));
    let message = toml::from_str::<Settings>("filter = true").unwrap_err().to_string();
    assert!(message.contains("expected `threshold`"), "{message}");
}

#[test]
fn an_offset_is_removed_above_the_threshold_and_left_at_it() {
    for (text, db) in [("", -60.0), ("threshold = \"-40 dBFS\"", -40.0)] {
        let limit = Decibels(db).ratio();
        let none = format!("no offset above {db} dBFS");
        let steady = format!("a steady offset above {db} dBFS");
        for sign in [1.0, -1.0] {
            for (mean, decision) in [
                (0.0, left(&none)),
                (limit.next_down(), left(&none)),
                (limit, left(&none)),
                (limit.next_up(), subtract(&[sign * limit.next_up()], &steady)),
            ] {
                assert_eq!(check(text, offsets("a.wav", &[sign * mean])), decision, "{text} {mean}");
            }
        }
    }
}

#[test]
fn an_offset_is_steady_while_the_rests_stay_within_half_of_it() {
    for level in [0.01, -0.01] {
        for (spread, verdict) in
            [(0.0, Verdict::Steady), (0.005, Verdict::Steady), (f64::next_up(0.005), Verdict::Drifting)]
        {
            assert_eq!(judge(&OffsetFacts { spread, ..resting_at(level) }), verdict, "{spread}");
        }
        let short = OffsetFacts { certain: false, ..resting_at(level) };
        assert_eq!(judge(&short), Verdict::Unknown);
        let decided = check("", with_offset(offsets("a.wav", &[level]), 0, |facts| *facts = short));
        assert_eq!(decided, left("the offset is not proven to be steady: there is too little sound to tell"));
    }
}

/// A sound that leans by a fifth of its swing has a mean of 0.02 at a swing of 0.1, and of 0.002 at a swing of 0.01
/// (arithmetic).
#[test]
fn a_mean_is_an_offset_where_the_rests_have_it_too() {
    let facts = |level: f64, swing: f64, lean: f64| OffsetFacts { swing, lean, ..resting_at(level) };
    for (facts, verdict) in [
        // Rests that stand still, as far as a quarter of the offset.
        (facts(0.01, 0.0, 0.9), Verdict::Steady),
        (facts(0.01, 0.0025, 9.0), Verdict::Steady),
        // Noise in the rests: what the sound would lean at that level is no more than half of it.
        (facts(0.01, 0.02, 0.25), Verdict::Steady),
        (facts(0.01, 0.02, 0.251), Verdict::Unproven),
        // One level throughout, which leans as it does everywhere.
        (facts(0.02, 0.1, 0.2), Verdict::Unproven),
        (facts(-0.02, 0.1, 0.2), Verdict::Unproven),
    ] {
        // Cut off in the midst of the sound, so that the edges say nothing.
        let cut = OffsetFacts { edges: Range { min: -0.09, max: 0.07 }, least_edge: 0.09, ..facts };
        assert_eq!(judge(&cut), verdict, "{cut:?}");
        // The same, but the sound rises from nothing and dies away: then one mean is the sound's, and the other was faded.
        let smooth = OffsetFacts { edges: Range::default(), least_edge: 0.0, ..facts };
        let wanted = if verdict == Verdict::Steady { Verdict::Faded } else { Verdict::OfTheSound };
        assert_eq!(judge(&smooth), wanted, "{smooth:?}");
    }
}

#[test]
fn where_one_level_is_held_throughout_only_the_edges_can_tell() {
    let held = |low: f64, high: f64| OffsetFacts {
        swing: 0.25,
        lean: 0.04,
        edges: Range { min: low, max: high },
        ..resting_at(0.01)
    };
    for (low, high, verdict) in [
        (0.0076, 0.0124, Verdict::Steady),
        (0.0074, 0.0124, Verdict::Unproven),
        (0.0076, 0.0126, Verdict::Unproven),
        (-0.01, -0.01, Verdict::Unproven),
    ] {
        assert_eq!(judge(&held(low, high)), verdict, "{low} {high}");
    }
    for (least_edge, verdict) in [(0.005, Verdict::Steady), (0.0049, Verdict::OfTheSound)] {
        assert_eq!(judge(&OffsetFacts { least_edge, ..held(0.01, 0.01) }), verdict, "{least_edge}");
    }
}

#[test]
fn what_is_no_offset_stays_with_the_reason() {
    let decided = |least_edge: f64, swing: f64| {
        let change = |facts: &mut OffsetFacts| {
            (facts.least_edge, facts.swing, facts.lean) = (least_edge, swing, 1.0);
            facts.edges = Range { min: -0.3, max: 0.3 };
        };
        let Decision::Leave { why } = check("", with_offset(offsets("a.wav", &[0.01]), 0, change)) else {
            panic!("it stays")
        };
        why
    };
    assert!(decided(0.0, 0.3).contains("it is the sound's, no offset"));
    assert!(decided(0.3, 0.3).contains("the stem never rests"));
    assert!(decided(0.0, 0.0).contains("without it there would be a step"));
    // Below the threshold nobody has to be told.
    let quiet = with_offset(offsets("a.wav", &[0.0009]), 0, |facts| facts.least_edge = 0.0);
    assert_eq!(check("", quiet), left(NONE));
}

/// What was taken away before the rate was converted is not taken away twice.
#[test]
fn an_offset_that_the_survey_did_without_moves_nothing() {
    let measured = |subtracted: f64| {
        offsets("a.wav", &[0.01]).with(|measures| {
            measures.subtracted = vec![subtracted];
            measures.channels[0].sample = Range { min: -0.4 - subtracted, max: 0.6 - subtracted };
        })
    };
    for subtracted in [0.0, 0.01] {
        with_draft(&recipe(""), [measured(subtracted)], |draft| {
            assert!((draft.stems[0].peak(PeakKind::Sample) - 0.6).abs() < 1e-15, "as delivered");
            assert_eq!(decided(&[""], draft), [subtract(&[0.01], STEADY)]);
            assert!((draft.stems[0].peak(PeakKind::Sample) - 0.59).abs() < 1e-15, "without it");
        });
    }
}

#[test]
fn each_channel_has_its_own_constant_and_one_in_doubt_keeps_all() {
    let drifting = |means: &[f64], channel: usize| {
        with_offset(offsets("a.wav", means), channel, |facts| facts.spread = 1.0)
    };
    for (stem, decision) in [
        (offsets("a.wav", &[0.01, -0.02]), subtract(&[0.01, -0.02], STEADY)),
        (offsets("a.wav", &[0.01, 0.0005]), subtract(&[0.01, 0.0], STEADY)),
        (offsets("a.wav", &[-0.0005, 0.01]), subtract(&[0.0, 0.01], STEADY)),
        (offsets("a.wav", &[0.0005, 0.0005]), left(NONE)),
        (drifting(&[0.01, -0.02], 1), left(DOUBTFUL)),
        (drifting(&[0.01, -0.02], 0), left(DOUBTFUL)),
        // What lies below the threshold may drift as it likes.
        (drifting(&[0.01, 0.0005], 1), subtract(&[0.01, 0.0], STEADY)),
        (drifting(&[0.0005, 0.0005], 1), left(NONE)),
    ] {
        assert_eq!(check("", stem), decision);
    }
}

#[test]
fn an_offset_counts_as_loud_as_it_has_become() {
    for (scale, mean, decision) in [
        (2.0, 0.0005, left(NONE)),
        (2.0, 0.0006, subtract(&[0.0012], STEADY)),
        (-2.0, 0.0006, subtract(&[-0.0012], STEADY)),
        (0.5, 0.0015, left(NONE)),
    ] {
        with_draft(&recipe(""), [offsets("a.wav", &[mean])], |draft| {
            (draft.stems[0].channels[0].scale, draft.stems[0].channels[0].shift) = (scale, 0.25);
            assert_eq!(decided(&[""], draft), [decision], "{scale} {mean}");
        });
    }
}

#[test]
fn a_channel_is_judged_by_what_was_measured_of_it() {
    with_draft(&recipe(""), [offsets("a.wav", &[0.01, 0.02])], |draft| {
        draft.stems[0].channels.remove(0);
        assert_eq!(decided(&[""], draft), [subtract(&[0.02], STEADY)]);
    });
    with_draft(&recipe(""), [offsets("a L.wav", &[0.01]), offsets("a R.wav", &[0.02])], |draft| {
        join_first_two(draft);
        assert_eq!(decided(&[""], draft), [subtract(&[0.01, 0.02], STEADY)]);
    });
}

#[test]
fn every_stem_has_its_own_threshold() {
    let stems = ["a.wav", "b.wav"].map(|path| offsets(path, &[0.005]));
    with_draft(&recipe(""), stems, |draft| {
        let decisions = decided(&["threshold = \"-40 dBFS\"", ""], draft);
        assert_eq!(decisions, [left("no offset above -40 dBFS"), subtract(&[0.005], STEADY)]);
    });
}

#[test]
fn a_stem_that_is_not_rendered_is_left() {
    for fate in [Fate::SetAside { why: "x".to_owned() }, Fate::Fail { why: "x".to_owned() }] {
        with_draft(&recipe(""), [offsets("a.wav", &[0.01])], |draft| {
            draft.stems[0].fate = fate;
            assert_eq!(decided(&[""], draft), [left("the stem is not rendered")]);
        });
    }
}

/// Also before a change of rate, so the ten milliseconds are counted at the source's.
#[test]
fn the_constants_are_subtracted_and_ten_milliseconds_of_silence_stay_silent() {
    // 10 ms are 480 frames at 48 kHz and 441 at 44.1 kHz (arithmetic).
    for (rate_hz, shortest) in [(48_000, 480), (44_100, 441)] {
        let output = OutputPlan { rate_hz: 96_000, ..OutputPlan::default() };
        let source =
            SourcePlan { path: "a.wav".to_owned(), sha256: String::new(), channels: 2, frames: 0, rate_hz };
        let shape = Shape { sources: &[source], output: &output };
        for (frames, silent) in [(shortest - 1, false), (shortest, true)] {
            // Silence stands between two sounding frames and after them.
            let channel = |sample: f64| {
                let mut samples = vec![0.0; 2 * frames + 2];
                (samples[0], samples[frames + 1]) = (sample, sample);
                samples
            };
            let decision = subtract(&[0.25, -0.125], STEADY);
            let processor = processor(&decision, shape).unwrap();
            let given = processed(processor, &[channel(0.5), channel(-0.5)], 100);
            for (channel, constant, sounding) in [(0, 0.25, 0.25), (1, -0.125, -0.375)] {
                let mut wanted = vec![if silent { 0.0 } else { -constant }; 2 * frames + 2];
                (wanted[0], wanted[frames + 1]) = (sounding, sounding);
                assert!(given[channel] == wanted, "channel {channel}, {frames} frames of silence");
            }
        }
        assert!(processor(&left(NONE), shape).is_none());
    }
}

#[test]
fn the_change_gives_the_largest_offset_in_decibels_and_every_constant() {
    let output = OutputPlan { rate_hz: 44_100, ..OutputPlan::default() };
    let shape = Shape { sources: &[], output: &output };
    // 20 · log10 of the largest magnitude, with two decimals (arithmetic).
    for (constants, level) in [
        (vec![0.01], -40.0),
        (vec![0.0, -0.002], -53.98),
        (vec![-0.02, 0.01], -33.98),
        (vec![0.01, -0.02, 0.0], -33.98),
    ] {
        let wanted = Change::new("dc-removal", "offset", level, serde_json::Value::Null, "dBFS", STEADY)
            .with("constants", constants.clone())
            .with("silence", false)
            .with("rate_hz", 44_100);
        let found = change(&subtract(&constants, STEADY), shape, &Measured::default());
        assert_eq!(found, Some(wanted));
    }
    assert_eq!(change(&left(NONE), shape, &Measured::default()), None);
}

#[test]
fn whether_there_is_digital_silence_goes_along() {
    let silent = with_offset(offsets("a.wav", &[0.01]), 0, |facts| facts.silent = 480);
    let wanted = Decision::Subtract { constants: vec![0.01], silence: true, why: STEADY.to_owned() };
    assert_eq!(check("", silent), wanted);
}
