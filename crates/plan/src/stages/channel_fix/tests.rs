//! Tests of `channel-fix`: measures in, decisions out. They know no audio but the few frames that a processor gets.

use loadin_record::survey::ChannelMeasures;

use super::*;
use crate::shape::{Fate, OutputPlan};
use crate::testing::{
    Stem, decide_by, ids, join_first_two, no_shape, processed, recipe, stem, with_draft, written,
};

fn settings(text: &str) -> Settings {
    toml::from_str(text).unwrap()
}

/// The decisions by these settings, one text for all stems or one a stem. That the channels follow them, and that nothing
/// else of the draft but its findings changes, is checked on the way: the samples that stay are still the source's.
fn decided(texts: &[&str], draft: &mut Draft<'_>) -> Vec<Decision> {
    let (before, decisions) = decide_by(texts, draft, decide);
    for ((decision, before), stem) in decisions.iter().zip(before).zip(&draft.stems) {
        let channels = match *decision {
            Decision::Leave { .. } | Decision::Join { .. } => before.channels.clone(),
            Decision::KeepOne { channel, .. } => vec![before.channels[channel].clone()],
            Decision::Double { channel, .. } => vec![before.channels[channel].clone(); 2],
        };
        let wanted = DraftStem { channels, findings: stem.findings.clone(), ..before };
        assert_eq!(format!("{stem:?}"), format!("{wanted:?}"));
    }
    decisions
}

/// The decision for one stem, and the ids of the findings that go with it.
fn check(text: &str, stem: Stem) -> (Decision, Vec<&'static str>) {
    with_draft(&recipe(""), [stem], |draft| {
        let decision = decided(&[text], draft).remove(0);
        (decision, ids(&draft.stems[0].findings))
    })
}

fn left(why: &str) -> Decision {
    Decision::Leave { why: why.to_owned() }
}

fn keep_one(channel: usize, other_silent: bool, why: &str) -> Decision {
    Decision::KeepOne { channel, of: 2, other_silent, why: why.to_owned() }
}

fn double(channel: usize, of: usize, why: &str) -> Decision {
    Decision::Double { channel, of, why: why.to_owned() }
}

fn mono() -> Stem {
    stem("a.wav")
}

/// Two channels that differ.
fn stereo() -> Stem {
    stem("a.wav").channels(&[0.5, 0.4])
}

/// Two channels that differ by so much at most, and by so much of a block's peak.
fn near(max_difference: f64, worst_difference_ratio: f64) -> Stem {
    stem("a.wav").channels(&[0.5, 0.5]).with(|measures| {
        let relation = measures.relation.as_mut().unwrap();
        (relation.max_difference, relation.worst_difference_ratio) = (max_difference, worst_difference_ratio);
    })
}

/// Two channels that are identical.
fn twin() -> Stem {
    near(0.0, 0.0)
}

/// Two channels, this one of them silent.
fn dead(channel: usize) -> Stem {
    let mut peaks = [0.5, 0.5];
    peaks[channel] = 0.0;
    stem("a.wav").channels(&peaks)
}

const ONE: &str = "it has one channel";
const DIFFER: &str = "its two channels differ";
const SILENT: &str = "the other channel is silent";
const KEPT_DEAD: &str = "one of its two channels is silent, and the recipe keeps it";
const IDENTICAL: &str = "both channels are identical";
const FOR_STEREO: &str = "the recipe asks for stereo";
const EQUAL_FOR_STEREO: &str = "both channels are equal, as the recipe asks for stereo";
const SILENT_FOR_STEREO: &str = "the other channel is silent, and the recipe asks for stereo";

/// −90 dB as the limit of "identical": common practice, no source.
#[test]
fn without_settings_faults_are_folded_pairs_are_reported_and_layouts_stay() {
    let explicit = "dual-mono = \"fold\"\ndual-mono-residual = \"-90 dB\"\ndead-channel = \"fold\"\npairs = \"report\"\nlayout = \"as-is\"";
    assert_eq!(settings(explicit), Settings::default());
    assert_eq!(settings(""), Settings::default());
    let other = "dual-mono = \"keep\"\ndual-mono-residual = \"-60 dB\"\ndead-channel = \"keep\"\npairs = \"join\"\nlayout = \"mono\"";
    assert_eq!(
        settings(other),
        Settings {
            dual_mono: Fold::Keep,
            dual_mono_residual: Ratio(-60.0),
            dead_channel: Fold::Keep,
            pairs: Pairs::Join,
            layout: Layout::Mono,
        }
    );
    assert_eq!(settings("layout = \"stereo\"").layout, Layout::Stereo);
}

