//! Tests of what the surveys show: every finding with its evidence, and each boundary from both sides.

use loadin_record::survey::{ChannelMeasures, OffsetFacts, Range};
use serde_json::Value;

use super::*;
use crate::testing::{Stem, ids, recipe, resting_at, stem, with_draft};

/// What is noticed about every stem, and about the delivery.
fn found(stems: impl IntoIterator<Item = Stem>) -> (Vec<Vec<Finding>>, Vec<Finding>) {
    with_draft(&recipe(""), stems, |draft| {
        notice(draft);
        (draft.stems.iter().map(|stem| stem.findings.clone()).collect(), draft.findings.clone())
    })
}

fn of_one(one: Stem) -> Vec<Finding> {
    found([one]).0.remove(0)
}

fn stereo(change: impl FnOnce(&mut loadin_record::survey::RelationFacts)) -> Stem {
    stem("x.wav").channels(&[0.5, 0.4]).with(|measures| change(measures.relation.as_mut().unwrap()))
}

#[test]
fn nothing_is_noticed_where_nothing_is_wrong() {
    let (stems, delivery) = found([stem("a.wav"), stem("b.wav").channels(&[0.5, 0.4])]);
    assert_eq!((stems, delivery), (vec![vec![], vec![]], vec![]));
}

/// The polarity null as the test for dual mono, and its depth: common practice, no source.
#[test]
fn two_channels_of_one_signal_are_noticed_by_the_null_of_every_block() {
    let at = |ratio: f64, difference: f64| {
        of_one(stereo(|r| (r.worst_difference_ratio, r.max_difference) = (ratio, difference)))
    };
    let dual = Finding::new(Id::DualMono, "both channels carry the same signal");
    assert_eq!(at(DUAL_MONO_RESIDUAL, 0.001), [dual.clone().with("residual_dbfs", -60.0)]);
    assert_eq!(at(0.0, 0.0), [dual.with("residual_dbfs", Value::Null)], "silence has no level");
    assert_eq!(at(DUAL_MONO_RESIDUAL.next_up(), 0.001), []);
}

#[test]
fn channels_that_cancel_are_noticed() {
    let at = |ratio: f64, correlation: Option<f64>| {
        of_one(stereo(|r| (r.worst_sum_ratio, r.max_sum, r.correlation) = (ratio, 0.01, correlation)))
    };
    let text = "the channels cancel when summed: one of them is inverted";
    let inverted = Finding::new(Id::InvertedChannel, text).with("sum_dbfs", -40.0);
    assert_eq!(at(INVERTED_RESIDUAL, Some(-0.999_96)), [inverted.clone().with("correlation", -1.0)]);
    assert_eq!(at(0.0, None), [inverted.with("correlation", Value::Null)]);
    assert_eq!(at(INVERTED_RESIDUAL.next_up(), Some(-1.0)), []);
}

/// A ratio of 0.005 is −46.02 dB (arithmetic).
#[test]
fn a_side_far_below_the_middle_is_noticed() {
    let at = |ratio: Option<f64>| of_one(stereo(|r| r.side_to_mid = ratio));
    let text = "nearly mono: the side is 46.0 dB below the mid; it stays stereo";
    assert_eq!(at(Some(0.005)), [Finding::new(Id::NearMono, text).with("side_to_mid_db", -46.02)]);
    assert_eq!(ids(&at(Some(NEAR_MONO_SIDE.next_down()))), ["near-mono"]);
    assert_eq!(at(Some(NEAR_MONO_SIDE)), []);
    assert_eq!(at(None), []);
}

#[test]
fn a_silent_channel_beside_a_sounding_one_is_noticed() {
    for (peaks, side, number) in [([0.0, 0.5], "left", 1), ([0.5, 0.0], "right", 2)] {
        let text = format!("the {side} channel is silent, the other one is not");
        let dead = Finding::new(Id::DeadChannel, text).with("silent_channel", number);
        assert_eq!(of_one(stem("x.wav").channels(&peaks)), [dead], "{side}");
    }
    assert_eq!(ids(&of_one(stem("x.wav").channels(&[0.9e-9, 0.5]))), ["dead-channel"]);
    assert_eq!(of_one(stem("x.wav").channels(&[1e-9, 0.5])), []);
    assert_eq!(ids(&of_one(stem("x.wav").channels(&[0.0, 0.0]))), ["silent"]);
    assert_eq!(of_one(stem("x.wav").channels(&[0.0, 0.5, 0.5])), [], "only stereo has an other channel");
}

