//! The decisions of `gain-stage`, as data: levels in, gains out. No audio.

use loadin_record::evidence::Evidence;
use loadin_record::late::Pin;
use loadin_record::link::Link;
use loadin_record::survey::Range;

use super::*;
use crate::draft::DraftStem;
use crate::shape::Fate;
use crate::testing::{Stem, ids, no_shape, pin, recipe, stem, through, with_given, written};

mod late;
mod loud;

/// The amplitude of a level.
fn at(db: f64) -> f64 {
    Decibels(db).ratio()
}

fn mono(path: &str, peak_db: f64) -> Stem {
    stem(path).channels(&[at(peak_db)])
}

fn settings(text: &str) -> Settings {
    toml::from_str(text).unwrap()
}

/// Decides for all stems by the same settings, and looks at the decisions and at the draft after them.
fn check<R>(
    settings: &Settings,
    pin: Option<&Pin>,
    stems: &[Stem],
    look: impl FnOnce(&[Decision], &Draft<'_>) -> R,
) -> R {
    with_given(&recipe(""), stems.to_vec(), &Evidence::default(), pin, |draft| {
        let decisions = decide(&vec![settings.clone(); draft.stems.len()], draft);
        look(&decisions, draft)
    })
}

/// The gain of a decision in dB; `None` for one that leaves the level.
fn gain(decision: &Decision) -> Option<f64> {
    match decision {
        Decision::Gain { gain_db, .. } => Some(*gain_db),
        Decision::Leave { .. } => None,
    }
}

fn gains(decisions: &[Decision]) -> Vec<Option<f64>> {
    decisions.iter().map(gain).collect()
}

fn left(why: &str) -> Decision {
    Decision::Leave { why: why.to_owned() }
}

/// The same, as it is decided by the loudest stem.
fn decided(scope: &str, gain_db: f64, loudest_db: f64, by: &str) -> LinkGain {
    LinkGain { decided_by: Some(by.to_owned()), ..link_gain(scope, gain_db, loudest_db) }
}

fn link_gain(scope: &str, gain_db: f64, loudest_db: f64) -> LinkGain {
    LinkGain { scope: scope.parse().unwrap(), gain_db, loudest_db, decided_by: None }
}

/// A loudest peak of -6 dBFS, and one gain for all so that the rough balance stays: common practice, no source.
#[test]
fn the_defaults_bring_the_loudest_stem_of_the_delivery_to_minus_six() {
    let own = settings("");
    assert_eq!(own, Settings::default());
    assert_eq!((own.target.db, own.target.kind, own.link), (-6.0, PeakKind::Sample, LinkScope::Delivery));
    assert_eq!((own.round_down, own.never_lower), (RoundDown::None, false));
    assert_eq!((own.max_boost, own.max_cut), (Ratio(40.0), Ratio(40.0)));
}

#[test]
fn every_setting_is_read_and_no_other() {
    let own = settings(
        "target = \"-1 dBTP\"\nlink = \"group\"\nround-down = \"1 dB\"\nmax-boost = \"12 dB\"\nmax-cut = \"9 dB\"\nnever-lower = true",
    );
    let target = Peak { db: -1.0, kind: PeakKind::True };
    let (link, round_down, max_boost) = (LinkScope::Group, RoundDown::Whole, Ratio(12.0));
    let max_cut = Ratio(9.0);
    assert_eq!(own, Settings { target, link, round_down, max_boost, max_cut, never_lower: true });
    for (text, step) in [("none", RoundDown::None), ("0.1 dB", RoundDown::Tenth), ("1 dB", RoundDown::Whole)]
    {
        assert_eq!(settings(&format!("round-down = \"{text}\"")).round_down, step);
    }
    for (text, link) in
        [("stem", LinkScope::Stem), ("group", LinkScope::Group), ("delivery", LinkScope::Delivery)]
    {
        assert_eq!(settings(&format!("link = \"{text}\"")).link, link);
    }
    for wrong in ["round-down = \"2 dB\"", "loudness = \"-23 LUFS\"", "target = \"-6 dB\"", "link = \"all\""]
    {
        assert!(toml::from_str::<Settings>(wrong).is_err(), "{wrong}");
    }
}

/// The whole-dB rule: at a loudest peak of -6.5 dBFS, +6 dB fits and +7 dB would clip (common practice, no source).
#[test]
fn a_gain_is_rounded_down_to_its_steps() {
    for (target, step, peak_db, gain) in [
        ("0 dBFS", RoundDown::Whole, -6.5, 6.0),
        ("0 dBFS", RoundDown::Whole, -7.2, 7.0),
        // A target of full scale leaves room for the last rounding, so a whole 6 dB do not fit quite.
        ("0 dBFS", RoundDown::Whole, -6.0, 5.0),
        ("-6 dBFS", RoundDown::Whole, -3.5, -3.0),
        ("-6 dBFS", RoundDown::Whole, -9.0, 3.0),
        // Nearer to a step than a millionth is on it.
        ("-6 dBFS", RoundDown::Whole, -8.999_999_5, 3.0),
        ("-6 dBFS", RoundDown::Whole, -8.999, 2.0),
        ("-6 dBFS", RoundDown::Tenth, -6.55, 0.5),
        ("-6 dBFS", RoundDown::Tenth, -6.299_999_95, 0.3),
        ("-6 dBFS", RoundDown::Tenth, -6.299_9, 0.2),
        ("-6 dBFS", RoundDown::Tenth, -5.95, -0.1),
        ("-6 dBFS", RoundDown::None, -6.55, 0.55),
        // A gain has six decimals, and never passes the target.
        ("-6 dBFS", RoundDown::None, -7.234_567_89, 1.234_567),
        ("-6 dBFS", RoundDown::None, -4.765_432_11, -1.234_568),
        ("0 dBFS", RoundDown::None, -6.0, 5.999),
    ] {
        let own = Settings { target: target.parse().unwrap(), round_down: step, ..Settings::default() };
        assert_eq!(gain_db(&own, peak_db), (gain, false), "{target}, {step:?}, {peak_db}");
    }
}

#[test]
fn a_gain_of_whole_tenths_is_exactly_the_number_that_is_written_down() {
    for tenths in -400..=400 {
        let own = Settings { round_down: RoundDown::Tenth, ..Settings::default() };
        let wanted = f64::from(tenths) / 10.0;
        assert_eq!(gain_db(&own, -6.0 - wanted).0, wanted);
    }
}

/// 16 bits have 32 768 steps below full scale; rounding and TPDF dither reach 1.5 of them (arithmetic).
#[test]
fn a_target_of_full_scale_leaves_room_for_the_last_rounding() {
    let (gain, _) = gain_db(&settings("target = \"0 dBFS\""), -6.0);
    assert!(at(gain - 6.0) < 1.0 - 1.5 / 32_768.0);
}

#[test]
fn a_boost_is_bounded_after_its_rounding_and_lowering_can_be_forbidden() {
    let bounded = settings("max-boost = \"12 dB\"");
    let whole = settings("max-boost = \"12 dB\"\nround-down = \"1 dB\"");
    let raising = settings("never-lower = true");
    let careful = settings("max-cut = \"12 dB\"");
    for (own, peak_db, expected) in [
        (&bounded, -17.5, (11.5, false)),
        (&bounded, -18.0, (12.0, false)),
        (&bounded, -18.5, (12.0, true)),
        (&bounded, -30.0, (12.0, true)),
        (&bounded, -1.0, (-5.0, false)),
        (&whole, -18.5, (12.0, false)),
        (&whole, -19.5, (12.0, true)),
        (&raising, -1.0, (0.0, false)),
        (&raising, -6.0, (0.0, false)),
        (&raising, -7.0, (1.0, false)),
        (&careful, 6.0, (-12.0, false)),
        (&careful, 6.5, (-12.0, true)),
        (&careful, 742.0, (-12.0, true)),
        (&settings("max-cut = \"12 dB\"\nnever-lower = true"), 742.0, (0.0, false)),
    ] {
        assert_eq!(gain_db(own, peak_db), expected, "{own:?}, {peak_db}");
    }
}

#[test]
fn the_stems_of_a_delivery_share_the_gain_of_the_loudest_and_keep_their_balance() {
    let stems = [mono("Bass.wav", -20.0), mono("Kick.wav", -12.0), stem("Snare.wav").silent()];
    check(&settings("target = \"-6 dBFS\""), None, &stems, |decisions, draft| {
        let why = "the loudest peak of the delivery, that of \"Kick.wav\", is at -12.00 dBFS, the target is -6 dBFS";
        for (index, peak_db) in [(0, Some(-14.0)), (1, Some(-6.0)), (2, None)] {
            let Decision::Gain { gain_db, coefficient, peak_db: found, unit, why: found_why } =
                &decisions[index]
            else {
                panic!("{:?}", decisions[index])
            };
            assert_eq!((*gain_db, *coefficient), (6.0, at(6.0)));
            assert_eq!(found.map(|db: f64| (db * 1e9).round() / 1e9), peak_db, "silence has no level");
            let text = serde_json::to_string(&decisions[index]).unwrap();
            assert_eq!(serde_json::from_str::<Decision>(&text).unwrap(), decisions[index]);
            assert_eq!((unit.as_str(), found_why.as_str()), ("dBFS", why));
        }
        assert_eq!(draft.link.gains, [decided("delivery", 6.0, -12.0, "Kick.wav")]);
        assert!(draft.stems.iter().all(|stem| stem.findings.is_empty()) && draft.findings.is_empty());
    });
}

#[test]
fn each_link_has_a_gain_of_its_own() {
    let stems = [mono("Hat.wav", -20.0), mono("Lead Vox.wav", -10.0), mono("Snare.wav", -14.0)];
    for (link, expected, scopes) in [
        ("stem", [14.0, 4.0, 8.0], &["stem Hat.wav", "stem Lead Vox.wav", "stem Snare.wav"][..]),
        ("group", [8.0, 4.0, 8.0], &["group drums", "group lead vocals"]),
        ("delivery", [4.0, 4.0, 4.0], &["delivery"]),
    ] {
        check(&settings(&format!("link = \"{link}\"")), None, &stems, |decisions, draft| {
            assert_eq!(gains(decisions), expected.map(Some), "{link}");
            let found: Vec<String> = draft.link.gains.iter().map(|gain| gain.scope.to_string()).collect();
            assert_eq!(found, scopes);
            let Decision::Gain { why, .. } = &decisions[0] else { panic!("{:?}", decisions[0]) };
            assert!(why.starts_with(&format!("the loudest peak of the {}", scopes[0])), "{why}");
            assert_eq!(why.contains("that of \""), link != "stem", "{why}");
        });
    }
}

#[test]
fn a_link_goes_by_the_settings_of_its_first_stem() {
    let stems = [mono("Hat.wav", -12.0), mono("Snare.wav", -14.0), mono("Toms.wav", -20.0)];
    let of_each = [settings("target = \"-9 dBFS\""), settings(""), settings("link = \"stem\"")];
    with_given(&recipe(""), stems, &Evidence::default(), None, |draft| {
        assert_eq!(gains(&decide(&of_each, draft)), [Some(3.0), Some(3.0), Some(14.0)]);
    });
}

/// ITU-R BS.1770 counts a true peak in dBTP; it is never below the sample peak (arithmetic of oversampling).
#[test]
fn the_unit_of_the_target_says_which_peak_is_meant() {
    let over = |measures: &mut loadin_record::survey::Measures| {
        measures.channels[0].true_peak = Range { min: -at(-8.0), max: at(-9.0) };
    };
    for (target, loudest_db, gain_db, peak_db, unit) in
        [("-6 dBFS", -10.0, 4.0, -6.0, "dBFS"), ("-1 dBTP", -8.0, 7.0, -1.0, "dBTP")]
    {
        let stems = [mono("Kick.wav", -10.0).with(over)];
        check(&settings(&format!("target = \"{target}\"")), None, &stems, |decisions, draft| {
            assert_eq!(gains(decisions), [Some(gain_db)]);
            let Decision::Gain { peak_db: found, unit: found_unit, why, .. } = &decisions[0] else {
                panic!("{:?}", decisions[0])
            };
            let found = found.unwrap();
            assert!((found - peak_db).abs() < 1e-9 && found_unit == unit, "{found} {found_unit}");
            assert!(why.ends_with(&format!(" {unit}, the target is {target}")), "{why}");
            assert_eq!(draft.link.gains[0].loudest_db, loudest_db);
        });
    }
}

#[test]
fn silence_a_reference_and_a_stem_that_is_set_aside_are_left() {
    let stems = [stem("Hat.wav").silent(), mono("Kick.wav", -1.0), mono("Rough Mix.wav", -1.0)];
    with_given(&recipe(""), stems, &Evidence::default(), None, |draft| {
        draft.stems[1].fate = Fate::SetAside { why: "it is another take".to_owned() };
        let before: Vec<_> = draft.stems.iter().map(|stem| stem.channels.clone()).collect();
        assert_eq!(
            decide(&vec![settings(""); 3], draft),
            [left("there is no sound"), left(NOT_RENDERED), left("a reference keeps its level")]
        );
        assert!(draft.link.gains.is_empty());
        assert!(draft.stems.iter().map(|stem| &stem.channels).eq(&before));
        assert!(draft.stems.iter().all(|stem| stem.untouched && stem.findings.is_empty()));
    });
}

#[test]
fn a_silent_link_does_not_keep_the_next_one_from_its_gain() {
    let stems = [stem("Hat.wav").silent(), mono("Kick.wav", -12.0)];
    check(&settings("link = \"stem\""), None, &stems, |decisions, draft| {
        assert_eq!(decisions[0], left("there is no sound"));
        assert_eq!(gain(&decisions[1]), Some(6.0));
        assert_eq!(draft.link.gains, [decided("stem Kick.wav", 6.0, -12.0, "Kick.wav")]);
    });
}

#[test]
fn a_gain_of_less_than_a_thousandth_of_a_decibel_is_none() {
    let why = "the loudest peak of the delivery, that of \"Kick.wav\", is at -6.00 dBFS, where it shall be or as near as the steps allow";
    for (peak_db, expected) in
        [(-6.001, Some(0.001)), (-6.000_999, None), (-6.0, None), (-5.999_001, None), (-5.999, Some(-0.001))]
    {
        check(&settings(""), None, &[mono("Kick.wav", peak_db)], |decisions, draft| {
            assert_eq!(gain(&decisions[0]), expected, "{peak_db}");
            assert_eq!(draft.stems[0].untouched, expected.is_none());
            assert_eq!(draft.stems[0].channels[0].scale == 1.0, expected.is_none());
            if expected.is_none() {
                assert_eq!(decisions[0], left(why));
                assert_eq!(draft.stems[0].grid_bits, Some(24));
            }
            // The gain of the link is written down in any case.
            assert_eq!(draft.link.gains.len(), 1);
        });
    }
}

#[test]
fn a_gain_changes_scale_and_shift_of_every_channel_and_leaves_the_grid() {
    let stems = [stem("Keys.wav").channels(&[at(-12.0), at(-20.0)])];
    with_given(&recipe(""), stems, &Evidence::default(), None, |draft| {
        for channel in &mut draft.stems[0].channels {
            (channel.scale, channel.shift) = (0.5, 0.01);
        }
        let decisions = decide(&[settings("target = \"-20 dBFS\"")], draft);
        let Decision::Gain { coefficient, peak_db, .. } = &decisions[0] else { panic!("{decisions:?}") };
        let stem: &DraftStem<'_> = &draft.stems[0];
        for channel in &stem.channels {
            assert_eq!((channel.scale, channel.shift), (0.5 * coefficient, 0.01 * coefficient));
        }
        // The loudest value before was half of -12 dBFS, and a hundredth (arithmetic).
        assert!((coefficient - at(-20.0) / (0.5 * at(-12.0) + 0.01)).abs() < 1e-7, "{coefficient}");
        assert!((peak_db.unwrap() + 20.0).abs() < 1e-5, "{peak_db:?}");
        assert_eq!((stem.grid_bits, stem.untouched), (None, false));
        assert_eq!((stem.position, stem.shift_frames, stem.frames), (0, 0, 192_000));
    });
}

fn example() -> Decision {
    Decision::Gain {
        gain_db: -6.5,
        coefficient: 0.5,
        peak_db: Some(-6.0),
        unit: "dBFS".to_owned(),
        why: "it is loud".to_owned(),
    }
}

#[test]
fn the_processor_multiplies_every_sample_and_leaving_needs_none() {
    no_shape(|shape| {
        assert!(processor(&left("so"), shape).is_none());
        let sound = [1.0, -0.5, 0.25, 0.0, 0.125];
        for block_frames in 1..=5 {
            let mut multiply = processor(&example(), shape).unwrap();
            assert_eq!(through(&mut *multiply, &sound, block_frames), [0.5, -0.25, 0.125, 0.0, 0.0625]);
        }
        let mut block = Block::from_channels(vec![vec![1.0; 3], vec![-1.0; 3]]);
        processor(&example(), shape).unwrap().process(&mut block);
        assert_eq!(block, Block::from_channels(vec![vec![0.5; 3], vec![-0.5; 3]]));
    });
}

#[test]
fn the_change_says_the_gain_and_why_and_leaving_is_no_change() {
    no_shape(|shape| {
        assert_eq!(change(&left("so"), shape, &written(10)), None);
        let expected = Change::new("gain-stage", "gain", 0, -6.5, "dB", "it is loud");
        assert_eq!(change(&example(), shape, &written(10)), Some(expected));
    });
}

#[test]
fn a_decision_is_read_as_it_is_written() {
    for (decision, word) in [(example(), "gain"), (left("so"), "leave")] {
        let text = serde_json::to_value(&decision).unwrap();
        assert_eq!(text["do"], word);
        assert_eq!(serde_json::from_value::<Decision>(text).unwrap(), decision);
    }
}