#[test]
fn settings_that_do_not_exist_are_refused_with_what_does() {
    for (text, allowed) in [
        ("dual-mono = \"drop\"", "`fold` or `keep`"),
        ("dead-channel = \"drop\"", "`fold` or `keep`"),
        ("pairs = \"fold\"", "`report` or `join`"),
        ("layout = \"5.1\"", "`as-is`, `mono`, `stereo`"),
        ("dual-mono-residual = \"-90 dBFS\"", "such as \"6 dB\""),
        ("width = 1", "`dual-mono`"),
    ] {
        let message = toml::from_str::<Settings>(text).unwrap_err().to_string();
        assert!(message.contains(allowed), "{message}");
    }
}

#[test]
fn each_layout_takes_each_kind_of_stem_as_it_promises() {
    let three = || stem("a.wav").channels(&[0.5, 0.5, 0.5]);
    for (layout, stem, decision, findings) in [
        ("as-is", mono(), left(ONE), vec![]),
        ("as-is", stereo(), left(DIFFER), vec![]),
        ("as-is", twin(), keep_one(0, false, IDENTICAL), vec![]),
        ("as-is", dead(0), keep_one(1, true, SILENT), vec![]),
        ("as-is", dead(1), keep_one(0, true, SILENT), vec![]),
        ("as-is", three(), left("it has 3 channels"), vec![]),
        ("mono", mono(), left(ONE), vec![]),
        ("mono", stereo(), left(DIFFER), vec!["layout-kept"]),
        ("mono", twin(), keep_one(0, false, IDENTICAL), vec![]),
        ("mono", dead(0), keep_one(1, true, SILENT), vec![]),
        ("mono", dead(1), keep_one(0, true, SILENT), vec![]),
        ("mono", three(), left("it has 3 channels"), vec![]),
        ("stereo", mono(), double(0, 1, FOR_STEREO), vec![]),
        ("stereo", stereo(), left(DIFFER), vec![]),
        ("stereo", twin(), left(EQUAL_FOR_STEREO), vec![]),
        ("stereo", dead(0), double(1, 2, SILENT_FOR_STEREO), vec![]),
        ("stereo", dead(1), double(0, 2, SILENT_FOR_STEREO), vec![]),
        ("stereo", three(), left("it has 3 channels"), vec![]),
    ] {
        let shown = format!("{layout}: {decision:?}");
        assert_eq!(check(&format!("layout = \"{layout}\""), stem), (decision, findings), "{shown}");
    }
}

#[test]
fn stereo_that_cannot_become_mono_is_a_finding_that_says_why() {
    with_draft(&recipe(""), [stereo()], |draft| {
        decided(&["layout = \"mono\""], draft);
        let text = "stereo with two different channels: a mono version would lose one of them";
        let wanted = Finding::new(Id::LayoutKept, text).with("layout", "stereo");
        assert_eq!(draft.stems[0].findings, [wanted]);
    });
}

#[test]
fn faults_that_the_recipe_keeps_are_left_with_the_true_reason() {
    let equal = "its two channels are equal, and the recipe keeps both";
    for layout in ["as-is", "mono", "stereo"] {
        for (text, stem, why, kept) in [
            ("dual-mono", twin(), equal, "stereo with two equal channels: dual-mono = \"keep\" keeps both"),
            (
                "dead-channel",
                dead(0),
                KEPT_DEAD,
                "stereo with one silent channel: dead-channel = \"keep\" keeps it",
            ),
            (
                "dead-channel",
                dead(1),
                KEPT_DEAD,
                "stereo with one silent channel: dead-channel = \"keep\" keeps it",
            ),
        ] {
            let text = format!("{text} = \"keep\"\nlayout = \"{layout}\"");
            with_draft(&recipe(""), [stem], |draft| {
                assert_eq!(decided(&[&text], draft), [left(why)], "{text}");
                let found: Vec<&str> = draft.stems[0].findings.iter().map(|f| f.text.as_str()).collect();
                assert_eq!(found, if layout == "mono" { vec![kept] } else { vec![] }, "{text}");
            });
        }
    }
    let (decision, findings) = check("layout = \"mono\"", stereo().silent());
    assert_eq!((decision, findings), (left("both channels are silent"), vec!["layout-kept"]));
}