/// Of several things that two channels show, the first that explains the others is said.
#[test]
fn one_thing_is_said_of_two_channels() {
    let all = |peaks: &[f64], difference: f64, sum: f64| {
        let one = stem("x.wav").channels(peaks).with(|measures| {
            let relation = measures.relation.as_mut().unwrap();
            (relation.worst_difference_ratio, relation.worst_sum_ratio) = (difference, sum);
            relation.side_to_mid = Some(0.0);
        });
        ids(&of_one(one))
    };
    assert_eq!(all(&[0.0, 0.5], 0.0, 0.0), ["dead-channel"]);
    assert_eq!(all(&[0.5, 0.5], 0.0, 0.0), ["dual-mono"]);
    assert_eq!(all(&[0.5, 0.5], 1.0, 0.0), ["inverted-channel"]);
    assert_eq!(all(&[0.5, 0.5], 1.0, 1.0), ["near-mono"]);
}

fn with_offset(peaks: &[f64], change: impl Fn(usize, &mut OffsetFacts)) -> Vec<Finding> {
    let change = |(index, channel): (usize, &mut ChannelMeasures)| change(index, &mut channel.offset);
    of_one(stem("x.wav").channels(peaks).with(|m| m.channels.iter_mut().enumerate().for_each(change)))
}

/// Offsets above −60 dBFS are worth a word: common practice, no source.
#[test]
fn an_offset_is_steady_or_drifts_or_is_not_known() {
    let at = |facts: OffsetFacts| with_offset(&[0.5], |_, offset| *offset = facts);
    let evidence = |id: Id, text: &str, level: f64, spread: f64| {
        let finding = Finding::new(id, text).with("offset", level).with("offset_dbfs", -40.0);
        [finding.with("spread", spread)]
    };
    let steady = |level, spread| evidence(Id::DcOffset, "a steady offset of -40.0 dBFS", level, spread);
    let text = "an offset around -40.0 dBFS that changes along the file";
    let drift = |spread| evidence(Id::DcDrift, text, 0.01, spread);
    assert_eq!(at(OffsetFacts { spread: 0.005, ..resting_at(0.01) }), steady(0.01, 0.005));
    assert_eq!(at(resting_at(-0.01)), steady(-0.01, 0.0));
    assert_eq!(at(OffsetFacts { least_edge: 0.0, ..resting_at(0.01) }), steady(0.01, 0.0), "faded");
    assert_eq!(at(OffsetFacts { spread: 0.005_001, ..resting_at(0.01) }), drift(0.005_001));
    let short = OffsetFacts { certain: false, ..resting_at(0.01) };
    assert_eq!(at(short), [], "short sounds have a mean without having an offset");
    let sounding = OffsetFacts { swing: 0.3, lean: 0.2, least_edge: 0.0, ..resting_at(0.01) };
    assert_eq!(at(sounding), [], "and asymmetric ones");
    let held = OffsetFacts { least_edge: 0.3, edges: Range { min: -0.3, max: 0.3 }, ..sounding };
    assert_eq!(ids(&at(held)), ["dc-doubt"]);
    assert_eq!(at(resting_at(DC_AMPLITUDE)), []);
    assert_eq!(ids(&at(resting_at(DC_AMPLITUDE.next_up()))), ["dc-offset"]);
}

#[test]
fn the_channel_with_the_greatest_offset_is_reported() {
    let levels = [0.002, -0.01, 0.003];
    let found = with_offset(&[0.5; 3], |index, offset| *offset = resting_at(levels[index]));
    assert_eq!((ids(&found), &found[0].evidence["offset"]), (vec!["dc-offset"], &(-0.01).into()));
}

fn clip(ceiling: f64, runs: u64) -> ClipFacts {
    ClipFacts { channel: 0, ceiling, runs, samples: 5 * runs, longest: runs, first_frame: 48_000 * runs }
}

fn clipped(clips: Vec<ClipFacts>) -> Vec<Finding> {
    of_one(stem("x.wav").with(|measures| measures.clips = clips))
}

#[test]
fn runs_at_full_scale_are_told_from_runs_below_it() {
    let runs = |id: Id, text: &str, (runs, samples, longest, first, dbfs): (u64, u64, u64, u64, f64)| {
        Finding::new(id, text)
            .with("runs", runs)
            .with("samples", samples)
            .with("longest_frames", longest)
            .with("first_frame", first)
            .with("ceiling_dbfs", dbfs)
    };
    let text = "5 runs of equal samples at full scale, the first at 2.000 s";
    let full = runs(Id::ClippedRuns, text, (5, 25, 3, 96_000, 0.0));
    assert_eq!(clipped(vec![clip(1.0, 3), clip(-1.0, 2)]), [full]);
    let text = "22 runs of equal samples at the file's own ceiling below full scale, as if clipped and then turned \
                down, the first at 10.000 s";
    let flat = runs(Id::FlatTops, text, (22, 110, 12, 480_000, -6.02));
    assert_eq!(clipped(vec![clip(-0.5, 12), clip(0.4, 10)]), [flat]);
}

/// Three steps of 16 bits below full scale still count as full scale; ten runs at −20 dBFS are flat tops (common
/// practice, no source).
#[test]
fn runs_are_noticed_from_their_boundaries_on() {
    let rows: [(f64, u64, &[&str]); 8] = [
        (FULL_SCALE, 1, &["clipped-runs"]),
        (-FULL_SCALE, 1, &["clipped-runs"]),
        (FULL_SCALE.next_down(), 1, &[]),
        (FULL_SCALE.next_down(), 10, &["flat-tops"]),
        (-0.5, 10, &["flat-tops"]),
        (0.5, 9, &[]),
        (FLAT_TOP_CEILING, 10, &["flat-tops"]),
        (FLAT_TOP_CEILING.next_down(), 10, &[]),
    ];
    for (ceiling, runs, wanted) in rows {
        assert_eq!(ids(&clipped(vec![clip(ceiling, runs)])), wanted, "{ceiling} {runs}");
    }
    assert!((FULL_SCALE - (1.0 - 3.0 / 32_768.0)).abs() < f64::EPSILON);
    assert_eq!(ids(&clipped(vec![clip(0.5, 10), clip(1.0, 1)])), ["clipped-runs", "flat-tops"]);
}

/// 20 · log10 of 2 is 6.02 dB (arithmetic).
#[test]
fn floats_above_full_scale_are_noticed() {
    let over = |samples: u64| {
        of_one(stem("x.wav").channels(&[2.0]).with(|measures| measures.over_full_scale = samples))
    };
    let text = "1 sample is above full scale (peak 6.02 dBFS); as floats they can be recovered";
    let finding = Finding::new(Id::FloatOver, text).with("samples", 1).with("peak_dbfs", 6.02);
    assert_eq!(over(1), [finding]);
    assert_eq!(over(0), []);
}

#[test]
fn silence_is_said_and_nothing_else_of_its_sound() {
    let silent = stem("x.wav").channels(&[0.0, 0.0]).with(|measures| {
        measures.clips = vec![clip(1.0, 20)];
        measures.over_full_scale = 9;
        measures.channels[0].offset = resting_at(0.5);
        measures.source_peak = 0.0;
    });
    let wanted = Finding::new(Id::Silent, "digital silence from start to end").with("frames", 192_000);
    assert_eq!(of_one(silent), [wanted]);
    let denormal = stem("x.wav").with(|measures| {
        measures.active_frames = 0;
        measures.source_peak = f64::from(f32::from_bits(1));
    });
    let said = "no sound but numbers next to nothing: the largest sample is 1.401298464324817e-45 (-897 dBFS), below the last step of 32 bits";
    assert_eq!(of_one(denormal), [Finding::new(Id::Silent, said).with("frames", 192_000)]);
    assert_eq!(of_one(stem("x.wav").with(|measures| measures.active_frames = 1)), []);
}

#[test]
fn an_early_end_is_told_from_a_hole() {
    let missing = |id: Id, what: &str, start: u64, frames: u64| {
        Finding::new(id, format!("{what}: a torn packet")).with("start_frame", start).with("frames", frames)
    };
    let early = "the file ends early: 1.000 s from 3.000 s on";
    let hole = "audio is missing: 1.000 s from 3.000 s on";
    for (frames, wanted) in [
        (48_000, missing(Id::Truncated, early, 144_000, 48_000)),
        (47_999, missing(Id::Damaged, hole, 144_000, 47_999)),
    ] {
        assert_eq!(of_one(stem("x.wav").damaged(144_000, frames)), [wanted]);
    }
    let two = stem("x.wav").damaged(0, 9).damaged(100, 200_000);
    assert_eq!(ids(&of_one(two)), ["damaged", "truncated"]);
}

#[test]
fn what_the_header_says_is_noticed_before_what_was_measured() {
    let repairs = vec!["the size of data was 0".to_owned(), "the rate was 0".to_owned()];
    let one = stem("x.mp3").silent().with_format(|format| {
        (format.lossy, format.codec, format.frames) = (true, "MP3".to_owned(), None);
        format.repairs.clone_from(&repairs);
    });
    let found = of_one(one);
    let wanted = ["header-repaired", "header-repaired", "lossy-source", "length-unstated", "silent"];
    assert_eq!(ids(&found), wanted);
    assert_eq!([&found[0].text, &found[1].text], [&repairs[0], &repairs[1]]);
    let text = "stored as MP3: what the codec took away does not come back";
    assert_eq!(found[2], Finding::new(Id::Lossy, text).with("codec", "MP3"));
}