#[test]
fn one_fault_may_be_kept_while_the_other_is_folded() {
    assert_eq!(check("dual-mono = \"keep\"", dead(0)).0, keep_one(1, true, SILENT));
    assert_eq!(check("dead-channel = \"keep\"", twin()).0, keep_one(0, false, IDENTICAL));
    // A dead channel next to one that is nearly silent is no dual mono, whatever their difference is.
    let faint = dead(0).with(|measures| measures.relation.as_mut().unwrap().worst_difference_ratio = 0.0);
    assert_eq!(check("dead-channel = \"keep\"", faint).0, left(KEPT_DEAD));
}

/// The polarity null as the test for dual mono: common practice, no source.
#[test]
fn channels_are_identical_up_to_the_residual_and_differ_above_it() {
    for (text, db) in [("", -90.0), ("dual-mono-residual = \"-60 dB\"", -60.0)] {
        let limit = Decibels(db).ratio();
        // A difference of 0.001 is −60 dBFS (arithmetic).
        let equal = keep_one(0, false, "both channels are equal within -60.0 dBFS");
        for (ratio, decision) in [
            (0.0, equal.clone()),
            (limit.next_down(), equal.clone()),
            (limit, equal),
            (limit.next_up(), left(DIFFER)),
            (1.0, left(DIFFER)),
        ] {
            assert_eq!(check(text, near(0.001, ratio)).0, decision, "{text} {ratio}");
        }
    }
}

#[test]
fn channels_are_called_identical_where_no_sample_differs() {
    for (max_difference, why) in [
        (0.0, "both channels are identical"),
        // One step of 16 bits is 1 / 32 768, which is −90.3 dBFS (arithmetic).
        (1.0 / 32_768.0, "both channels are equal within -90.3 dBFS"),
    ] {
        assert_eq!(check("", near(max_difference, 0.0)).0, keep_one(0, false, why));
    }
}

#[test]
fn silence_and_mono_are_no_dual_mono() {
    for (stem, wanted) in [
        (twin(), true),
        (twin().with(|measures| measures.active_frames = 1), true),
        (twin().with(|measures| measures.active_frames = 0), false),
        (mono(), false),
        (stereo(), false),
    ] {
        assert_eq!(is_dual_mono(&stem.survey().measures.unwrap(), 1e-5), wanted);
    }
}

#[test]
fn a_channel_is_dead_below_a_billionth_of_full_scale_beside_one_that_sounds() {
    let limit = 1e-9;
    for (peaks, wanted) in [
        (vec![0.0, 0.5], Some(0)),
        (vec![0.5, 0.0], Some(1)),
        (vec![f64::next_down(limit), 0.5], Some(0)),
        (vec![0.5, f64::next_down(limit)], Some(1)),
        (vec![limit, 0.5], None),
        (vec![0.5, limit], None),
        (vec![0.5, 0.5], None),
        (vec![0.0, 0.0], None),
        (vec![0.0], None),
        (vec![0.0, 0.5, 0.5], None),
    ] {
        let survey = stem("a.wav").channels(&peaks).survey();
        assert_eq!(dead_channel(&survey.measures.unwrap()), wanted, "{peaks:?}");
    }
    // A channel that only swings to one side sounds.
    for (min, max) in [(0.0, 0.5), (-0.5, 0.0)] {
        let stem = stereo().with(|measures| {
            measures.channels[0] =
                ChannelMeasures { sample: loadin_record::survey::Range { min, max }, ..measures.channels[0] };
        });
        assert_eq!(dead_channel(&stem.survey().measures.unwrap()), None);
    }
}

#[test]
fn the_channels_that_stay_are_as_earlier_stages_left_them() {
    with_draft(&recipe(""), [dead(0)], |draft| {
        (draft.stems[0].channels[1].scale, draft.stems[0].channels[1].shift) = (0.5, 0.125);
        decided(&["layout = \"stereo\""], draft);
        for channel in &draft.stems[0].channels {
            assert_eq!((channel.channel, channel.scale, channel.shift), (1, 0.5, 0.125));
        }
    });
}

#[test]
fn two_joined_files_stay_left_and_right_whatever_the_layout() {
    let wanted = Decision::Join {
        left: "Amp L.wav".to_owned(),
        right: "Amp R.wav".to_owned(),
        left_short_frames: 0,
        right_short_frames: 0,
        why: "two mono files of one start, length and rate, named left and right".to_owned(),
    };
    for layout in ["as-is", "mono", "stereo"] {
        with_draft(&recipe(""), [stem("Amp L.wav"), stem("Amp R.wav")], |draft| {
            join_first_two(draft);
            assert_eq!(decided(&[&format!("layout = \"{layout}\"")], draft), std::slice::from_ref(&wanted));
            assert_eq!(draft.stems[0].channels.len(), 2);
        });
    }
}

#[test]
fn every_stem_has_its_own_settings() {
    let stems = ["a.wav", "b.wav", "c.wav"].map(stem);
    with_draft(&recipe(""), stems, |draft| {
        let texts = ["layout = \"stereo\"", "", "layout = \"mono\""];
        assert_eq!(decided(&texts, draft), [double(0, 1, FOR_STEREO), left(ONE), left(ONE)]);
    });
}

#[test]
fn a_stem_that_is_not_rendered_is_left() {
    for fate in [Fate::SetAside { why: "x".to_owned() }, Fate::Fail { why: "x".to_owned() }] {
        with_draft(&recipe(""), [dead(0)], |draft| {
            draft.stems[0].fate = fate;
            assert_eq!(decided(&[""], draft), [left("the stem is not rendered")]);
        });
    }
}

fn joined() -> Decision {
    Decision::Join {
        left: "a L.wav".to_owned(),
        right: "a R.wav".to_owned(),
        left_short_frames: 0,
        right_short_frames: 0,
        why: "named so".to_owned(),
    }
}

#[test]
fn the_processor_lets_through_the_channel_that_stays_once_or_twice() {
    let output = OutputPlan::default();
    let shape = Shape { sources: &[], output: &output };
    let source = [vec![0.1, 0.2, 0.3], vec![-0.1, -0.2, -0.3]];
    let [first, second] = source.clone();
    for (decision, wanted) in [
        (keep_one(0, false, IDENTICAL), vec![first.clone()]),
        (keep_one(1, true, SILENT), vec![second.clone()]),
        (double(0, 2, SILENT_FOR_STEREO), vec![first.clone(), first.clone()]),
        (double(1, 2, SILENT_FOR_STEREO), vec![second.clone(), second]),
    ] {
        assert_eq!(processed(processor(&decision, shape).unwrap(), &source, 2), wanted, "{decision:?}");
    }
    let doubled = processor(&double(0, 1, FOR_STEREO), shape).unwrap();
    assert_eq!(processed(doubled, &source[..1], 2), [first.clone(), first]);
    assert!(processor(&left(ONE), shape).is_none());
    assert!(processor(&joined(), shape).is_none());
}

#[test]
fn the_change_counts_channels_or_names_both_files() {
    let output = OutputPlan::default();
    let shape = Shape { sources: &[], output: &output };
    let new = |what: &str, from: serde_json::Value, to: serde_json::Value, why: &str| {
        Change::new("channel-fix", what, from, to, what, why)
    };
    for (decision, wanted) in [
        (left(ONE), None),
        (
            keep_one(1, true, SILENT),
            Some(new("channels", 2.into(), 1.into(), SILENT).with("kept", 1).with("other_silent", true)),
        ),
        (
            keep_one(0, false, IDENTICAL),
            Some(new("channels", 2.into(), 1.into(), IDENTICAL).with("kept", 0).with("other_silent", false)),
        ),
        (double(0, 1, FOR_STEREO), Some(new("channels", 1.into(), 2.into(), FOR_STEREO).with("kept", 0))),
        (
            joined(),
            Some(
                new("files", "a L.wav + a R.wav".into(), "left + right".into(), "named so")
                    .with("left", "a L.wav")
                    .with("right", "a R.wav"),
            ),
        ),
    ] {
        assert_eq!(change(&decision, shape, &Measured::default()), wanted);
    }
}

/// What is silence behind a shorter side is on record, so that it can be taken away again.
#[test]
fn a_shorter_side_is_on_record() {
    for (left, right, key) in
        [(192_000, 191_520, "right_short_frames"), (191_520, 192_000, "left_short_frames")]
    {
        let stems = [stem("Amp L.wav").frames(left), stem("Amp R.wav").frames(right)];
        with_draft(&recipe(""), stems, |draft| {
            join_first_two(draft);
            let decision = decided(&[""], draft).remove(0);
            let change = no_shape(|shape| change(&decision, shape, &written(192_000))).unwrap();
            assert_eq!(change.more[key], 480);
            assert_eq!(change.more.len(), 3, "left, right and what is missing of one");
            assert_eq!(change.why, "two mono files of one start and rate, named left and right");
        });
    }
}