/// 529 frames of a decoder and 576 of an encoder: common practice, no source.
#[test]
fn a_length_that_is_not_stated_is_noticed_with_the_delay_that_is_usual() {
    let text = "it does not say how many frames it has, so what may be missing cannot be known";
    let place = ", nor how much silence its coder has put before the sound: its place is in doubt";
    for (codec, lossy, delay) in [("PCM", false, None), ("AAC", true, None), ("MP3", true, Some(1105))] {
        let one = stem("x").with_format(|format| {
            (format.codec, format.lossy, format.frames) = (codec.to_owned(), lossy, None);
        });
        let finding =
            Finding::new(Id::LengthUnstated, if lossy { [text, place].concat() } else { text.to_owned() });
        let wanted = delay.map_or(finding.clone(), |frames| finding.with("usual_delay_frames", frames));
        assert_eq!(of_one(one).pop(), Some(wanted), "{codec}");
    }
}

#[test]
fn a_file_that_could_not_be_measured_says_why_and_nothing_more() {
    let one = stem("x.wav").with_format(|format| format.frames = None).unreadable("it is torn");
    assert_eq!(of_one(one), [Finding::new(Id::Unreadable, "it is torn")]);
}

#[test]
fn the_same_audio_is_noticed_at_every_stem_but_the_first() {
    let same = |path: &str| stem(path).with(|measures| "one".clone_into(&mut measures.content));
    let stems = [
        same("a.wav").unreadable("it is torn"),
        same("b.wav").silent(),
        same("c.wav"),
        same("d.wav"),
        stem("e.wav"),
        same("f.wav"),
    ];
    let (findings, _) = found(stems);
    let wanted = Finding::new(Id::Duplicate, "the same audio, sample for sample, as \"c.wav\"");
    let wanted = vec![wanted.with("same_as", "c.wav")];
    assert_eq!(findings[2..], [vec![], wanted.clone(), vec![], wanted]);
    assert_eq!((ids(&findings[0]), ids(&findings[1])), (vec!["unreadable"], vec!["silent"]));
}

#[test]
fn rates_of_stems_are_counted_and_references_are_not() {
    let stems = [
        stem("a.wav").rate(44_100).frames(176_400),
        stem("b.wav"),
        stem("c.wav"),
        stem("Rough Mix.wav").rate(96_000).frames(384_000),
        stem("d.wav").rate(88_200).unreadable("it is torn"),
    ];
    let text = "several sampling rates: 1 at 44100 Hz, 2 at 48000 Hz";
    let wanted = Finding::new(Id::MixedRates, text).with("44100", 1).with("48000", 2);
    assert_eq!(found(stems).1, [wanted]);
}

/// One millisecond at 48 kHz is 48 frames.
#[test]
fn lengths_that_differ_by_more_than_a_millisecond_are_noticed() {
    let with =
        |frames: u64| found([stem("a.wav"), stem("b.wav").frames(frames), stem("Rough Mix.wav").frames(9)]).1;
    assert_eq!(with(192_047), []);
    assert_eq!(with(191_953), []);
    let text = "the stems are 4.000 s to 4.001 s long";
    let wanted =
        Finding::new(Id::MixedLengths, text).with("shortest_seconds", 4.0).with("longest_seconds", 4.001_021);
    assert_eq!(with(192_049), [wanted]);
    assert_eq!(found([stem("Rough Mix.wav")]).1, [], "no stem has no length");
}

#[test]
fn folders_of_several_songs_are_noticed() {
    let song = |folder: &str, frames: u64| {
        ["Bass", "Kick"].map(|name| stem(&format!("{folder}/{name}.wav")).frames(frames))
    };
    let wanted = "several songs in one delivery? \"A\", \"B\" differ in length, and one gain and one length for all of them \
                  would be wrong; `prep --split` prepares each as a delivery of its own";
    let (_, findings) = found([song("A", 192_000), song("B", 240_000)].concat());
    assert_eq!(ids(&findings), ["mixed-lengths", "several-songs"]);
    let wanted = Finding::new(Id::SeveralSongs, wanted).with("songs", json!(["A", "B"]));
    assert_eq!(findings[1], wanted);
    let (_, findings) = found([song("Dry", 192_000), song("Wet", 192_000)].concat());
    assert_eq!(findings, []);
    let references = song("B", 240_000).map(|one| one.unreadable("it is torn"));
    assert_eq!(found([song("A", 192_000), references].concat()).1, []);
}
